"""An input that its source charges slowly: a large resistance into the pin's capacitance.

The volts are the usual exponential between one change of the source and the next, so the tick at
which a level changes is a logarithm, and an edge that the next one overtakes never comes.
"""

from __future__ import annotations

import copy
import math

from .clock import NEVER


class Settling:
    """Volts and level of such an input. Times in ticks."""

    __slots__ = ("_due", "_from_v", "_high_v", "_low_v", "_since", "_tau", "_to_v", "level")

    def __init__(self, low_v: float, high_v: float, level: int, volts: float) -> None:
        self._low_v, self._high_v, self.level = low_v, high_v, level
        self._from_v = self._to_v = volts
        self._since, self._tau, self._due = 0, 1.0, NEVER

    def volts(self, tick: int) -> float:
        """At a tick not before the last change."""
        share = math.exp(-(tick - self._since) / self._tau)
        return self._to_v + (self._from_v - self._to_v) * share

    def drive(self, tick: int, volts: float, tau: float) -> None:
        """From `tick` on the source tends to `volts` with this time constant."""
        if volts != self._to_v or tau != self._tau:
            self._from_v = self.volts(tick)
            self._to_v, self._since, self._tau = volts, tick, tau
            self._due = self._crossing()

    def due(self) -> int:
        """When the level changes if nothing else does; NEVER if it stays."""
        return self._due

    def flip(self) -> None:
        """The level changes, at the tick that was due."""
        self.level = 1 - self.level
        self._due = NEVER

    def copy(self) -> Settling:
        """A copy that goes its own way."""
        return copy.copy(self)

    def _crossing(self) -> int:
        edge = self._low_v if self.level else self._high_v
        before, after = self._from_v - edge, self._to_v - edge
        if self.level:
            before, after = -before, -after
        if before >= 0:
            return self._since
        if after <= 0:
            return NEVER
        return self._since + math.ceil(self._tau * math.log1p(-before / after))
