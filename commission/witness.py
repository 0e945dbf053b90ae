"""A witness across motor and joint: what the count made of a motion, and what the eye saw of it.

An encoder on the motor tells of its shaft alone. Whether the joint went with it is seen at the
joint: by eye here, as by a mark across the coupling (common practice, no published source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from .arm import Joint
from .findings import Check, Kind, Symptom, judged
from .station import Station

# Two judgements of whole degrees, and the step between them.
EYE_DEG = 2.0
WITH_SHAFT = "the joint went with its motor's shaft"
NOT_WITH_SHAFT = "the joint did not go with its motor's shaft"


@dataclass(frozen=True)
class Went:
    """How far a joint has gone, degrees (or mm), by eye and by count."""

    joint: Joint
    by_eye: float
    by_count: float

    @property
    def loose(self) -> bool:
        """Whether the joint did not go with its motor's shaft, as far as an encoder can tell."""
        on_motor = self.joint.encoder.mount == "motor"
        return on_motor and abs(self.by_eye - self.by_count) > EYE_DEG

    @property
    def words(self) -> str:
        """The same as evidence."""
        unit = self.joint.unit
        words = f"it went {self.by_eye:+.0f} {unit} by eye and {self.by_count:+.0f} by count"
        if self.joint.encoder.mount != "motor":
            return words
        return f"{words}; {NOT_WITH_SHAFT if self.loose else WITH_SHAFT}"


class Witness:
    """How all joints stood, by eye and by count, before what is watched."""

    def __init__(self, station: Station) -> None:
        self._station = station
        self.by_eye_deg = self._look()
        self._counts = station.card.counts(station.channels)

    def went(self) -> list[Went]:
        """What has become of all joints since, now that they stand still. Asks the eye."""
        station = self._station
        eyes, counts = self._look(), station.card.counts(station.channels)
        return [
            Went(
                joint,
                eyes[joint.name] - self.by_eye_deg[joint.name],
                (counts[joint.channel] - self._counts[joint.channel]) / joint.counts_per_deg,
            )
            for joint in station.arm.joints
        ]

    def _look(self) -> dict[str, float]:
        return {
            joint.name: self._station.hand.look_deg(joint) for joint in self._station.arm.joints
        }


def sunk(went: Sequence[Went]) -> list[Check]:
    """Joints that did not hold when the stand was taken away."""
    checks = []
    for one in went:
        if abs(one.by_eye) <= EYE_DEG:
            continue
        readings = {"eye_deg": one.by_eye, "count_deg": one.by_count}
        kind = Kind.LOOSE if one.loose else Kind.SINKS
        evidence = f"{one.joint.name} does not hold as the stand is taken away: {one.words}"
        symptom = Symptom(kind, one.joint.name, readings)
        checks.append(judged("homing", one.joint, [symptom], evidence))
    return checks


def after_failure(went: Sequence[Went], joint: Joint) -> tuple[str, tuple[Symptom, ...]]:
    """What the witness says of the joint that failed, and of others that hang loose."""
    mine = next(one for one in went if one.joint.name == joint.name)
    words = [f"since it was energised {mine.words}"]
    words += [f"{one.joint.name} too: {one.words}" for one in went if one.loose and one != mine]
    symptoms = tuple(Symptom(Kind.LOOSE, one.joint.name) for one in went if one.loose)
    return "; ".join(words), symptoms
