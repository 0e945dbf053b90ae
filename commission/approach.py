"""The searches of a homing as read from the card, for the report's plots; homing reads none."""

from __future__ import annotations

from dataclasses import dataclass, field

from .arm import Joint
from .client import Latch, Sample


@dataclass
class Approach:
    """One search for an edge: rig seconds and steps, and where it latched (or ended)."""

    joint: Joint
    phase: str  # "fast", "slow", "index" or "stop"
    time_s: list[float] = field(default_factory=list)
    steps: list[int] = field(default_factory=list)
    latch_time_s: float = 0.0
    latch_step: int = 0

    def saw(self, sample: Sample) -> None:
        """Take a point; standing still needs no further ones."""
        step = sample.steps[self.joint.channel]
        if len(self.steps) < 2 or step != self.steps[-1]:
            self.time_s.append(sample.time_s)
            self.steps.append(step)

    def ended(self, latch: Latch, step: int) -> None:
        """Where it found what it searched for."""
        self.latch_step = step
        self.latch_time_s = latch.time_s if latch.hit else self.time_s[-1]
