"""Representative places of the fault kinds: where the handbook shows each of them."""

from __future__ import annotations

from functools import cache

from ..faults import enumerate_faults, parse_fault
from ..faults.places import joints_in, part_at
from ..scenes import Scene, load_scene
from ..sim.gripper import PART as GRIPPER

_CHOSEN: dict[str, tuple[str, ...]] = {
    "open": ("open@J3.DIR", "open@J3.MOTOR.A+", "open@J5.ENC.A", "open@J5.ENC.0V",
             "open@J5.SW.COM", "open@J5.SW.NC", "open@STOP.11", "open@STOP.21"),
    "resist": ("resist@J1.SW.COM", "resist@J5.ENC.5V,ohm=100"),
    "short": ("short@J5.ENC.A/J5.ENC.B", "short@J3.DIR/RAIL.0V", "short@RAIL.5V/RAIL.0V",
              "short@STOP.11/STOP.12"),
    "swap": ("swap@J2.DIR/J2.STEP", "swap@J2.ENC.A/J2.ENC.B", "swap@J5.SW.NC/J5.SW.NO",
             "swap@J3.MOTOR.A+/J3.MOTOR.A-"),
    "unplug": ("unplug@J5.ENC", "unplug@J5.SW"),
    "cross": ("cross@J2.ENC/J3.ENC", "cross@J2.MOTOR/J3.MOTOR"),
    "weak": ("weak@J2.MOTOR,current=0.22",),
    "strong": ("strong@J2.MOTOR", "strong@J5.MOTOR"),
    "idle": ("idle@J2.DRIVE,current=0.15",),
    "microsteps": ("microsteps@J5.DRIVE",),
    "slip": ("slip@J4.COUPLING",),
    "play": ("play@J5.GEAR",),
    "pulley": ("pulley@J5.GEAR",),
    "bind": ("bind@J3.GEAR,deg=-45",),
    "stuck": ("stuck@J5.SW,on=2", "stuck@J5.SW,on=1"),
    "hum": ("hum@J5.ENC",),
    "dim": ("dim@J5.DRIVE", "dim@J5.DRIVE,factor=4"),
    "forget": ("forget@J5.DRIVE",),
    "dead": ("dead@J5.ENC", "dead@J5.ENC,channel=3"),
    "frozen": ("frozen@CARD.J3.DIR", "frozen@CARD.J5.SW.COM,level=2"),
    "drift": ("drift@CARD.J5.SW.COM",),
    "overflow": ("overflow@J2.COUNTER,bits=12",),
    "sag": ("sag@RAIL.24V", "sag@RAIL.5V"),
    "blown": ("blown@RAIL.24V", "blown@RAIL.5V"),
    "brownout": ("brownout@RAIL.24V,factor=0.45", "brownout@RAIL.5V"),
    "drop": ("drop@LINE,per=0.01",),
    "double": ("double@LINE,per=0.01",),
    "noise": ("noise@LINE,per=0.01",),
    "delay": ("delay@LINE",),
    "stall": ("stall@LINE,per=0.01",),
    "baud": ("baud@LINE,ratio=1.06",),
    "cut": ("cut@LINE,from=2,to=60",),
}  # fmt: skip
_JOINT = "J5"
_ELSEWHERE = {"brake": "heron_brake"}
"""Kinds that the Heron has no part for, and a scene that has."""
_LOOKED_AT = {"dim": "INPUTS", "forget": "POWER", "reset": "POWER", "autoreset": "REOPEN",
              "loose": "BASE", "surge": "FALL",
              "weld": "STOP", "brake": "BRAKE", "strong": "HEAT",
              "lead": "METER", "amps": "METER", "chassis": "METER"}  # fmt: skip
"""Kinds whose part alone does not say what shows them."""


def examples(kind: str, scene: Scene) -> tuple[str, ...]:
    """Faults of a kind to show: those chosen here, or the first that the scene lists at J5; with
    its variants where that is no scene for most kinds.

    None where the arm has no such part.
    """
    if kind in _CHOSEN:
        return _CHOSEN[kind]
    listed = [fault for fault in enumerate_faults(scene) if fault.partition("@")[0] == kind]
    if kind in _ELSEWHERE:
        return tuple(fault for fault in listed if fault.startswith(listed[0]))
    here = [fault for fault in listed if fault.partition("@")[2].startswith(f"{_JOINT}.")]
    return tuple((here or listed)[:1])


def scene_for(kind: str) -> str:
    """The scene in which a kind is shown."""
    return _ELSEWHERE.get(kind, "heron")


@cache
def _heron() -> Scene:
    return load_scene("heron")


def joints_of(fault: str) -> list[str]:
    """Joints at which a fault sits, in its own order; none for what belongs to the whole arm."""
    names = [name for place in parse_fault(fault).places for name in joints_in(place, _heron())]
    return list(dict.fromkeys(names))


def part_of(fault: str) -> str:
    """What a fault is about, and so what shows it.

    A plug's name (`INPUTS`, `DRIVE`, `MOTOR`, `ENC`, `SW`) for its conductors and the card's pins
    they start from; `MOTION` for a drive's settings, motor, coupling, gear, load or counter;
    `STOP` for the stop circuit; `BRAKE`; `HEAT` for what gets warm;
    `POWER` and `REOPEN` for what a power cycle or a program's coming does; `BASE`; `FALL` for what
    an arm does that comes down; `METER` for what a person measures with; `RAIL`; `LINE`; `GRIPPER`.
    """
    parsed = parse_fault(fault)
    kind, place = parsed.kind, parsed.places[0]
    if kind.name in _LOOKED_AT:
        return _LOOKED_AT[kind.name]
    if place == GRIPPER:
        return "GRIPPER"
    part = part_at(place.removeprefix("CARD."))
    if part in ("RAIL", "LINE", "ENC", "SW", "STOP"):
        return part
    return "MOTION" if kind.parts and kind.parts[0] not in ("PIN", "INPUT") else part
