"""What a diagnosis is made of, and who makes it.

A commissioning ends with evidence. A ranker, handed in from outside, answers with classes of faults
that explain it equally well, the likeliest first, and with the measurement that best splits what is
left. The hands take it and the ranker is told: hands behind a port by themselves, a person in plain
words and for as long as they like.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from .measurements import Measurement, take

if TYPE_CHECKING:
    from .result import Result
    from .station import Station

SOUND = "sound"
"""In place of a fault: none at all."""
MOST_TAKEN = 12
MEMBERS_SHOWN = 6


@dataclass(frozen=True)
class FaultClass:
    """Faults that nothing seen so far tells apart; `share` of the belief, 0 to 1."""

    faults: tuple[str, ...]
    share: float

    @property
    def sound(self) -> bool:
        """Whether an arm without a fault would look like this."""
        return SOUND in self.faults


@dataclass(frozen=True)
class Expected:
    """What a measurement reads with any of these faults, in words with the unit."""

    faults: tuple[str, ...]
    reading: str

    @property
    def told(self) -> str:
        """The reading and the first faults that would give it."""
        rest = " ..." if len(self.faults) > MEMBERS_SHOWN else ""
        return f"{self.reading}: {', '.join(self.faults[:MEMBERS_SHOWN])}{rest}"


@dataclass(frozen=True)
class Split:
    """A measurement, and what to expect on each side of it."""

    measurement: Measurement
    sides: tuple[Expected, ...]

    @property
    def told(self) -> list[str]:
        """Each side in words: the reading, and what it would speak for."""
        return [side.told for side in self.sides]


@dataclass(frozen=True)
class Taken:
    """A measurement that was taken, and what it read."""

    measurement: Measurement
    reading: str


@dataclass(frozen=True)
class Diagnosis:
    """Classes, the likeliest first; how to split the first; what was measured on the way."""

    classes: tuple[FaultClass, ...]
    split: Split | None = None
    taken: tuple[Taken, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """A plain object for `json.dumps`."""
        return {
            "classes": [
                {"faults": list(one.faults), "share": round(one.share, 4)} for one in self.classes
            ],
            "taken": [
                {"measurement": one.measurement.words, "reading": one.reading} for one in self.taken
            ],
            "next": None
            if self.split is None
            else {
                "measurement": self.split.measurement.words,
                "expected": [
                    {"faults": list(side.faults), "reading": side.reading}
                    for side in self.split.sides
                ],
            },
        }


class Ranker(Protocol):
    """Ranks faults by evidence. Knows neither the arm's seed nor what its tolerances drew."""

    def rank(self, result: Result) -> Diagnosis:
        """Begin anew, from what a commissioning saw."""

    def told(self, measurement: Measurement, value: float) -> Diagnosis:
        """The same after one more measurement: V or ohm, infinite where a meter shows overload."""


def diagnosed(ranker: Ranker, result: Result, station: Station) -> Diagnosis:
    """A diagnosis, followed up with the meter.

    Only an arm with findings is measured: one that passed stands ready and is left so; one with a
    shorted rail gets no power, and is measured by ohms. Raises PortError, CardError or HandError
    of a measurement.
    """
    station.progress("diagnosis: comparing")
    found = ranker.rank(result)
    if result.verdict != "findings":
        return found
    shorted = any(check.shorts_rail for check in result.checks)
    for _ in range(MOST_TAKEN):
        if found.split is None:
            break
        what = found.split.measurement
        if shorted and what.unit != "ohm":
            break  # no power on a shorted rail
        if not station.hand.measures_on(what.words, found.split.told):
            break
        station.progress(f"diagnosis: {what.words}")
        value = take(station.arm, station.card, station.hand, [what])[what]
        found = ranker.told(what, value)
    return found
