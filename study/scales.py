"""How far the same number of the same remark is apart from arm to arm."""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache

import numpy as np
from numpy.typing import NDArray

from .signature import Numbers, Signature

_JOINT = re.compile(r"\bJ\d+\b")
_SHARE = 0.04
_OHM = 0.1
"""What crimps, contacts and a meter's last digit make of any ohms (common practice)."""

Table = NDArray[np.float64]


@cache
def _anywhere(words: str) -> str:
    """Words with the joints' names taken out: the same remark of any joint."""
    return _JOINT.sub("J", words)


@cache
def _least(words: str) -> float:
    return _OHM if "# ohm" in words else 0.0


@dataclass
class Scales:
    """How far the same number of the same remark is apart between arms, one sigma."""

    by_words: dict[str, list[float]] = field(default_factory=dict)

    @classmethod
    def over(cls, groups: Iterable[Sequence[Signature]]) -> Scales:
        """From groups of arms that have the same fault each, or none."""
        squares: dict[str, list[tuple[float, int]]] = defaultdict(list)
        for group in groups:
            seen: dict[str, list[Numbers]] = defaultdict(list)
            for one in group:
                for words, numbers in one.segments.items():
                    seen[words].append(numbers)
            for words, rows in seen.items():
                if len(rows) < 2 or not rows[0]:
                    continue
                into = squares[_anywhere(words)]
                for index, column in enumerate(zip(*rows, strict=True)):
                    mean = sum(column) / len(column)
                    total = sum((value - mean) ** 2 for value in column)
                    while len(into) <= index:
                        into.append((0.0, 0))
                    had, count = into[index]
                    into[index] = (had + total, count + len(column) - 1)
        return cls(
            {w: [math.sqrt(s / n) if n else 0.0 for s, n in row] for w, row in squares.items()}
        )

    def sigma(self, words: str, values: Table) -> Table:
        """One sigma of each number (... x numbers); a share of it where nothing was learned."""
        known = self.by_words.get(_anywhere(words))
        least: Table = np.maximum(0.02 + 0.002 * values, _least(words))
        if known is None:
            return least + _SHARE * values
        wide: Table = np.maximum(np.array(known), least)
        return wide
