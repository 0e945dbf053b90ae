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
from .signature import Scales, Signature

_REMARK_COST = 3.0
_NUMBER_COST = 3.0
_SEGMENT_COST = 5.0
_BLOCK_COST = 9.0
"""One check of one joint, however much of it differs: one thing that went wrong."""
_FAR_COST = 3.0
_EDGE = 0.4
"""Of a sigma: how softly the span of the sound arms ends."""
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
    _sound: dict[str, list[tuple[float, float]]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Gather from where to where the numbers of all sound arms go."""
        rows: dict[str, list[tuple[float, ...]]] = {}
        for one in self.library[SOUND].values():
            for words, numbers in one.segments.items():
                rows.setdefault(words, []).append(numbers)
        for words, same in rows.items():
            self._sound[words] = [(min(c), max(c)) for c in zip(*same, strict=True)]

    def distance(
        self,
        seen: Signature,
        known: Signature,
        enough: float = math.inf,
        *,
        same: bool = False,
        near: str = "",
    ) -> float:
        """How unlike an arm is what is known of one with a fault, in units of log likelihood.

        `same` for two faults in one individual arm; `near` names joints besides which little
        counts. Stops early, at some value beyond `enough`.
        """
        blocks: dict[str, float] = {}
        theirs = known.segments
        for words, numbers in seen.segments.items():
            expected = theirs.get(words)
            if expected is None:
                cost = _REMARK_COST
            elif numbers != expected:
                cost = self._apart(words, numbers, expected, same)
            else:
                continue
            name = words.partition("|")[0]
            blocks[name] = min(blocks.get(name, 0.0) + cost, _BLOCK_COST)
            if same and cost > enough:
                return cost
        for words in theirs:
            if words not in seen.segments:
                name = words.partition("|")[0]
                blocks[name] = min(blocks.get(name, 0.0) + _REMARK_COST, _BLOCK_COST)
        if not near:
            return sum(blocks.values())
        at = {name: name.rpartition(" ")[2] for name in blocks}
        return sum(
            min(cost, _FAR_COST) if at[name].startswith("J") and at[name] not in near else cost
            for name, cost in blocks.items()
        )

    def _apart(
        self, words: str, numbers: tuple[float, ...], expected: tuple[float, ...], same: bool
    ) -> float:
        cost = 0.0
        sound = self._sound.get(words)
        for index, (a, b) in enumerate(zip(numbers, expected, strict=True)):
            if a == b:
                continue
            sigma = self.scales.sigma(words, index, max(abs(a), abs(b)))
            z = (a - b) / sigma
            if sound is not None and not same:
                low, high = sound[index]
                if low <= b <= high:
                    # The fault leaves this number alone: arms differ, all candidates together.
                    z = max(low - a, a - high, 0.0) / (_EDGE * sigma)
            cost += min(z * z / 4.0, _NUMBER_COST)  # two arms: twice the variance
        return min(cost, _SEGMENT_COST)

    def costs(self, seen: Signature) -> dict[str, float]:
        """How unlike an arm with each fault is what was seen: the best of the arms it was in."""
        return {
            # What came out otherwise on other arms is wear or chance; what it did to other joints
            # (limp links lean on them, contact) is no good witness.
            name: min(
                self.distance(seen, one, near=name if len(arms) > 1 and _JOINT.search(name) else "")
                for one in arms.values()
            )
            for name, arms in self.library.items()
        }

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
            self.distance(mine[seed], theirs[seed], _ONE_CLASS, same=True) <= _ONE_CLASS
            for seed in mine.keys() & theirs.keys()
        )

    def looks_sound(self, cost: Mapping[str, float]) -> bool:
        """Whether what was seen could be a sound arm."""
        return cost[SOUND] <= _ONE_CLASS
