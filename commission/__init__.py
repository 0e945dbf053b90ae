"""The host side: checks, homing and trim of an arm behind a serial port.

Knows a port and a pair of hands, nothing of what is behind them.
"""

from __future__ import annotations
