"""What a reading in a drill is, and when two readings are the same within what read them."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from .readings import Reading as MeterReading
from .workplace import OVERLOAD_OHM

COUNTS_APART, COUNTS_SHARE = 4.0, 0.01
"""Counts that differ by less are the same: hum on a floating input adds a few."""
EYE_DEG, LEVEL_DEG, MARK_DEG = 1.0, 0.2, 0.3
_METER = {"V": (0.004, 0.01), "V AC": (0.006, 0.02), "ohm": (0.5, 0.01)}
"""Twice the meter's own error: counts of the last digit, and a share of the reading."""
_EXPECTED_SHARE, _EXPECTED_LEAST = 0.1, 0.3
_FIGURE = re.compile(r"([-+]?\d+(?:\.\d+)?)\s*[a-zA-Z]*")
"""A figure, perhaps with its unit, and nothing else."""


@dataclass(frozen=True)
class Reading:
    """One thing read: by eye, by hand, from the card or from a gauge.

    `within` and `share` say how far apart two readings of one thing may lie (the reading's unit;
    a share of the greater) and still count as one. What is not `shown` is compared all the same:
    that the other joints stood still. One that `opens` begins a line of its own.
    """

    what: str
    value: float | str
    text: str
    within: float = 0.0
    share: float = 0.0
    shown: bool = True
    opens: bool = False

    def same(self, other: Reading) -> bool:
        """Whether nobody could tell this reading from the other one."""
        if isinstance(self.value, str) or isinstance(other.value, str):
            return self.value == other.value
        apart = self.within + self.share * max(abs(self.value), abs(other.value))
        return self.value == other.value or abs(self.value - other.value) <= apart


def counts(what: str, value: int, *, shown: bool = True) -> Reading:
    """Counts moved, or a counter."""
    return Reading(what, value, f"{what} {value:+d}", COUNTS_APART, COUNTS_SHARE, shown)


def by_eye(what: str, deg: float, *, shown: bool = True) -> Reading:
    """Whole degrees."""
    return Reading(what, deg, f"{what} {deg + 0.0:+.0f} deg", EYE_DEG, shown=shown)


def level(what: str, deg: float) -> Reading:
    """A digital level."""
    return Reading(what, deg, f"{what} {deg + 0.0:+.2f} deg", LEVEL_DEG)


def mark(what: str, deg: float | None) -> Reading:
    """A witness mark, or None outside its window."""
    if deg is None:
        return Reading(what, "outside", f"{what} out of its window")
    return Reading(what, deg, f"{what} {deg + 0.0:+.1f} deg", MARK_DEG)


def word(what: str, value: str, *, shown: bool = True) -> Reading:
    """Something said in a word: a level, how a joint felt."""
    return Reading(what, value, f"{what} {value}", shown=shown)


def metered(what: str, value: float, unit: str) -> Reading:
    """A meter's reading in `V`, `V AC` or `ohm`."""
    within, share = _METER[unit]
    if unit == "ohm" and value > OVERLOAD_OHM:
        return Reading(what, "overload", f"{what} overload")
    plain = "ohm" if unit == "ohm" else "V"
    if plain == "V":
        shown = f"{value + 0.0:.3f} {unit}".replace("-0.000", "0.000")
    else:
        shown = MeterReading("", "", "", "ohm", value).text
    return Reading(what, value, f"{what} {shown}", within, share)


def alike(one: Sequence[Reading], other: Sequence[Reading]) -> bool:
    """Whether two rounds of readings are the same, thing by thing."""
    ours, theirs = _by_name(one), _by_name(other)
    if ours.keys() != theirs.keys():
        return False
    return all(reading.same(theirs[what]) for what, reading in ours.items())


def _by_name(readings: Sequence[Reading]) -> Mapping[str, Reading]:
    return {reading.what: reading for reading in readings}


def least_and_greatest(what: str, low: float, high: float, unit: str) -> list[Reading]:
    """Two readings of a meter that was watched for a while."""
    least, greatest = (metered(f"{what}, {name}", value, unit)
                       for name, value in (("least", low), ("greatest", high)))  # fmt: skip
    return [least, replace(greatest, text=greatest.text.removeprefix(f"{what}, "))]


def told(readings: Sequence[Reading]) -> str:
    """The readings as they stand in the log: on one line, or a line for each joint."""
    text = ""
    for reading in readings:
        if reading.shown:
            between = "\n" if reading.opens else "; "
            text += (between if text else "") + reading.text
    return text


def met(expected: str, readings: Sequence[Reading]) -> bool:
    """Whether readings are what somebody had expected: a figure within a tenth, or the words."""
    figure = _FIGURE.fullmatch(expected.strip())
    if figure is None:
        return expected.strip().lower() in told(readings).lower()
    wanted = float(figure.group(1))
    allowed = max(_EXPECTED_LEAST, _EXPECTED_SHARE * abs(wanted))
    return any(
        abs(reading.value - wanted) <= allowed
        for reading in readings
        if reading.shown and not isinstance(reading.value, str)
    )
