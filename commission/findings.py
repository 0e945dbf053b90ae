"""What a check returns: a verdict, the evidence in words, and the symptoms in numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

from .arm import Joint

Verdict = Literal["pass", "fail", "skipped"]


class Kind(StrEnum):
    """Symptoms, in the order the checks can meet them."""

    METER = "the meter is not proved"
    SHORTED = "a rail is shorted to 0 V"
    COILS = "a motor's coils do not measure as they should"
    RAIL = "a rail is out of its range"
    FAR_END = "a supply does not arrive at the part"
    LINK = "the line garbles"
    TURN_STIFF = "the joint cannot be turned by hand"
    COUNT_CLIMBS = "the count climbs by itself"
    COUNT_DEAD = "the count stays"
    COUNT_BACKWARDS = "the count runs backwards"
    COUNT_AMOUNT = "the count moves by the wrong amount"
    COUNT_ELSEWHERE = "another joint's count moves"
    SWITCH_DEAD = "the switch input does not answer"
    SWITCH_INVERTED = "the switch input is upside down"
    SWITCH_FLOATS_AT_REST = "nothing holds the switch input at rest"
    SWITCH_FLOATS_PRESSED = "nothing holds the switch input when pressed"
    SWITCH_LINGERS = "the switch input does not let go"
    SWITCH_SHORTS = "pressing the switch pulls the 3.3 V rail down"
    SWITCH_ELSEWHERE = "another joint's input answers"
    SWEEP_BINDS = "the joint cannot be led through its travel by hand"
    WIGGLE = "something comes and goes while the cable is wiggled"
    STOP_CIRCUIT = "the stop circuit does not do as it should"
    STOPPED = "the stop circuit opened meanwhile"
    JOG_NONE = "the joint does not move"
    JOG_SAME_WAY = "the joint moves the same way for both signs"
    JOG_REVERSED = "the joint moves the wrong way"
    JOG_OTHER_JOINT = "another joint moves"
    JOG_SCALE = "the joint moves by a wrong power of two"
    JOG_RUNAWAY = "the joint goes much further than asked"
    LOOSE = "the joint does not go with its motor's shaft"
    SINKS = "the joint does not hold its own weight"
    JOG_SHORT = "the joint moves short"
    HOME_NO_EDGE = "no switch edge in the travel"
    HOME_NO_RELEASE = "the switch does not release"
    HOME_NO_INDEX = "no index in a turn of the encoder"
    HOME_NO_ROOM = "no room to search for the index"
    HOME_LOST = "steps were lost on the way"
    HOME_SCATTER = "the two approaches differ"
    INDEX_COUNTS = "counts from index to index are not a turn of the encoder"
    REPEAT = "a second homing does not agree"
    ROUTINE = "a routine of the user's own has failed"
    TRIM_RANGE = "the zero is out of the gauge's range"
    TRIM_SIDES = "the zero depends on the side it is approached from"
    TRIM_RESIDUE = "the zero does not come right"


@dataclass(frozen=True)
class Symptom:
    """One thing that is wrong. `readings` are volts, degrees or counts, as their names say."""

    kind: Kind
    joint: str | None
    readings: Mapping[str, float] = field(default_factory=dict)
    detail: str = ""  # the group of conductors, or the other joint, where there is one


@dataclass(frozen=True)
class Check:
    """One check of one joint (or, `joint` None, of the whole)."""

    name: str
    joint: str | None
    verdict: Verdict
    evidence: str
    symptoms: tuple[Symptom, ...] = ()

    @property
    def failed(self) -> bool:
        """Whether this check found something."""
        return self.verdict == "fail"

    @property
    def shorts_rail(self) -> bool:
        """Whether it forbids power: the cold check of the rails found something."""
        return self.failed and self.name == "cold" and self.joint is None


def judged(name: str, joint: Joint | None, symptoms: list[Symptom], evidence: str) -> Check:
    """A check that fails if there is a symptom and passes otherwise."""
    return Check(
        name,
        joint.name if joint else None,
        "fail" if symptoms else "pass",
        evidence,
        tuple(symptoms),
    )


def stopped(name: str, joint: Joint, evidence: str) -> Check:
    """A check that the stop circuit cut short: what `evidence` says tells of nothing else."""
    words = f"{Kind.STOPPED}: the button is in, or a wire of it came off; {evidence}"
    return Check(name, joint.name, "fail", words, (Symptom(Kind.STOPPED, None),))
