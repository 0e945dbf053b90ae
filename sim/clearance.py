"""How far the arm is from its table and from itself.

Measuring a gap costs microseconds for each pair of bodies, so it is measured only where the motion
since the last look could have used it up: no point of a link moves further than the sum of each
joint's turn times the link's reach from that joint's axis.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from .body import SUBSTEP_HZ, Body, Pair
from .clock import TICKS_PER_S

NEAR_M = 0.002
"""The closed form gives over to the engine this near to a touch."""
TOUCH_M = 0.01
"""The engine looks for a touch this near to one: more than a fall makes between two looks."""
_LOOK_M = 0.5
_NOWHERE_RAD = 1e9
_LEAST_STEP = TICKS_PER_S // SUBSTEP_HZ

Positions = Sequence[float]
Gaps = NDArray[np.float64]
Bound = float | Gaps


class Clearance:
    """Gaps between the bodies of an arm, and with its table."""

    def __init__(self, body: Body) -> None:
        self._body = body
        self.pairs: list[Pair] = body.pairs
        self._reach_m = np.array([self._reach(pair) for pair in self.pairs])
        self._gap_m = np.zeros(len(self.pairs))
        self._at = np.full_like(self._reach_m, _NOWHERE_RAD)
        groups = self._grouped()
        self._groups = [most for _, most in groups]
        self._in_groups = np.array([number for numbers, _ in groups for number in numbers], int)
        self._begins = np.cumsum([0, *(len(numbers) for numbers, _ in groups[:-1])])
        self._anchor: list[float] | None = None
        self._least_m: list[float] = []

    def _reach(self, pair: Pair) -> list[float]:
        """How far the pair comes nearer for each rad of a joint: those between them only."""
        reach = self._body.reaches_m(pair.other)
        if pair.one is None or pair.one < 0:
            return reach
        common = self._body.reaches_m(pair.one)
        return [0.0 if shared else far for far, shared in zip(reach, common, strict=True)]

    def _grouped(self) -> list[tuple[list[int], list[tuple[int, float]]]]:
        """Pairs by the first joint that matters to them, with the furthest reaches of each."""
        first: dict[int, list[int]] = {}
        for number, reach in enumerate(self._reach_m):
            first.setdefault(int(np.flatnonzero(reach)[0]), []).append(number)
        return [
            (numbers, [(k, float(far)) for k, far in enumerate(most) if far])
            for numbers in first.values()
            for most in [self._reach_m[numbers].max(axis=0)]
        ]

    def named(self, pair: Pair) -> str:
        """Two bodies as a person calls them, by the URDF's names."""
        one = "table" if pair.one is None else self._body.name(pair.one)
        return f"{self._body.name(pair.other)} and {one}"

    def free(self, position: Positions, *, in_engine: bool = False) -> bool:
        """Whether nothing is nearer than `NEAR_M`; `in_engine`: the engine is there already."""
        if self._surely(NEAR_M, position):
            return True
        return bool(self._gaps(position, NEAR_M, in_engine).min() > NEAR_M)

    def touchable(self, position: Positions) -> list[Pair]:
        """The pairs within `TOUCH_M` of each other, the engine being there."""
        if self._surely(TOUCH_M, position):
            return []
        near = self._gaps(position, TOUCH_M, True) <= TOUCH_M
        return [pair for pair, is_near in zip(self.pairs, near, strict=True) if is_near]

    def least(self, position: Positions, *, in_engine: bool = False) -> tuple[float, Pair] | None:
        """The least gap in m, 0.5 at most, and whose it is; None when nothing can touch."""
        if not self.pairs:
            return None
        gaps = self._gaps(position, _LOOK_M, in_engine)
        number = int(gaps.argmin())
        return float(gaps[number]), self.pairs[number]

    def until(self, start: int, end: int, at: Callable[[int], Positions], before: Positions) -> int:
        """The first tick of a stretch at which something is `NEAR_M` near, or `end`.

        Each joint moves one way over the stretch, `before` being where it starts.
        """
        after = at(end)
        if self._surely(NEAR_M, before, after):
            return end
        early = self._gaps(before, NEAR_M, False)
        if early.min() <= NEAR_M:
            return start
        pending = [(end, after)]
        while pending:
            end, after = pending[-1]
            way = np.abs(np.array(after) - np.array(before))
            # What is left half way when a pair spends its gaps from both ends.
            need = self._reach_m @ way
            late = self._gaps(after, 2 * NEAR_M + need - early, False)
            if (0.5 * (early + late - need)).min() > NEAR_M:
                pending.pop()
            elif end - start > _LEAST_STEP:
                middle = (start + end) // 2
                pending.append((middle, at(middle)))
                continue
            elif late.min() <= NEAR_M:
                return end
            else:
                pending.pop()
            start, before, early = end, after, late
        return start

    def _surely(self, care_m: float, here: Positions, there: Positions | None = None) -> bool:
        """Whether all gaps exceed `care_m` here, and on the way there: a cheap, safe guess."""
        if self._anchor is None:
            return not self.pairs
        moved = [abs(a - b) for a, b in zip(here, self._anchor, strict=True)]
        if there is not None:
            moved = [m + abs(a - b) for m, a, b in zip(moved, here, there, strict=True)]
        for reach, least in zip(self._groups, self._least_m, strict=True):
            for joint, far_m in reach:
                least -= far_m * moved[joint]
            if least <= care_m:
                return False
        return True

    def _gaps(self, position: Positions, care_m: Bound, in_engine: bool) -> Gaps:
        """Bounds of all gaps, measured wherever the bound is not above `care_m`."""
        here = np.array(position)
        away = np.abs(self._at - here)
        bounds: Gaps = self._gap_m - (self._reach_m * away).sum(axis=1)
        stale = [number for number in np.flatnonzero(bounds <= care_m) if away[number].any()]
        if stale and not in_engine:
            self._body.set_state(position, [0.0] * len(position))
        for number in stale:
            gap_m = self._body.gap_m(self.pairs[number], _LOOK_M)
            self._gap_m[number] = bounds[number] = gap_m
            self._at[number] = here
        self._anchor = list(position)
        if self._groups:
            least = np.minimum.reduceat(bounds[self._in_groups], self._begins)
            self._least_m = least.tolist()
        return bounds
