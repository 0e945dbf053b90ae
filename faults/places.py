"""Where a kind of fault can sit on an arm, and what stands there."""

from __future__ import annotations

from ..scenes import IO, STOP, Scene
from ..sim.circuit import GROUND, RAILS
from ..sim.gripper import PART as GRIPPER
from ..sim.netlist import CHASSIS
from ..sim.parts import INPUTS, OUTPUTS
from ..sim.plugs import plug_of
from .kind import Kind

LINE = "LINE"


def joints_in(place: str, scene: Scene) -> list[str]:
    """The joint that a place names (`CARD.J3.DIR`), or nothing."""
    words = place.split(".")
    return [joint.name for joint in scene.joint if joint.name in words]


def part_at(place: str) -> str:
    """What stands at a place.

    `INPUTS`, `DRIVE`, `MOTOR`, `ENC`, `SW` for conductors and plugs of it, or `GEAR`, `COUPLING`,
    `BRAKE`, `COUNTER`; `CARD` (its pins too), `TOOL`, `BASE`, `METER`, `CHASSIS`, `RAIL`, `LINE`,
    `CONTACTOR`; `STOP` for the cable of the STOP button,
    `IO` for the second card's cable and the gripper at its end.
    """
    first, dot, rest = place.partition(".")
    if first in (IO, STOP):
        return first
    if first in ("CARD", "RAIL") or not dot:
        return first
    known = ("DRIVE", "MOTOR", "ENC", "SW", "COUPLING", "GEAR", "BRAKE", "COUNTER")
    sort = rest.partition(".")[0]
    return sort if sort in known else "INPUTS"


def conductors(scene: Scene) -> list[str]:
    """Every conductor: joint by joint, of the second card, of the stop circuit."""
    return list(scene.conductors())


def plugs(scene: Scene) -> list[str]:
    """Every plug, joint by joint."""
    return list(dict.fromkeys(map(plug_of, conductors(scene))))


def places(kind: Kind, scene: Scene) -> list[str]:
    """All places for a kind; for one with two places, all that either may be."""
    match kind.where:
        case "conductor":
            return conductors(scene)
        case "node":
            return [*conductors(scene), *RAILS, CHASSIS]
        case "plug":
            return plugs(scene)
        case "line":
            return [LINE]
        case "part":
            return [place for sort in kind.parts for place in _of_sort(sort, scene)]


def _of_sort(sort: str, scene: Scene) -> list[str]:
    names = [joint.name for joint in scene.joint]
    match sort:
        case "RAIL":
            return [rail for rail in RAILS if rail != GROUND]
        case "CARD" | "TOOL" | "BASE" | "METER" | "CONTACTOR" | "RAIL.24V":
            return [sort]
        case "INPUT":
            pins = [f"{name}.{pin}" for name in names for pin in INPUTS]
            return [f"CARD.{pin}" for pin in (*pins, *_io(scene, "DI"))]
        case "PIN":
            pins = [f"{name}.{pin}" for name in names for pin in (*OUTPUTS, *INPUTS)]
            return [f"CARD.{pin}" for pin in (*pins, *_io(scene, "SERVO", "DO", "DI"))]
        case "GRIPPER":
            return [GRIPPER] if scene.gripper is not None else []
        case "BRAKE":
            return [f"{joint.name}.BRAKE" for joint in scene.joint if joint.brake_n_m]
        case _:
            return [f"{name}.{sort}" for name in names]


def _io(scene: Scene, *sorts: str) -> list[str]:
    """Conductors of the second card by what their names begin with."""
    starts = tuple(f"{IO}.{sort}" for sort in sorts)
    return [place for place in conductors(scene) if place.startswith(starts)]
