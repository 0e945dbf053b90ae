"""What a commissioning saw, cut into pieces that can be held against each other one by one.

A check's evidence is a row of remarks. Each remark is a segment: its words, and the numbers in
them. Two arms with the same fault say the same remarks with slightly other numbers; how much other
is learned from arms that have the same fault, or none.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from ..commission.result import Result

_NUMBER = re.compile(r"(?<![\w.])[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?")
_JOINT = re.compile(r"\bJ\d+\b")
_REMARK = re.compile(r"; |: (?=rest|pressed)")
_JOG = re.compile(r"([-+]\d+) \w+ asked: ([-+]\d+) by eye, ([-+][\d.]+) by count")
_LEVEL = re.compile(r"[AB] at the (encoder|card) [-\d.]+ V, [-\d.]+ V below [\d.]+ V")
_EYE, _COUNT = 2.0, 0.3
_FIELDS = ("trim_deg", "home_offset_deg", "residue_deg", "repeat_deg")

Numbers = tuple[float, ...]


@dataclass(frozen=True)
class Signature:
    """Segments of one commissioning: words to numbers. `jogs J3|fail` has none."""

    segments: Mapping[str, Numbers]

    @property
    def passed(self) -> bool:
        """Whether the verdict was a pass."""
        return "verdict|pass" in self.segments

    def joints(self) -> set[str]:
        """Joints that any segment is about."""
        return {found[0] for name in self.segments if (found := _JOINT.search(name))}


def signature_of(result: Result) -> Signature:
    """All that a commissioning gives back but date, duration and the card's name."""
    segments: dict[str, Numbers] = {}

    def put(name: str, text: str) -> None:
        for remark in filter(None, _REMARK.split(text)):
            # What was asked with a sign is another remark with the other: arms start elsewhere.
            sign = remark[0] if remark[0] in "+-" else ""
            words = f"{name}|{sign}{_NUMBER.sub('#', remark)}"
            while words in segments:
                words += "'"
            numbers = tuple(float(match[0]) for match in _NUMBER.finditer(remark))
            segments[words] = _folded(remark, numbers)

    put("verdict", result.verdict)
    put("reason", result.reason)
    for check in result.checks:
        name = f"{check.name} {check.joint or 'all'}"
        put(name, check.verdict)
        put(name, check.evidence)
        for words in _senses(check.evidence):
            segments[f"sense {check.joint or 'all'}|{words}"] = ()
    for joint in result.joints:
        values = [getattr(joint, field_) for field_ in _FIELDS]
        if None not in values:
            segments[f"joint {joint.joint}|# # # #"] = tuple(values)
    return Signature(segments)


def _folded(remark: str, numbers: Numbers) -> Numbers:
    """Volts against either rail, the lesser first: which it is depends on where a disc stands."""
    if not _LEVEL.match(remark):
        return numbers
    volts, below, *rest = numbers
    return (min(volts, below), max(volts, below), *rest)


def _senses(evidence: str) -> list[str]:
    """What jogs had in common with what was asked, whatever their figures: eye, count, and both.

    A joint that slips goes another way on every arm, yet its count is always right.
    """
    jogs = [tuple(map(float, found)) for found in _JOG.findall(evidence)]
    if not jogs:
        return []
    kept = {
        "by eye": sum(abs(eye - asked) <= _EYE for asked, eye, _ in jogs),
        "by count": sum(abs(count - asked) <= _COUNT for asked, _, count in jogs),
        "eye and count": sum(abs(eye - count) <= _EYE for _, eye, count in jogs),
    }
    return [
        f"{what} {('none', 'some', 'all')[(n > 0) + (n == len(jogs))]}" for what, n in kept.items()
    ]
