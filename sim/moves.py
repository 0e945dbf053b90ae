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
    """Recorded stretches: ticks of shape (n,), torques and accelerations (n, joints), angles
    (n, 2 x joints), joints first and then motor shafts at the motor; rad, rad/s², N·m.

    Everything jumps from `before` to `first` at `begin`, follows a parabola to `last` at `end`
    and jumps to `after` there: in the closed form a load angle jumps where an acceleration does.
    `acceleration` is the joint's; a shaft's is that times the ratio.
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

    `start` is where all were at first.
    """

    def __init__(self, start: Sequence[float]) -> None:
        self.start = list(start)
        self._rest = [0.0] * (len(start) // 2)
        self._latest: Sequence[float] = self.start
        self._ticks = array("q")
        self._values = array("d")

    def __len__(self) -> int:
        return len(self._ticks) // 2

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
        """One stretch; left out: no acceleration, no jump at the beginning, none at the end."""
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
        before = np.vstack([[self.start], after[:-1]])[: len(ticks)]
        return Stretches(ticks[:, 0], ticks[:, 1], before, first, last, after, acceleration, torque)
