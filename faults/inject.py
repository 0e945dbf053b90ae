"""Putting faults into a rig and taking them out again.

A fault changes parts and nothing else. The parts of the sound arm are kept; whatever faults are in
are applied to a copy of them in the order they came, so that any of them can be taken out.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from ..errors import FaultError, nearest
from ..sim.circuit import RAILS
from ..sim.rig import Rig
from .gates import AT_A_JOINT, GATES, Gate
from .grammar import Fault, parse_fault
from .kinds import plug_of
from .line import DropBytes

LineFilter = Callable[[bytes, bool], bytes]


def _through(filters: list[LineFilter], data: bytes, to_host: bool) -> bytes:
    """What comes through one filter after the other."""
    for line in filters:
        data = line(data, to_host)
    return data


class Injector:
    """The faults of one rig. `line` filters the card's serial line, or is None."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._sound = rig.harness.parts.copy()
        self._faults: list[Fault] = []
        self._gates: dict[str, Gate] = {}
        self._filters: dict[str, LineFilter] = {}
        self.line: LineFilter | None = None

    def insert(self, text: str) -> None:
        """Put a fault in, now. Raises `FaultError` and changes nothing when it cannot."""
        fault = parse_fault(text)
        self._check_places(text, fault)
        if any(known.text == fault.text for known in self._faults):
            raise FaultError(f"fault {text!r} is in already: remove it first, or leave it")
        self._faults.append(fault)
        joint = self._joint(fault)
        if fault.kind.apply is None:
            self._filters[fault.text] = DropBytes(fault.values["per"], self._rig.seed)
        self._gates[fault.text] = Gate(self._rig, fault.text, joint, fault.values, self._apply)
        self._apply()

    def remove(self, text: str) -> None:
        """Take a fault out. Raises `FaultError` when it is not in."""
        fault = parse_fault(text)
        for known in self._faults:
            if known.text == fault.text:
                self._faults.remove(known)
                self._gates.pop(known.text).stop()
                self._filters.pop(known.text, None)
                self._apply()
                return
        raise FaultError(
            f"fault {text!r} is not in{nearest(fault.text, self.listed())}; "
            f"in: {', '.join(self.listed()) or 'none'}"
        )

    def clear(self) -> None:
        """Take all faults out."""
        for gate in self._gates.values():
            gate.stop()
        self._gates.clear()
        self._filters.clear()
        self._faults.clear()
        self._apply()

    def listed(self) -> list[str]:
        """The faults that are in, oldest first."""
        return [fault.text for fault in self._faults]

    def _apply(self) -> None:
        parts = self._sound.copy()
        filters = []
        for fault in self._faults:
            if not self._gates[fault.text].open:
                continue
            if fault.kind.apply is not None:
                fault.kind.apply(parts, fault.places, fault.values)
            else:
                filters.append(self._filters[fault.text])
        self.line = partial(_through, filters) if filters else None
        self._rig.fit(parts)

    def _joint(self, fault: Fault) -> int | None:
        """The joint whose angle and cable gate a fault: the first that a place names."""
        names = [joint.name for joint in self._rig.scene.joint]
        mine = [place.partition(".")[0] for place in fault.places]
        return next((names.index(name) for name in mine if name in names), None)

    def _check_places(self, text: str, fault: Fault) -> None:
        if self._joint(fault) is None:
            for name in AT_A_JOINT:
                if fault.values[name] != GATES[name].default:
                    raise FaultError(f"fault {text!r}: {name} needs a place at a joint")
        known = self._places(fault)
        for place in fault.places:
            if place not in known:
                raise FaultError(
                    f"fault {text!r}: no place {place!r} for {fault.kind.name}"
                    f"{nearest(place, known)}; places are like {known[0]!r}"
                )
        if fault.kind.where == "plug" and len({p.partition(".")[2] for p in fault.places}) > 1:
            raise FaultError(
                f"fault {text!r}: plugs of two sorts do not fit each other's sockets; expected "
                "the same sort twice, e.g. 'cross@J2.ENC/J3.ENC'"
            )

    def _places(self, fault: Fault) -> list[str]:
        joints = [joint.name for joint in self._rig.scene.joint]
        conductors = self._rig.harness.conductors
        match fault.kind.where:
            case "conductor":
                return conductors
            case "node":
                return [*conductors, *RAILS]
            case "part":
                return [f"{joint}.{fault.kind.part}" for joint in joints]
            case "plug":
                return list(dict.fromkeys(map(plug_of, conductors)))
            case "line":
                return ["LINE"]
