"""One axis of a card: a pulse generator, its counter of steps, and what an edge catches."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from .profile import Profile

Edge = Literal["RISE", "FALL", "INDEX"]
"""Of the switch input; or the rise of the encoder's index."""

DEFAULT_RATE = 1000.0
DEFAULT_ACCELERATION = 10000.0
RATE_LIMITS = (1.0, 200_000.0)
CURRENT_LIMITS = (0.05, 1.0)
ACCELERATION_LIMITS = (1.0, 5_000_000.0)


@dataclass(frozen=True, slots=True)
class Latch:
    """What was caught at the edge that halted an axis; `hit` is False until it comes."""

    hit: bool
    count: int
    step: int
    tick: int


NO_LATCH = Latch(False, 0, 0, 0)


class Axis:
    """One pulse generator. Pulses are counted up since power-up; `sign` is DIR's."""

    def __init__(self) -> None:
        self.rate = DEFAULT_RATE
        self.acceleration = DEFAULT_ACCELERATION
        self.profile: Profile | None = None
        self.sign = 1
        self._base = 0
        self._step_zero = 0
        self.edge: Edge | None = None
        self.latch = NO_LATCH
        self.grouped = False
        self.loaded = 0

    def pulses(self, tick: int) -> int:
        """Pulses given since power-up."""
        return self._base + (self.profile.pulses(tick) if self.profile else 0)

    def travel(self, tick: int) -> tuple[float, float, float]:
        """Pulses evened out, their rate and acceleration (per s, per s²), all unsigned."""
        if self.profile is None:
            return (float(self._base), 0.0, 0.0)
        distance, rate, acceleration = self.profile.at(tick)
        return (self._base + distance, rate, acceleration)

    def steps(self, tick: int) -> int:
        """The commanded step counter."""
        return self._step_zero + self.sign * (self.pulses(tick) - self._base)

    def preset(self, tick: int, value: int) -> None:
        """Load the step counter."""
        self._step_zero += value - self.steps(tick)

    def begin(self, profile: Profile, sign: int) -> None:
        """Start a profile; the axis must be at rest."""
        self.profile = profile
        self.sign = sign

    def finish(self, tick: int) -> None:
        """Fold an ended profile into the counters."""
        self._step_zero = self.steps(tick)
        self._base = self.pulses(tick)
        self.profile = None
