"""How every joint moved, kept as stretches over which its angle is a parabola in time.

While a trace is on this is all that motion costs: 48 numbers a stretch for six joints, of which
there are about ten a second while locked and 960 a second in the engine. What happened between
their ends is worked out from them when somebody looks.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Stretches(NamedTuple):
    """Recorded stretches: ticks of shape (n,), torques (n, joints), angles and accelerations
    (n, 2 x joints), joints first and then motor shafts at the motor; rad, rad/s², N·m.

    Everything is at `before`, follows a parabola from `first` at `begin` to `last` at `end`, and
    jumps to `after` there: in the closed form a load angle jumps where an acceleration does. A
    parabola that begins behind `before` has to catch up: friction holds a shaft until then.
    `acceleration` has the same columns; shafts and joints may part company within the play.
    """

    begin: Ints
    end: Ints
    before: Floats
    first: Floats
    last: Floats
    after: Floats
    acceleration: Floats
    torque: Floats


class Moves:
    """Takes stretches while they happen. Angles: every joint, then every motor shaft, rad.

    `start` is where all were at tick `began`, at the start of the stretch then under way.
    """

    def __init__(self, began: int, start: Sequence[float]) -> None:
        self.began = began
        self.start = list(start)
        self._rest = [0.0] * (len(start) // 2)
        self._latest: Sequence[float] = self.start
        self._gears: list[tuple[int, list[float]]] = []
        self._ticks = array("q")
        self._values = array("d")

    def __len__(self) -> int:
        return len(self._ticks) // 2

    def copy(self) -> Moves:
        """A copy that can be added to by itself."""
        twin = Moves(self.began, self.start)
        twin._latest = self._latest
        twin._gears = list(self._gears)
        twin._ticks, twin._values = self._ticks[:], self._values[:]
        return twin

    def geared(self, ratios: list[float]) -> None:
        """From now on this is how far each shaft turns for each turn of its joint."""
        if not self._gears or self._gears[-1][1] != ratios:
            self._gears.append((len(self), ratios))

    def add(
        self,
        begin: int,
        end: int,
        after: Sequence[float],
        torque: Sequence[float],
        acceleration: Sequence[float] | None = None,
        first: Sequence[float] | None = None,
        last: Sequence[float] | None = None,
    ) -> None:
        """One stretch; left out: no acceleration, no jump at the beginning, none at the end.

        `torque` and `acceleration` (in joint rad/s²) have one value a joint.
        """
        self._ticks.extend((begin, end))
        extend = self._values.extend
        extend(first or self._latest)
        extend(last or after)
        extend(after)
        extend(acceleration or self._rest)
        extend(torque)
        self._latest = after

    def stretches(self) -> Stretches:
        """All stretches so far."""
        ticks = np.array(self._ticks, dtype=np.int64).reshape(-1, 2)
        joints = len(self._rest)
        values = np.array(self._values, dtype=np.float64).reshape(-1, 8 * joints)
        edges = [0, 2, 4, 6, 7, 8]
        first, last, after, acceleration, torque = (
            np.ascontiguousarray(values[:, low * joints : high * joints])
            for low, high in pairwise(edges)
        )
        since = np.array([number for number, _ in self._gears])
        gears = np.array([ratios for _, ratios in self._gears])
        gear = gears[np.searchsorted(since, np.arange(len(ticks)), side="right") - 1]
        before = np.vstack([[self.start], after[:-1]])[: len(ticks)]
        return Stretches(
            *(ticks[:, 0], ticks[:, 1], before, first, last, after),
            acceleration=np.hstack([acceleration, acceleration * gear]),
            torque=torque,
        )
