"""A witness across motor and joint: what the count made of a motion, and what the eye saw of it.

An encoder on the motor tells of its shaft alone. Whether the joint went with it is seen at the
joint: by eye here, as by a mark across the coupling (common practice, no published source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from .arm import Joint
from .findings import Check, Kind, Symptom, judged, stopped
from .homing_failed import HomingFailed, window
from .station import Station

# Two judgements of whole degrees, and the step between them.
EYE_DEG = 2.0
WITH_SHAFT = "the joint went with its motor's shaft"
NOT_WITH_SHAFT = "the joint did not go with its motor's shaft"


@dataclass(frozen=True)
class Went:
    """How far a joint has gone, degrees (or mm), by eye and by count, and how far it was told to.

    `told` is None where nobody knows.
    """

    joint: Joint
    by_eye: float
    by_count: float
    told: float | None = None

    @property
    def loose(self) -> bool:
        """Whether the joint did not go with its motor's shaft, as far as an encoder can tell."""
        on_motor = self.joint.encoder.mount == "motor"
        return on_motor and abs(self.by_eye - self.by_count) > EYE_DEG

    @property
    def strayed(self) -> bool:
        """Whether joint and shaft went where nobody told them to: it sank, or was pushed."""
        if self.told is None or self.loose or abs(self.by_eye - self.told) <= EYE_DEG:
            return False
        off = abs(self.by_count - self.told) * abs(self.joint.counts_per_deg)
        return off > window(self.joint)

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
        self._steps: dict[int, int] | None = station.card.steps(station.channels)

    def forget_steps(self) -> None:
        """Somebody else has loaded the step counters."""
        self._steps = None

    def went(self) -> list[Went]:
        """What has become of all joints since, now that they stand still. Asks the eye."""
        station = self._station
        eyes, counts = self._look(), station.card.counts(station.channels)
        steps = station.card.steps(station.channels) if self._steps is not None else {}
        found = []
        for joint in station.arm.joints:
            at, told = joint.channel, None
            if self._steps is not None:
                told = (steps[at] - self._steps[at]) / joint.steps_per_deg
            by_eye = eyes[joint.name] - self.by_eye_deg[joint.name]
            by_count = (counts[at] - self._counts[at]) / joint.counts_per_deg
            found.append(Went(joint, by_eye, by_count, told))
        return found

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


def motion_failure(
    station: Station, witness: Witness | None, name: str, error: HomingFailed
) -> Check:
    """The check `name` that a motion has failed, with what the witness saw.

    With the stop circuit open whatever fell or lost steps tells of nothing else.
    """
    if station.card.stop_level():
        return stopped(name, error.joint, str(error))
    symptoms: tuple[Symptom, ...] = (error.symptom,)
    evidence = str(error)
    if witness is not None:
        words, loose = after_failure(witness.went(), error.joint)
        evidence, symptoms = f"{evidence}; {words}", (*symptoms, *loose)
    return Check(name, error.joint.name, "fail", evidence, symptoms)


def after_failure(went: Sequence[Went], joint: Joint) -> tuple[str, tuple[Symptom, ...]]:
    """What the witness says of the joint that failed, and of others.

    Those that hang loose, and those that went where nobody told them to: the one that failed may
    have met what another let fall.
    """
    mine = next(one for one in went if one.joint.name == joint.name)
    words = [f"since it was energised {mine.words}"]
    words += [f"{one.joint.name} too: {one.words}" for one in went if one.loose and one != mine]
    words += [
        f"{one.joint.name} was told {one.told:+.0f} {one.joint.unit}: {one.words}"
        for one in went
        if one.strayed and one != mine
    ]
    symptoms = [Symptom(Kind.LOOSE, one.joint.name) for one in went if one.loose]
    symptoms += [
        Symptom(Kind.SINKS, one.joint.name, {"eye_deg": one.by_eye, "count_deg": one.by_count})
        for one in went
        if one.strayed and one != mine
    ]
    return "; ".join(words), tuple(symptoms)
