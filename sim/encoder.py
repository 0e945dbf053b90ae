"""Quadrature: contacts of an encoder's disc, pin levels at the card, X4 counts.

A disc gives one of four contact states (A, B) a quarter cycle: 00, 10, 11, 01 while turning up
(A leads B). The circuit says what the two pins of a counter do in each state of the disc that
reaches them: low, high, or hold what they were. Counting follows the pins, edge by edge or whole
cycles at once; a sound and a broken encoder take the same path.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence

HOLD = 2
"""A pin that keeps its level: floating, or between the thresholds."""

Levels = tuple[int, int]
OnEdge = Callable[[float, int, int], None]

_QUARTER = {(0, 0): 0, (1, 0): 1, (1, 1): 2, (0, 1): 3}
_STEP = (0, 1, 0, -1)  # a jump of two quarters is illegal and counts nothing


def x4(before: Levels, after: Levels) -> int:
    """X4 decoding: -1, 0 or +1 for a change of (A, B); both at once counts nothing."""
    return _STEP[(_QUARTER[after] - _QUARTER[before]) % 4]


class Counter:
    """The card's counter of one joint: levels of its two pins and the X4 count.

    `discs` are the numbers of the discs whose contacts reach these pins (a sound harness: the
    joint's own), `table` what the pins do for each combination of their states.
    """

    def __init__(self, disc: int, position: int) -> None:
        self.discs: tuple[int, ...] = (disc,)
        self.table: dict[tuple[int, ...], Levels] = {
            (0,): (0, 0),
            (1,): (1, 0),
            (2,): (1, 1),
            (3,): (0, 1),
        }
        self.positions = [position]
        self.levels = self.table[(position & 3,)]
        self.count = 0
        self._cycles: dict[tuple[int, Levels, int], tuple[int, bool]] = {}

    def fit(
        self,
        discs: tuple[int, ...],
        table: dict[tuple[int, ...], Levels],
        positions: Sequence[int],
    ) -> None:
        """Take a new table (a part changed); pins that now differ make their edges."""
        self.discs, self.table, self.positions = discs, table, list(positions)
        self._cycles = {}
        self._read()

    def pin(self, channel: int, level: int) -> None:
        """A pin changed by itself, the disc standing still (a floating input)."""
        after = (level, self.levels[1]) if channel == 0 else (self.levels[0], level)
        self.count += x4(self.levels, after)
        self.levels = after

    def _read(self) -> None:
        a, b = self.table[tuple(position & 3 for position in self.positions)]
        before = self.levels
        after = (before[0] if a == HOLD else a, before[1] if b == HOLD else b)
        if after != before:
            self.count += x4(before, after)
            self.levels = after

    def turn_to(self, targets: Sequence[int], on_edge: OnEdge | None = None) -> None:
        """Turn the discs to these quarter cycles, straight and evenly.

        `on_edge` is told each level that changed: the fraction of the way, the channel (0 = A),
        the new level. Without it whole cycles are taken at once: after one cycle they repeat.
        """
        if self.positions == targets:
            return
        if len(self.positions) == 1 and on_edge is None:
            self._turn_one(targets[0])
            return
        starts = list(self.positions)
        for fraction, disc, position in _interleave(starts, targets):
            self.positions[disc] = position
            before = self.levels
            self._read()
            if on_edge is not None:
                for channel in (0, 1):
                    if self.levels[channel] != before[channel]:
                        on_edge(fraction, channel, self.levels[channel])

    def _turn_one(self, target: int) -> None:
        distance = target - self.positions[0]
        sign = 1 if distance > 0 else -1
        cycles = abs(distance) // 4
        if cycles > 3:
            # The first cycle may still settle pins that hold; from then on all are alike.
            gained, settled = self._cycle(sign)
            if not settled:
                for _ in range(4):
                    self._quarter(sign)
                cycles -= 1
                gained, _ = self._cycle(sign)
            self.count += cycles * gained
            self.positions[0] += sign * 4 * cycles
        while self.positions[0] != target:
            self._quarter(sign)

    def _quarter(self, sign: int) -> None:
        self.positions[0] += sign
        self._read()

    def _cycle(self, sign: int) -> tuple[int, bool]:
        """What one cycle from here counts, and whether it ends with the pins as they are."""
        key = (self.positions[0] & 3, self.levels, sign)
        found = self._cycles.get(key)
        if found is None:
            kept = (self.positions[0], self.levels, self.count)
            for _ in range(4):
                self._quarter(sign)
            found = self._cycles[key] = (self.count - kept[2], self.levels == kept[1])
            self.positions[0], self.levels, self.count = kept
        return found

    def count_at(self, targets: Sequence[int]) -> int:
        """What the count would be after turning to `targets`, without turning."""
        if self.positions == targets:
            return self.count
        kept = (list(self.positions), self.levels, self.count)
        self.turn_to(targets)
        result = self.count
        self.positions, self.levels, self.count = kept
        return result


def _interleave(starts: Sequence[int], targets: Sequence[int]) -> list[tuple[float, int, int]]:
    """Every quarter cycle passed, as (fraction of the way, which disc, position), in order."""
    passed: list[list[tuple[float, int, int]]] = []
    for disc, (start, target) in enumerate(zip(starts, targets, strict=True)):
        sign = 1 if target > start else -1
        count = abs(target - start)
        passed.append([((k + 1) / count, disc, start + sign * (k + 1)) for k in range(count)])
    return sorted(itertools.chain.from_iterable(passed))
