"""Putting faults into a rig while it runs, changing them, and taking them out again.

A fault changes parts and nothing else. The parts of the sound arm are kept; whatever faults are in
are applied to a copy of them in the order they came, so that any of them can be taken out.
"""

from __future__ import annotations

from dataclasses import dataclass

from ..errors import FaultError, nearest
from ..sim.clock import seconds, ticks
from ..sim.rig import Rig
from .gates import AT_A_JOINT, GATES, Gate
from .grammar import Fault, parse_fault
from .line import BadLine
from .places import joints_in, places


@dataclass
class _Held:
    """A fault that is in."""

    fault: Fault
    gate: Gate


def _sort(plug: str) -> str:
    """What two plugs must share to fit each other's sockets; one without a joint fits its own."""
    return plug.partition(".")[2] or plug


class Injector:
    """The faults of one rig. `line` is what the card's serial line does to bytes, or None."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._sound = rig.harness.parts.copy()
        self._held: list[_Held] = []
        self._due: list[tuple[int, Fault]] = []
        self.line: BadLine | None = None

    def insert(self, text: str) -> None:
        """Put a fault in, now. Raises `FaultError` and changes nothing when it cannot."""
        fault = self._read(text)
        self._must_be_new(fault)
        self._held.append(self._hold(fault))
        self._apply()

    def change(self, text: str, into: str) -> None:
        """Put another fault in the place of one that is in, at one instant.

        Raises `FaultError` and changes nothing when the one is not in or the other cannot be.
        """
        held, fault = self._find(text), self._read(into)
        if fault.text != held.fault.text:
            self._must_be_new(fault)
        held.gate.stop()
        self._held[self._held.index(held)] = self._hold(fault)
        self._apply()

    def remove(self, text: str) -> None:
        """Take a fault out, or off the schedule. Raises `FaultError` when it is on neither."""
        wanted = parse_fault(text).text
        for entry in self._due:
            if entry[1].text == wanted and wanted not in self.listed():
                self._due.remove(entry)
                return
        held = self._find(text)
        self._held.remove(held)
        held.gate.stop()
        self._apply()

    def schedule(self, text: str, at_s: float) -> None:
        """Put a fault in at a rig time (s); until then it is on the schedule only.

        What it cannot be is said now: raises `FaultError`, also for a time that is over. A fault
        that is in by then is left as it is. To end a fault by itself give it a gate, `to=`.
        """
        fault, tick = self._read(text), ticks(at_s)
        if tick < self._rig.now:
            raise FaultError(
                f"fault {text!r}: {at_s:g} s of rig time is over, it is "
                f"{seconds(self._rig.now):.7g} s: give a later time"
            )
        entry = (tick, fault)
        self._due.append(entry)
        self._due.sort(key=lambda due: due[0])

        def begin() -> None:
            if any(due is entry for due in self._due):
                self._due = [due for due in self._due if due is not entry]
                if fault.text not in self.listed():
                    self.insert(fault.text)

        self._rig.at(tick, begin)

    def clear(self) -> None:
        """Take all faults out, and off the schedule."""
        for held in self._held:
            held.gate.stop()
        self._held.clear()
        self._due.clear()
        self._apply()

    def listed(self) -> list[str]:
        """The faults that are in, oldest first."""
        return [held.fault.text for held in self._held]

    def scheduled(self) -> list[tuple[str, float]]:
        """The faults that are to come and when (s of rig time), the next one first."""
        return [(fault.text, seconds(tick)) for tick, fault in self._due]

    def _hold(self, fault: Fault) -> _Held:
        return _Held(
            fault, Gate(self._rig, fault.text, self._joint(fault), fault.values, self._apply)
        )

    def _apply(self) -> None:
        parts = self._sound.copy()
        lines = []
        for held in self._held:
            if not held.gate.open:
                continue
            fault = held.fault
            if fault.kind.apply is not None:
                fault.kind.apply(parts, fault.places, fault.values)
            if fault.kind.line is not None:
                key = f"{self._rig.seed}:{fault.text}"
                lines.append((fault.kind.line, fault.values, key))
        self.line = BadLine(tuple(lines)) if lines else None
        self._rig.fit_soon(parts)

    def _joint(self, fault: Fault) -> int | None:
        """The joint whose angle and cable gate a fault: the first that a place names."""
        scene = self._rig.scene
        mine = [name for place in fault.places for name in joints_in(place, scene)]
        return scene.joint_number(mine[0]) if mine else None

    def _find(self, text: str) -> _Held:
        wanted = parse_fault(text).text
        for held in self._held:
            if held.fault.text == wanted:
                return held
        known = [*self.listed(), *(fault.text for _, fault in self._due)]
        raise FaultError(
            f"fault {text!r} is not in{nearest(wanted, known)}; "
            f"in: {', '.join(self.listed()) or 'none'}"
        )

    def _must_be_new(self, fault: Fault) -> None:
        if fault.text in self.listed():
            raise FaultError(f"fault {fault.text!r} is in already: remove it first, or leave it")

    def _read(self, text: str) -> Fault:
        """A fault that can be on this arm. Raises `FaultError`."""
        fault = parse_fault(text)
        if self._joint(fault) is None:
            for name in AT_A_JOINT:
                if fault.values[name] != GATES[name].default:
                    raise FaultError(f"fault {text!r}: {name} needs a place at a joint")
        known = places(fault.kind, self._rig.scene)
        if not known:
            raise FaultError(
                f"fault {text!r}: {self._rig.scene.name} has no place for {fault.kind.name}"
            )
        for place in fault.places:
            if place not in known:
                raise FaultError(
                    f"fault {text!r}: no place {place!r} for {fault.kind.name}"
                    f"{nearest(place, known)}; places are like {known[0]!r}"
                )
        if fault.kind.where == "plug" and len({_sort(p) for p in fault.places}) > 1:
            raise FaultError(
                f"fault {text!r}: plugs of two sorts do not fit each other's sockets; expected "
                "the same sort twice, e.g. 'cross@J2.ENC/J3.ENC'"
            )
        return fault
