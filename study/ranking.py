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

import numpy as np

from ..commission.diagnosis import SOUND, FaultClass
from .likeness import Likeness, cost_of
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
        return all(self._alike(mine[seed], theirs[seed]) for seed in mine.keys() & theirs.keys())

    def _alike(self, one: Signature, other: Signature) -> bool:
        total = 0.0
        for words in one.segments.keys() | other.segments.keys():
            mine, theirs = one.segments.get(words), other.segments.get(words)
            if mine == theirs:
                continue
            if mine is None or theirs is None:
                return False  # a remark that only one of the two made
            a, b = np.array(mine), np.array(theirs)
            sigma = self.scales.sigma(words, np.maximum(np.abs(a), np.abs(b)))
            total += float(cost_of((a - b) / sigma))
            if total > _ONE_CLASS:
                return False
        return True

    def looks_sound(self, cost: Mapping[str, float]) -> bool:
        """Whether what was seen could be a sound arm."""
        return cost[SOUND] <= _ONE_CLASS
