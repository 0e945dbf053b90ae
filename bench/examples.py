"""Representative places of the fault kinds: where the handbook shows each of them."""

from __future__ import annotations

from ..faults import enumerate_faults, parse_fault
from ..faults.kinds import plug_of
from ..scenes import Scene

_CHOSEN: dict[str, tuple[str, ...]] = {
    "open": ("open@J3.DIR", "open@J3.MOTOR.A+", "open@J5.ENC.A", "open@J5.ENC.0V",
             "open@J5.SW.COM", "open@J5.SW.NC"),
    "resist": ("resist@J1.SW.COM", "resist@J5.ENC.5V,ohm=100"),
    "short": ("short@J5.ENC.A/J5.ENC.B", "short@J3.DIR/RAIL.0V", "short@RAIL.5V/RAIL.0V"),
    "swap": ("swap@J2.DIR/J2.STEP", "swap@J2.ENC.A/J2.ENC.B", "swap@J5.SW.NC/J5.SW.NO",
             "swap@J3.MOTOR.A+/J3.MOTOR.A-"),
    "unplug": ("unplug@J5.ENC", "unplug@J5.SW"),
    "cross": ("cross@J2.ENC/J3.ENC", "cross@J2.MOTOR/J3.MOTOR"),
    "weak": ("weak@J2.MOTOR,current=0.22",),
    "doze": ("doze@J2.DRIVE,current=0.15",),
    "micro": ("micro@J5.DRIVE",),
    "slip": ("slip@J4.COUPLING",),
    "play": ("play@J5.GEAR",),
    "pulley": ("pulley@J5.GEAR",),
    "bind": ("bind@J3.GEAR,deg=-45",),
    "stuck": ("stuck@J5.SW,on=2", "stuck@J5.SW,on=1"),
    "drop": ("drop@LINE,per=0.01",),
}  # fmt: skip
_JOINT = "J5"


def examples(kind: str, scene: Scene) -> tuple[str, ...]:
    """Faults of a kind to show: those chosen here, or the first that the scene lists at J5."""
    if kind in _CHOSEN:
        return _CHOSEN[kind]
    listed = [fault for fault in enumerate_faults(scene) if fault.partition("@")[0] == kind]
    here = [fault for fault in listed if fault.partition("@")[2].startswith(f"{_JOINT}.")]
    return tuple((here or listed)[:1])


def joints_of(fault: str) -> list[str]:
    """Joints at which a fault sits, in its own order; none for rails and the serial line."""
    places = parse_fault(fault).places
    names = [place.partition(".")[0] for place in places]
    return [name for name in dict.fromkeys(names) if name not in ("RAIL", "LINE")]


def part_of(fault: str) -> str:
    """What a fault is about.

    A plug's name (`INPUTS`, `DRIVE`, `MOTOR`, `ENC`, `SW`) for its conductors; `MOTION` for a
    drive's settings, motor, coupling or gear; `RAIL`; `LINE`.
    """
    kind, place = parse_fault(fault).kind, parse_fault(fault).places[0]
    if place.startswith("RAIL.") or place == "LINE":
        return place.partition(".")[0]
    if kind.where == "part":
        return kind.part if kind.part in ("ENC", "SW") else "MOTION"
    if kind.where == "plug":
        return place.partition(".")[2]
    return plug_of(place).partition(".")[2]
