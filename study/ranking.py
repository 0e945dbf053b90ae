"""From what a commissioning saw to classes of faults: each fault's own commissioning is compared.

The library holds what a commissioning saw of an arm with each fault (`library.py`). A fault costs
what the arm at hand saw otherwise: remarks that only one of the two made, and numbers that lie
further apart than arms differ. Faults whose own commissionings differ no more than arms do are one
class.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from ..commission.diagnosis import SOUND, FaultClass
from .likeness import (
    BLOCK_COST,
    NUMBER_COST,
    REMARK_COST,
    SEGMENT_COST,
    Likeness,
    block_of,
)
from .scales import Scales
from .signature import Numbers, Signature

_ONE_CLASS = 2.5
_AS_WELL = 6.0
_JOINT = re.compile(r"\bJ\d+\b")
_SHOWN = 8
_LEAST_SHARE = 1e-3
_AT_LEAST = 3


@dataclass
class Classes:
    """What commissionings of arms with each fault saw, by fault (`sound` too) and arm's seed."""

    library: Mapping[str, Mapping[int, Signature]]
    scales: Scales
    _rows: list[str] = field(default_factory=list)
    _likeness: Likeness | None = None

    def costs(self, seen: Signature) -> dict[str, float]:
        """How unlike an arm with each fault is what was seen: the best of the arms it was in."""
        if self._likeness is None:
            self._likeness = self._gathered()
        best: dict[str, float] = {}
        for name, cost in zip(self._rows, self._likeness.costs(seen).tolist(), strict=True):
            best[name] = min(cost, best.get(name, math.inf))
        return best

    def _gathered(self) -> Likeness:
        known, near = [], []
        for name, arms in self.library.items():
            # What came out otherwise on other arms is wear or chance; what it did to other joints
            # (limp links lean on them, contact) is no good witness.
            own = name if len(arms) > 1 and _JOINT.search(name) else ""
            for one in arms.values():
                self._rows.append(name)
                known.append(one)
                near.append(own)
        rows: dict[str, list[Numbers]] = {}
        for one in self.library[SOUND].values():
            for words, numbers in one.segments.items():
                rows.setdefault(words, []).append(numbers)
        spans = {
            words: [(min(c), max(c)) for c in zip(*same, strict=True)]
            for words, same in rows.items()
        }
        return Likeness(known, near, spans, self.scales)

    def apart(self, one: Signature, other: Signature) -> float:
        """How unlike two faults look in one individual arm; stops early beyond one class."""
        blocks: dict[str, float] = {}
        for words in one.segments.keys() | other.segments.keys():
            mine, theirs = one.segments.get(words), other.segments.get(words)
            if mine == theirs:
                continue
            cost = REMARK_COST
            if mine is not None and theirs is not None:
                cost = self._numbers(words, mine, theirs)
            name = block_of(words)
            blocks[name] = min(blocks.get(name, 0.0) + cost, BLOCK_COST)
            if cost > _ONE_CLASS:
                return cost
        return sum(blocks.values())

    def _numbers(self, words: str, mine: Numbers, theirs: Numbers) -> float:
        cost = 0.0
        for index, (a, b) in enumerate(zip(mine, theirs, strict=True)):
            z = (a - b) / self.scales.sigma(words, index, max(abs(a), abs(b)))
            cost += min(z * z / 4.0, NUMBER_COST)
        return min(cost, SEGMENT_COST)

    def grouped(
        self, cost: Mapping[str, float], also_alike: Callable[[str, str], bool] = lambda *_: True
    ) -> list[FaultClass]:
        """Classes by likelihood, every fault as likely as any other beforehand.

        `also_alike` may part faults whose commissionings are alike.
        """
        left = sorted(cost, key=cost.__getitem__)
        least = cost[left[0]]
        total = sum(math.exp(least - one) for one in cost.values())
        share = {name: math.exp(least - one) / total for name, one in cost.items()}
        found: list[FaultClass] = []
        while left and len(found) < _SHOWN:
            if len(found) >= _AT_LEAST and share[left[0]] <= _LEAST_SHARE:
                break
            first = left[0]
            # A member fits the evidence about as well as the first; what does not is no equal.
            alike = [n for n in left if cost[n] <= cost[first] + _AS_WELL and self.alike(first, n)
                     and also_alike(first, n)]  # fmt: skip
            left = [name for name in left if name not in set(alike)]
            found.append(FaultClass(tuple(alike), sum(share[name] for name in alike)))
        return sorted(found, key=lambda one: -one.share)

    def alike(self, one: str, other: str) -> bool:
        """Whether a commissioning cannot tell two faults apart, in any arm that had both."""
        mine, theirs = self.library[one], self.library[other]
        return all(
            self.apart(mine[seed], theirs[seed]) <= _ONE_CLASS
            for seed in mine.keys() & theirs.keys()
        )

    def looks_sound(self, cost: Mapping[str, float]) -> bool:
        """Whether what was seen could be a sound arm."""
        return cost[SOUND] <= _ONE_CLASS
