"""The following error of each axis: its counts against its commanded steps times a set scale.

All that a card can know: it asks nothing of the arm. The scale (counts a step, with its sign) is
set by whoever knows the gearing; 0 switches the axis off. While a watched axis gives pulses the
card looks every 25 ms of rig time, and once more after the last pulse; at other times when it is
asked. "Following error" is the term of CiA 402 / IEC 61800-7-201.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from .clock import TICKS_PER_S

if TYPE_CHECKING:
    from .card import Card, Plant

CHECK_TICKS = TICKS_PER_S // 40
DEFAULT_LIMIT = 100.0


class Following:
    """Scales, limits (counts) and flags of a card's axes; `counter_bits` is how wide counts are."""

    def __init__(self, card: Card, plant: Plant, axes: int, counter_bits: int) -> None:
        self._card, self._plant = card, plant
        self._wrap = 1 << counter_bits
        self._zero = [0.0] * axes
        self._ticking = False
        self.scale = [0.0] * axes
        self.limit = [DEFAULT_LIMIT] * axes
        self.halts = [False] * axes
        self.beyond = [False] * axes

    def reset(self) -> None:
        """As at power-up: nothing is watched."""
        for axis in range(len(self.scale)):
            self.scale[axis], self.limit[axis] = 0.0, DEFAULT_LIMIT
            self.halts[axis] = self.beyond[axis] = False

    def set_scale(self, axis: int, counts_per_step: float) -> None:
        """Watch an axis from here on, its present error being 0; a scale of 0 ends that."""
        self.scale[axis] = counts_per_step
        self.keep(axis, 0.0)

    def error_counts(self, axis: int) -> float:
        """How far the counts are ahead of the steps, counts; 0 for an axis not watched."""
        return self._errors([axis])[0] if self.scale[axis] else 0.0

    def keep(self, axis: int, error_counts: float) -> None:
        """Whatever was loaded into a counter: the error is this."""
        if self.scale[axis]:
            self._zero[axis] = 0.0
            self._zero[axis] = self._errors([axis])[0] - error_counts
        self.check()

    def _errors(self, axes: Sequence[int]) -> list[float]:
        counts = self._plant.read_counts(axes)
        return [self._ahead(axis, count) for axis, count in zip(axes, counts, strict=True)]

    def _ahead(self, axis: int, count: int) -> float:
        half = self._wrap / 2
        ahead = count - self.scale[axis] * self._card.steps(axis) - self._zero[axis]
        return (ahead + half) % self._wrap - half

    def check(self) -> None:
        """Look at every watched axis now; what has gone beyond its limit is told, or halted."""
        watched = [
            axis
            for axis, scale in enumerate(self.scale)
            if scale and (self.beyond[axis] or not self._surely_within(axis))
        ]
        errors = dict(zip(watched, self._errors(watched), strict=True)) if watched else {}
        for axis, before in enumerate(self.beyond):
            beyond = abs(errors.get(axis, 0.0)) > self.limit[axis]
            if beyond != before:
                self.beyond[axis] = beyond
                if beyond and self.halts[axis]:
                    self._card.halt(axis)
                if beyond:
                    self._card.happen("FOLL", axis)

    def _surely_within(self, axis: int) -> bool:
        """Whether the error is within its limit wherever between its bounds the count is."""
        about = self._plant.count_about(axis)
        if about is None:
            return False
        count, slack = about
        return abs(self._ahead(axis, count)) + slack <= self.limit[axis]

    def watch(self) -> None:
        """A motion began: look at the card's rate while it lasts."""
        if not self._ticking and any(self.scale):
            self._ticking = True
            self._plant.at(self._plant.now + CHECK_TICKS, self._tick)

    def _tick(self) -> None:
        moving = any(scale and self._card.moving(axis) for axis, scale in enumerate(self.scale))
        self._ticking = False
        self.check()
        if moving:
            self.watch()
