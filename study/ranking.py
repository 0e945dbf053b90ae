"""From what a commissioning saw to classes of faults: each fault's own commissioning is compared.

The library holds what a commissioning saw of an arm with each fault (`library.py`). A fault costs
what the arm at hand saw otherwise: remarks that only one of the two made, and numbers that lie
further apart than arms differ. Faults whose own commissionings differ no more than arms do are one
class.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from ..commission.diagnosis import FaultClass
from .signature import Scales, Signature

_REMARK_COST = 3.0
_NUMBER_COST = 3.0
_SEGMENT_COST = 5.0
_ONE_CLASS = 2.5
_AS_WELL = 6.0
_SHOWN = 8
_LEAST_SHARE = 1e-3


def distance(one: Signature, other: Signature, scales: Scales, enough: float = math.inf) -> float:
    """How unlike two commissionings are, in units of log likelihood; about 0 for two alike arms.

    Stops early, at some value beyond `enough`.
    """
    cost = 0.0
    theirs = other.segments
    for words, numbers in one.segments.items():
        known = theirs.get(words)
        if known is None:
            cost += _REMARK_COST
        elif numbers != known:
            cost += _apart(words, numbers, known, scales)
        if cost > enough:
            return cost
    return cost + _REMARK_COST * sum(words not in one.segments for words in theirs)


def _apart(
    words: str, numbers: tuple[float, ...], known: tuple[float, ...], scales: Scales
) -> float:
    cost = 0.0
    for index, (a, b) in enumerate(zip(numbers, known, strict=True)):
        if a != b:
            z = (a - b) / scales.sigma(words, index, max(abs(a), abs(b)))
            cost += min(z * z / 4.0, _NUMBER_COST)  # two arms: twice the variance
    return min(cost, _SEGMENT_COST)


@dataclass
class Classes:
    """A library of signatures by fault (`sound` among them), and which are alike in it."""

    library: Mapping[str, Signature]
    scales: Scales

    def costs(self, seen: Signature) -> dict[str, float]:
        """How unlike an arm with each fault is what was seen."""
        return {name: distance(seen, one, self.scales) for name, one in self.library.items()}

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
        while left and len(found) < _SHOWN and (not found or share[left[0]] > _LEAST_SHARE):
            first = left[0]
            # A member fits the evidence about as well as the first; what does not is no equal.
            alike = [n for n in left if cost[n] <= cost[first] + _AS_WELL and self.alike(first, n)
                     and also_alike(first, n)]  # fmt: skip
            left = [name for name in left if name not in set(alike)]
            found.append(FaultClass(tuple(alike), sum(share[name] for name in alike)))
        return sorted(found, key=lambda one: -one.share)

    def alike(self, one: str, other: str) -> bool:
        """Whether a commissioning cannot tell two faults apart."""
        a, b = self.library[one], self.library[other]
        return distance(a, b, self.scales, _ONE_CLASS) <= _ONE_CLASS


__all__ = ["Classes", "distance"]
