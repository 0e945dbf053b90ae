"""How unlike an arm is all that is known of arms with each fault: whole columns at a time.

A row is one known commissioning. For each words of a remark the table holds the rows that have it
and the numbers they have in it, so that a whole catalogue is compared in some tens of milliseconds.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .scales import Scales, Table
from .signature import Signature

REMARK_COST = 3.0
NUMBER_COST = 3.0
SEGMENT_COST = 5.0
BLOCK_COST = 9.0
"""One check of one joint, however much of it differs: one thing that went wrong."""
STEADY = "cold"
"""The check that measures dead conductors: nothing in it comes by chance, each remark counts."""
FAR_COST = 3.0
EDGE = 0.4
"""Of a sigma: how softly the span of the sound arms ends."""

Span = Sequence[tuple[float, float]]


@dataclass(frozen=True)
class _Column:
    """One remark: the rows that make it, their numbers (rows x numbers), their sound span."""

    rows: NDArray[np.intp]
    numbers: Table
    span: Table | None


def block_of(words: str) -> str:
    """The check and joint that a remark belongs to."""
    return words.partition("|")[0]


def cost_of(z: Table) -> Table:
    """What a remark's numbers cost (... x numbers), so many sigmas apart."""
    each = np.minimum(z * z / 4.0, NUMBER_COST)  # two arms: twice the variance
    cost: Table = np.minimum(each.sum(axis=-1), SEGMENT_COST)
    return cost


def joint_of(block: str) -> str:
    """The joint a block is about, or ""."""
    last = block.rpartition(" ")[2]
    return last if last.startswith("J") else ""


class Likeness:
    """Known commissionings, ready to be held against one that was just seen.

    `near` says for each row which joints count in full, all where it is "".
    """

    def __init__(
        self,
        known: Sequence[Signature],
        near: Sequence[str],
        spans: Mapping[str, Span],
        scales: Scales,
    ) -> None:
        """Gather columns. `spans`: from where to where a remark's numbers go on sound arms."""
        self.scales = scales
        made: dict[str, tuple[list[int], list[tuple[float, ...]]]] = defaultdict(lambda: ([], []))
        for row, one in enumerate(known):
            for words, numbers in one.segments.items():
                rows, values = made[words]
                rows.append(row)
                values.append(numbers)
        blocks = dict.fromkeys(map(block_of, made))
        self._block = {name: column for column, name in enumerate(blocks)}
        self._count = np.zeros((len(known), len(blocks)))
        self._columns: dict[str, _Column] = {}
        for words, (rows, values) in made.items():
            at = np.array(rows, dtype=np.intp)
            self._count[at, self._block[block_of(words)]] += 1.0
            table = np.array(values, dtype=np.float64).reshape(len(rows), -1)
            span = np.array(spans[words]).reshape(-1, 2) if words in spans else None
            self._columns[words] = _Column(at, table, span)
        self._near = near
        self._most = np.zeros(self._count.shape)
        for name, column in self._block.items():
            self._most[:, column] = self._cap(name)

    def _cap(self, block: str) -> Table:
        """The most that a block may cost, for each row."""
        most, joint = math.inf if block.startswith(STEADY) else BLOCK_COST, joint_of(block)
        caps = [
            FAR_COST if joint and names and joint not in names else most for names in self._near
        ]
        return np.array(caps)

    def costs(self, seen: Signature) -> Table:
        """What each row costs, in units of log likelihood."""
        cost = REMARK_COST * self._count
        strange: dict[str, float] = defaultdict(float)
        for words, numbers in seen.segments.items():
            block = self._block.get(block_of(words))
            if block is None:
                strange[block_of(words)] += REMARK_COST
                continue
            column = self._columns.get(words)
            cost[:, block] += REMARK_COST
            if column is not None:
                apart = self._apart(words, np.array(numbers), column)
                cost[column.rows, block] += apart - 2.0 * REMARK_COST
        total: Table = np.minimum(cost, self._most).sum(axis=1)
        for name, beyond in strange.items():
            total += np.minimum(beyond, self._cap(name))
        return total

    def _apart(self, words: str, numbers: Table, column: _Column) -> Table:
        if not numbers.size:
            return np.zeros(len(column.rows))
        known = column.numbers
        sigma = self.scales.sigma(words, np.maximum(np.abs(numbers), np.abs(known)))
        z = (numbers - known) / sigma
        if column.span is not None:
            low, high = column.span[:, 0], column.span[:, 1]
            # The fault leaves this number alone: arms differ, all candidates together.
            out = np.maximum(np.maximum(low - numbers, numbers - high), 0.0) / (EDGE * sigma)
            z = np.where((low <= known) & (known <= high), out, z)
        return cost_of(z)
