"""What a meter shows where: volts at both ends of conductors in the states that matter, then ohms.

The same rounds are made on the sound arm and on the faulty one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from ..commission.arm import Arm, Joint
from ..faults import parse_fault
from ..faults.kinds import plug_of
from .examples import joints_of, part_of
from .workplace import OVERLOAD_OHM, Workplace

TRAIN_STEPS_S = 2000.0
MARKED_V, MARKED_OHM = 0.02, 1.0
"""Readings that differ by more than this are marked."""
RAILS = ("RAIL.24V", "RAIL.5V", "RAIL.3V3")
_GROUND = "RAIL.0V"


@dataclass(frozen=True)
class Reading:
    """One reading: in which state, between which probes, in `V` or `ohm`."""

    state: str
    red: str
    black: str
    unit: str
    value: float

    @property
    def text(self) -> str:
        """As it is written down."""
        if self.unit == "V":
            shown = f"{self.value:.2f}"
            return f"{'0.00' if shown == '-0.00' else shown} V"
        if self.value > OVERLOAD_OHM:
            return "overload"
        for scale, unit in ((1e6, "Mohm"), (1e3, "kohm")):
            if self.value >= scale:
                return f"{self.value / scale:.2f} {unit}"
        return f"{self.value:.1f} ohm"


@dataclass(frozen=True)
class Compared:
    """One line of the table: the reading on the sound arm and on the faulty one."""

    sound: Reading
    faulty: Reading

    @property
    def changed(self) -> bool:
        """Whether the two differ by more than noise."""
        one, other = self.sound.value, self.faulty.value
        least = MARKED_V if self.sound.unit == "V" else MARKED_OHM
        return abs(one - other) > max(least, 0.02 * min(abs(one), abs(other)))


def compare(arm: Arm, seed: int, fault: str) -> list[Compared]:
    """All lines of the tables for one fault, volts first; none for the line and its port."""
    if part_of(fault) in ("LINE", "REOPEN", "BASE", "METER"):
        return []
    both = []
    for text in ("", fault):
        with Workplace(arm, seed, text) as place:
            both.append(list(_round(place, fault)))
    return [Compared(one, other) for one, other in zip(*both, strict=True)]


def _round(place: Workplace, fault: str) -> Iterator[Reading]:
    part, names = part_of(fault), joints_of(fault)
    joints = [joint for joint in place.arm.joints if joint.name in names]
    for rail in RAILS if part in ("RAIL", "SW", "ENC", "DRIVE", "STOP") else ():
        yield _volts(place, "all on, at rest", rail, _GROUND)
    for joint in joints:
        yield from {
            "INPUTS": _inputs,
            "DRIVE": _drive,
            "MOTOR": _drive,
            "MOTION": _drive,
            "POWER": _drive,
            "HEAT": _drive,
            "BRAKE": _drive,
            "ENC": _encoder,
            "SW": _switch,
        }[part](place, joint)
    place.card.enable(False, [joint.channel for joint in place.arm.joints])
    place.main_supply(False)
    for state, red, black in _dead(place, fault):
        yield Reading(state, red, black, "ohm", place.ohms(red, black))


def _volts(place: Workplace, state: str, red: str, black: str) -> Reading:
    return Reading(state, red, black, "V", place.hand.volts(red, black))


def _inputs(place: Workplace, joint: Joint) -> Iterator[Reading]:
    name, channel = joint.name, joint.channel
    place.card.enable(True, [channel])
    for sign, word in ((1, "positive"), (-1, "negative")):
        place.card.set_speed({channel: joint.speed(2.0)})
        place.card.move({channel: sign * round(abs(0.2 * joint.steps_per_deg))})
        place.card.until_still([channel], 10.0)
        for pin in ("DIR", "STEP", "ENA"):
            state = f"enabled, still after {word} steps"
            yield _volts(place, state, f"CARD.{name}.{pin}", _GROUND)
            yield _volts(place, state, f"{name}.{pin}", f"{name}.OPTO0V")
    place.card.set_speed({channel: (TRAIN_STEPS_S, joint.speed(1.0)[1])})
    place.card.move({channel: place.inward(joint) * joint.direction * round(TRAIN_STEPS_S)})
    for red, black in ((f"CARD.{name}.STEP", _GROUND), (f"{name}.STEP", f"{name}.OPTO0V")):
        yield _volts(place, f"a train of {TRAIN_STEPS_S:.0f} steps/s", red, black)
    place.card.until_still([channel], 10.0)
    place.card.enable(False, [channel])
    for red, black in ((f"CARD.{name}.ENA", _GROUND), (f"{name}.ENA", f"{name}.OPTO0V")):
        yield _volts(place, "not enabled", red, black)


def _drive(place: Workplace, joint: Joint) -> Iterator[Reading]:
    name, channel = joint.name, joint.channel
    for on in (False, True):
        place.card.enable(on, [channel])
        place.card.pause(0.1)
        state = "enabled" if on else "not enabled"
        yield _volts(place, state, "RAIL.24V", _GROUND)
        yield _volts(place, state, f"{name}.DRIVE.24V", f"{name}.DRIVE.0V")
        yield _volts(place, state, f"{name}.ENA", f"{name}.OPTO0V")


def _encoder(place: Workplace, joint: Joint) -> Iterator[Reading]:
    name = joint.name
    place.hand.motor_supply(False)
    state = "motor supply off"
    yield _volts(place, state, f"{name}.ENC.5V", f"{name}.ENC.0V")
    yield _volts(place, state, f"{name}.ENC.5V", _GROUND)
    yield _volts(place, state, f"{name}.ENC.0V", _GROUND)
    for state in ("shaft as it stands", "shaft half a cycle on"):
        for pin in ("A", "B", "Z"):
            yield _volts(place, state, f"{name}.ENC.{pin}", _GROUND)
            yield _volts(place, state, f"CARD.{name}.ENC.{pin}", _GROUND)
        place.turn(joint, 2.0 / abs(joint.counts_per_deg), 1.0)


def _switch(place: Workplace, joint: Joint) -> Iterator[Reading]:
    name = joint.name
    place.hand.motor_supply(False)
    for state in ("lever at rest", "lever pressed", "lever let go again"):
        if state == "lever pressed":
            place.hand.press(joint)
        else:
            place.hand.release(joint)
        place.card.pause(0.1)
        yield _volts(place, state, f"CARD.{name}.SW.COM", _GROUND)
        for pin in ("COM", "NC", "NO"):
            yield _volts(place, state, f"{name}.SW.{pin}", _GROUND)
        yield _volts(place, state, "RAIL.3V3", _GROUND)


def _dead(place: Workplace, fault: str) -> Iterator[tuple[str, str, str]]:
    """Where ohms are measured with the power off: state, red probe, black probe."""
    kind, places = parse_fault(fault).kind, parse_fault(fault).places
    part = part_of(fault)
    off = "all power off, plugs in"
    conductors = [spot for spot in places if kind.where in ("conductor", "node")]
    conductors = [spot for spot in conductors if not spot.startswith("RAIL.")]
    if kind.where == "plug":
        pins = [wire for wire in place.rig.harness.conductors if plug_of(wire) == places[0]]
        conductors = pins if len(places) == 1 else []
        for pin in pins if len(places) == 2 else ():
            other = pin.replace(places[0].partition(".")[0], places[1].partition(".")[0], 1)
            yield from ((off, f"CARD.{pin}", far) for far in (pin, other))
    for conductor in conductors:
        yield off, f"CARD.{conductor}", conductor
    if len(places) == 2 and kind.where != "plug":
        yield off, places[0], places[1]
        if conductors == list(places):
            yield off, f"CARD.{places[0]}", places[1]
            yield off, f"CARD.{places[1]}", places[0]
    for name in joints_of(fault):
        if "MOTOR" in (part, *kind.parts):
            for one, other in (("A+", "A-"), ("B+", "B-"), ("A+", "B+")):
                yield off, f"CARD.{name}.MOTOR.{one}", f"CARD.{name}.MOTOR.{other}"
        if part == "SW":
            joint = next(joint for joint in place.arm.joints if joint.name == name)
            for state in ("lever at rest", "lever pressed"):
                if state == "lever pressed":
                    place.hand.press(joint)
                else:
                    place.hand.release(joint)
                place.card.pause(0.1)
                for throw in ("NC", "NO"):
                    yield f"all power off, {state}", f"{name}.SW.COM", f"{name}.SW.{throw}"
            place.hand.release(joint)
