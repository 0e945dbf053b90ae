"""Dryrig: a rig with no arm in it.

A simulated six-axis stepper arm behind a serial port. Importing this package registers the
`dryrig://` scheme with pyserial and loads nothing else; the plant is loaded when it is needed.
"""

from __future__ import annotations

import sys
from importlib import import_module
from typing import TYPE_CHECKING, Any

import serial

if TYPE_CHECKING:
    from .errors import DryrigError
    from .protocol.determinism import check_determinism
    from .protocol.dialect_check import check_dialect
    from .protocol.direct import DirectRig, open_rig
    from .protocol.rig_time import rig_time
    from .protocol.station import Station
    from .scenes.loader import load_scene
    from .sim.rig import Rig

__all__ = [
    "DirectRig",
    "DryrigError",
    "Rig",
    "Station",
    "__version__",
    "check_determinism",
    "check_dialect",
    "load_scene",
    "open_rig",
    "rig_time",
]
__version__ = "0.1.0"

_HANDLERS = f"{__name__}.protocol"
if _HANDLERS not in serial.protocol_handler_packages:
    serial.protocol_handler_packages.append(_HANDLERS)

_LAZY = {
    "DirectRig": ".protocol.direct",
    "DryrigError": ".errors",
    "Rig": ".sim.rig",
    "Station": ".protocol.station",
    "check_determinism": ".protocol.determinism",
    "check_dialect": ".protocol.dialect_check",
    "load_scene": ".scenes.loader",
    "open_rig": ".protocol.direct",
    "rig_time": ".protocol.rig_time",
}


def __getattr__(name: str) -> Any:
    if name in _LAZY:
        return getattr(import_module(_LAZY[name], __name__), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def _hypothesis_entry() -> None:
    """Called by Hypothesis at its import: `from_type` knows our types once they are loaded."""
    if "dryrig.faults" in sys.modules:
        import_module(".faults.strategies", __name__)
