"""What a commissioning saw, as words and readings, and how far sound arms are apart in that.

The words of a check are its evidence with every number taken out; the readings are those numbers,
in their order, and the results of homing and trim.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from ..commission.result import Result

_NUMBER = re.compile(r"(?<![\w.])[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?")
_HALF_WIDTHS = 0.5
_DIGITS = 2.0

Reading = tuple[float, float]
"""A value, and the last digit it was given to."""


@dataclass(frozen=True)
class Evidence:
    """Words and readings of one commissioning, by what they belong to (`jogs J3`, `trim J3 2`)."""

    words: Mapping[str, str]
    readings: Mapping[str, Reading]


def evidence_of(result: Result) -> Evidence:
    """All that a commissioning gives back, the date left out."""
    words = {"verdict": result.verdict, "identity": result.identity}
    readings: dict[str, Reading] = {}
    words["reason"] = _taken_apart("reason", result.reason, readings)
    for check in result.checks:
        name = f"{check.name} {check.joint or 'all'}"
        said = f"{check.verdict}: {check.evidence}"
        words[name] = words.get(name, "") + _taken_apart(name, said, readings)
    for joint in result.joints:
        for what in ("trim_deg", "home_offset_deg", "residue_deg", "repeat_deg"):
            value = getattr(joint, what)
            if value is not None:
                readings[f"{joint.joint} {what}"] = (value, 1e-3)
    if result.rig_time_s is not None:
        readings["rig time"] = (result.rig_time_s, 1.0)
    return Evidence(words, readings)


def _taken_apart(name: str, text: str, readings: dict[str, Reading]) -> str:
    for number, match in enumerate(_NUMBER.finditer(text), 1):
        decimals = match[0].partition(".")[2]
        readings[f"{name} {number}"] = (float(match[0]), 10.0 ** -len(decimals))
    return _NUMBER.sub("#", text)


@dataclass
class Spread:
    """How far sound arms are apart: every word they had, and from where to where each reading.

    A reading is beyond them when it lies further out than half of their width, and by more than
    two of its last digits.
    """

    words: dict[str, set[str]] = field(default_factory=dict)
    span: dict[str, tuple[float, float]] = field(default_factory=dict)

    @classmethod
    def over(cls, sound: Iterable[Evidence]) -> Spread:
        """The spread of these arms."""
        spread = cls()
        for one in sound:
            for name, said in one.words.items():
                spread.words.setdefault(name, set()).add(said)
            for name, (value, _) in one.readings.items():
                low, high = spread.span.get(name, (value, value))
                spread.span[name] = (min(low, value), max(high, value))
        return spread

    def beyond(self, evidence: Evidence) -> list[str]:
        """What tells this arm from all the sound ones; nothing if it could be one of them.

        Words that differ come first, then readings with their value and the sound span.
        """
        told = [
            f"{name}: other words"
            for name, said in evidence.words.items()
            if said not in self.words.get(name, set())
        ]
        for name, (value, digit) in evidence.readings.items():
            if name not in self.span:
                continue  # its words differ too
            low, high = self.span[name]
            room = max(_HALF_WIDTHS * (high - low), _DIGITS * digit)
            if not low - room <= value <= high + room:
                told.append(f"{name}: {value:g}, sound {low:g} to {high:g}")
        return told
