"""Quadrature: contacts of an encoder's disc, pin levels at the card, X4 counts and the index.

A disc gives one of four contact states (A, B) a quarter cycle: 00, 10, 11, 01 while turning up
(A leads B), and a fifth where its index is high. The circuit says what the pins of a counter do in
each state of the disc that reaches them: low, high, or hold what they were. Counting follows the
pins, edge by edge or whole cycles at once; a sound and a broken encoder take the same path.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence

from .clock import NEVER
from .disc import INDEX_STATE, Disc
from .settling import Settling

HOLD = 2
"""A pin that keeps its level: floating, or between the thresholds."""

Levels = tuple[int, int]
Pins = tuple[int, int, int]
"""Levels of A, B and Z."""
Table = Mapping[tuple[int, ...], Pins]
"""What the pins do for each combination of the states of the discs that reach them."""
Drives = Mapping[tuple[int, ...], tuple[float, float]]
"""Volts and time constant (ticks) that a slow input is driven with, likewise."""
OnEdge = Callable[[float, int, int], None]

SOUND: Table = {(0,): (0, 0, 0), (1,): (1, 0, 0), (2,): (1, 1, 0), (3,): (0, 1, 0)}

_QUARTER = {(0, 0): 0, (1, 0): 1, (1, 1): 2, (0, 1): 3}
_STEP = (0, 1, 0, -1)  # a jump of two quarters is illegal and counts nothing


def x4(before: Levels, after: Levels) -> int:
    """X4 decoding: -1, 0 or +1 for a change of (A, B); both at once counts nothing."""
    return _STEP[(_QUARTER[after] - _QUARTER[before]) % 4]


def plain_state(quarter: int) -> int:
    """The state of a disc without an index."""
    return quarter & 3


class Counter:
    """The card's counter of one joint: levels of its pins and the X4 count.

    `discs` are the numbers of the discs whose contacts reach these pins (a sound harness: the
    joint's own), `slow` the inputs that charge slowly, by channel (0 = A, 1 = B, 2 = Z).
    `index_rises` counts edges of Z while `watching`.
    """

    def __init__(self, disc: int, position: int) -> None:
        self.levels: Levels = SOUND[(position & 3,)][:2]
        self.count = self.index_rises = 0
        self.watching = False
        self._changed: tuple[int, Levels] = -2, self.levels
        self._z = 0
        self.fit((disc,), SOUND, [position])

    def fit(
        self,
        discs: tuple[int, ...],
        table: Table,
        positions: Sequence[int],
        mapping: Sequence[Disc] = (),
        slow: Mapping[int, tuple[Settling, Drives]] | None = None,
        now: int = 0,
    ) -> None:
        """Take a new table (a part changed); pins that now differ make their edges.

        `mapping` are the discs themselves; without them they have no index.
        """
        self.discs, self.table, self.positions = discs, table, list(positions)
        self._state: list[Callable[[int], int]] = [disc.state for disc in mapping]
        self._state = self._state or [plain_state] * len(discs)
        self.slow = dict(slow or {})
        self._cycles: dict[tuple[int, Levels, int], tuple[int, bool]] = {}
        self._cycle_of_pins = [pins[:2] for pins in list(table.values())[:4]]
        self._whole = len(discs) == 1 and not self.slow and self._plain(mapping)
        self._gain = _gain(self._cycle_of_pins)
        self._read_all(now)

    def _plain(self, mapping: Sequence[Disc]) -> bool:
        """Whether only Z knows of the index, and never holds, or always."""
        if len({pins[2] == HOLD for pins in self.table.values()}) > 1:
            return False
        return all(
            self.table[(INDEX_STATE,)][:2] == self._cycle_of_pins[disc.index & 3]
            for disc in mapping
        )

    def watch(self, on: bool) -> None:
        """Notice edges of Z from now on, or no more."""
        self._z = self.index_level
        self.watching = on

    @property
    def index_level(self) -> int:
        """The level of Z."""
        z = self.table[self._states()][2]
        return self._z if z == HOLD or 2 in self.slow else z

    def _states(self) -> tuple[int, ...]:
        return tuple(
            state(position) for state, position in zip(self._state, self.positions, strict=True)
        )

    def pin(self, channel: int, level: int, now: int) -> None:
        """A pin changed by itself, the disc standing still (a floating or slow input).

        Two pins that change at once (two inputs on one conductor) are one change, which counts
        nothing.
        """
        if channel == 2:
            self.index_rises += self.watching and level > self._z
            self._z = level
            return
        after = (level, self.levels[1]) if channel == 0 else (self.levels[0], level)
        if now > self._changed[0] + 1:  # a tick apart is rounding
            self._changed = now, self.levels
        before = self._changed[1]
        self.count += x4(before, after) - x4(before, self.levels)
        self.levels = after

    def _read_all(self, now: int = 0) -> None:
        states = self._states()
        a, b, z = self.table[states]
        for pin, drives in self.slow.values():
            pin.drive(now, *drives[states])
        before = self.levels
        after = (
            before[0] if a == HOLD or 0 in self.slow else a,
            before[1] if b == HOLD or 1 in self.slow else b,
        )
        if after != before:
            self.count += x4(before, after)
            self.levels = after
        if z != HOLD and 2 not in self.slow:
            self.index_rises += self.watching and z > self._z
            self._z = z

    def turn_to(self, targets: Sequence[int], on_edge: OnEdge | None = None) -> None:
        """Turn the discs to these quarter cycles, straight and evenly.

        `on_edge` is told each level that changed: the fraction of the way, the channel (0 = A),
        the new level. Without it whole cycles are taken at once: after one cycle they repeat.
        """
        if self.positions == targets:
            return
        if self._whole and not self.watching and on_edge is None:
            self._turn_one(targets[0])
            return
        starts = list(self.positions)
        for fraction, disc, position in _interleave(starts, targets):
            self.positions[disc] = position
            before = self.levels
            self._read_all()
            if on_edge is not None:
                for channel in (0, 1):
                    if self.levels[channel] != before[channel]:
                        on_edge(fraction, channel, self.levels[channel])

    def turn_slowly(self, passed: Sequence[tuple[int, int, int]], now: int) -> None:
        """Pass quarter cycles (tick, which of `discs`, position) up to `now`: slow inputs."""
        for tick, disc, position in passed:
            self.settle(tick)
            self.positions[disc] = position
            self._read_all(tick)
        self.settle(now)

    def due(self) -> int:
        """When a slow input next changes its level by itself."""
        return min((pin.due() for pin, _ in self.slow.values()), default=NEVER)

    def settle(self, now: int) -> None:
        """Let slow inputs come to where they are at `now`."""
        while (due := self.due()) <= now:
            for channel, (pin, _) in self.slow.items():
                if pin.due() == due:
                    pin.flip()
                    self.pin(channel, pin.level, due)
                    break

    @property
    def plain(self) -> bool:
        """Whether every quarter cycle of one disc counts alike, from here on."""
        if not (self._whole and self._gain):
            return False
        return self.levels == self._cycle_of_pins[self.positions[0] & 3]

    def _turn_one(self, target: int) -> None:
        distance = target - self.positions[0]
        if self.plain:
            self.count += self._gain * distance
            self.positions[0], self.levels = target, self._cycle_of_pins[target & 3]
            return
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
        a, b = self._cycle_of_pins[self.positions[0] & 3]
        before = self.levels
        after = (before[0] if a == HOLD else a, before[1] if b == HOLD else b)
        if after != before:
            self.count += x4(before, after)
            self.levels = after

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
        if self.plain:
            return self.count + self._gain * (targets[0] - self.positions[0])
        kept = (list(self.positions), self.levels, self.count, self._z, self.index_rises)
        self.turn_to(targets)
        result = self.count
        self.positions, self.levels, self.count, self._z, self.index_rises = kept
        return result

    def count_slowly(self, passed: Sequence[tuple[int, int, int]], now: int) -> int:
        """What the count would be after `turn_slowly`, without turning."""
        kept = (list(self.positions), self.levels, self.count, self._z, self.index_rises)
        slow, changed = self.slow, self._changed
        self.slow = {channel: (pin.copy(), drives) for channel, (pin, drives) in slow.items()}
        self.turn_slowly(passed, now)
        result, self.slow, self._changed = self.count, slow, changed
        self.positions, self.levels, self.count, self._z, self.index_rises = kept
        return result


def _gain(cycle: Sequence[Levels]) -> int:
    """What each quarter cycle up counts: +1 or -1 where all count alike, else 0."""
    if any(HOLD in levels for levels in cycle):
        return 0
    gains = {x4(cycle[k - 1], cycle[k]) for k in range(4)}
    return gains.pop() if len(gains) == 1 else 0


def _interleave(starts: Sequence[int], targets: Sequence[int]) -> list[tuple[float, int, int]]:
    """Every quarter cycle passed, as (fraction of the way, which disc, position), in order."""
    passed: list[list[tuple[float, int, int]]] = []
    for disc, (start, target) in enumerate(zip(starts, targets, strict=True)):
        sign = 1 if target > start else -1
        count = abs(target - start)
        passed.append([((k + 1) / count, disc, start + sign * (k + 1)) for k in range(count)])
    return sorted(itertools.chain.from_iterable(passed))
