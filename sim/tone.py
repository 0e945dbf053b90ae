"""A sine that is coupled into an input, and when it takes the input across a threshold."""

from __future__ import annotations

import math
from typing import NamedTuple

from .clock import TICKS_PER_S

TWO_PI = 2 * math.pi


class Tone(NamedTuple):
    """`height_v` cos(omega t + phase), t being rig time in s."""

    height_v: float
    phase: float
    omega: float

    def at(self, tick: int) -> float:
        """Volts at a tick."""
        return self.height_v * math.cos(self.omega * tick / TICKS_PER_S + self.phase)

    def rises_past(self, volts: float, now: int) -> int | None:
        """First tick after `now` at which it is at or above `volts`; None when it never is."""
        return self._passes(volts / self.height_v, self.phase, now)

    def falls_past(self, volts: float, now: int) -> int | None:
        """First tick after `now` at which it is at or below `volts`; None when it never is."""
        return self._passes(-volts / self.height_v, self.phase + math.pi, now)

    def _passes(self, level: float, phase: float, now: int) -> int | None:
        if level > 1:
            return None
        if level <= -1:
            return now + 1
        half = math.acos(level)  # it is past the level while its angle is within this of a crest
        angle = math.remainder(self.omega * now / TICKS_PER_S + phase, TWO_PI)
        if abs(angle) < half:
            return now + 1
        ahead = (-half - angle) % TWO_PI / self.omega
        return now + max(1, math.ceil(ahead * TICKS_PER_S))
