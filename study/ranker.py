"""The ranker by simulation: each fault is tried on rigs of one's own, by the same acts.

First the whole commissioning is compared (`ranking.py`), then, measurement by measurement, what the
meter would read with each fault that is left. The arm at hand has tolerances that nobody knows;
readings count as the same within the share by which arms differ.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from ..commission.diagnosis import SOUND, Diagnosis, Expected, FaultClass, Split, Taken
from ..commission.measurements import Measurement
from ..commission.result import Result
from ..faults import parse_fault
from ..faults.places import joints_in
from ..protocol.again import apart
from ..scenes import load_scene
from .candidates import candidates
from .library import ARM, Library
from .menu import compatible, foretold, groups, menu
from .ranking import Classes
from .signature import signature_of

_RULED_OUT = 8.0
"""Cost of a fault with which a measurement would have read otherwise."""
_LEFT = 12.0
_MOST_LEFT = 12
_BLUNT = 3.0
_WORTH = 0.97
_OHMS_WORSE = 1.02
_RAIL_V = 0.1
"""In one and the same arm: less is no more than a joint that draws less."""


@dataclass
class SimulatedRanker:
    """A ranker for arms of one scene. Learns what it lacks, and keeps it; `done` as it learns."""

    scene: str
    library: Library
    processes: int | None = None
    learning: Callable[[int], None] = lambda _tasks: None
    done: Callable[[], None] = lambda: None
    _classes: Classes | None = None
    _cost: dict[str, float] = field(default_factory=dict)
    _reads: dict[str, dict[Measurement, float]] = field(default_factory=dict)
    _menu: list[Measurement] = field(default_factory=list)
    _taken: list[Taken] = field(default_factory=list)
    _measured: dict[Measurement, float] = field(default_factory=dict)
    _passed: bool = False
    _dead_only: bool = False
    _looked_sound: bool = False

    @property
    def faults(self) -> list[str]:
        """All that it weighs, sound among it."""
        return list(self._cost)

    def hidden(self, fault: str) -> bool:
        """Whether a commissioning cannot tell this fault from none, on the last arm at least."""
        assert self._classes is not None
        return self._looked_sound or self._classes.alike(fault, SOUND)

    def rank(self, result: Result) -> Diagnosis:
        """Compare with every fault that touches a joint that looks unsound."""
        seen = signature_of(result)
        with apart():
            self._learn(self._concerned(result))
        assert self._classes is not None
        self._cost = self._classes.costs(seen)
        self._reads, self._menu, self._taken, self._measured = {}, [], [], {}
        self._looked_sound = self._classes.looks_sound(self._cost)
        self._passed = result.verdict == "pass"
        # No power on a shorted rail.
        self._dead_only = any(check.shorts_rail for check in result.checks)
        return self._diagnosis()

    def told(self, measurement: Measurement, value: float) -> Diagnosis:
        """Rule out what would have read otherwise."""
        for name in self._reads:
            self._held_against(name, measurement, value)
        self._taken.append(Taken(measurement, measurement.shown(value)))
        self._measured[measurement] = value
        return self._diagnosis()

    def _held_against(self, name: str, what: Measurement, value: float) -> None:
        reads = self._reads[name]
        if what in reads and not compatible(what, reads[what], value):
            self._cost[name] += _RULED_OUT

    def _concerned(self, result: Result) -> list[str]:
        """All faults, or, as long as not all are learned, those at joints with findings."""
        scene = load_scene(self.scene)
        whole = candidates(scene)
        if not self.library.tasks(whole, metered=False):
            return whole
        found = {check.joint for check in result.checks if check.failed}
        if None in found:
            return whole
        at = {f: {j for p in parse_fault(f).places for j in joints_in(p, scene)} for f in whole}
        return [fault for fault in whole if not at[fault] or at[fault] & found]

    def _learn(self, faults: list[str]) -> None:
        tasks = self.library.tasks(faults, metered=False)
        if tasks:
            self.learning(len(tasks))
            self.library.learn(faults, self.processes, self.done, metered=False)
        if tasks or self._classes is None:
            self._classes = self.library.classes()

    def _diagnosis(self) -> Diagnosis:
        classes, split = self._ranked(), None
        if not self._passed and (self._measured or not classes[0].sound):
            split = self._split()
            classes = self._ranked()
        return Diagnosis(tuple(classes), None if classes[0].sound else split, tuple(self._taken))

    def _ranked(self) -> list[FaultClass]:
        assert self._classes is not None
        return self._classes.grouped(self._cost, self._same_readings)

    def _same_readings(self, one: str, other: str) -> bool:
        """Whether nothing measured so far tells two faults apart."""
        mine, theirs = self._reads.get(one, {}), self._reads.get(other, {})
        return all(
            compatible(what, mine[what], theirs[what])
            for what in self._measured
            if what in mine and what in theirs
        )

    def _left(self) -> list[str]:
        order = sorted(self._cost, key=self._cost.__getitem__)[:_MOST_LEFT]
        return [name for name in order if self._cost[name] <= self._cost[order[0]] + _LEFT]

    def _split(self) -> Split | None:
        """The measurement that leaves least belief together, ohms and pulled plugs second."""
        if not self._menu:
            asked = menu(self._left())
            self._menu = [what for what in asked if what.unit == "ohm" or not self._dead_only]
        left = self._foretold_left()
        best, best_value, best_sides = None, _WORTH, [left]
        for what in self._menu:
            if what in self._measured:
                continue
            values = {name: self._reads[name][what] for name in left if what in self._reads[name]}
            if len(values) < len(left):
                continue
            if any(map(math.isnan, values.values())):
                continue
            sides = groups(what, values)
            value = self._together(sides) * (_OHMS_WORSE if what.unit == "ohm" else 1.0)
            if value < best_value:
                best, best_value, best_sides = what, value, sides
        if best is None:
            return None
        return Split(best, tuple(self._expected(best, side) for side in best_sides))

    def _foretold_left(self) -> list[str]:
        """What is left; who comes up as others are ruled out answers to all that was measured."""
        while new := [name for name in self._left() if name not in self._reads]:
            for name in new:
                with apart():
                    self._reads[name] = self._foretold(name)
                for what, value in self._measured.items():
                    self._held_against(name, what, value)
        return self._left()

    def _foretold(self, fault: str) -> dict[Measurement, float]:
        """The menu's readings with a fault: its own; where it is not, those of a sound arm.

        A fault that a rail shows, be it by tenths of a volt, reaches everywhere and is simulated
        anew.
        """
        sound, own = self.library.reading(SOUND), self.library.reading(fault)
        far = [what for what in self._menu if what not in own]
        if far and any(abs(v - sound[w]) > _RAIL_V for w, v in own.items() if w.rail):
            # Kept: the same faults come up again with the next arm.
            own |= foretold(self.scene, ARM, fault, far)
        return {what: own.get(what, sound.get(what, math.nan)) for what in self._menu}

    def _together(self, sides: Iterable[list[str]]) -> float:
        least = min(self._cost.values())
        belief = [
            sum(math.exp((least - self._cost[name]) / _BLUNT) for name in side) for side in sides
        ]
        return sum(one * one for one in belief) / sum(belief) ** 2

    def _expected(self, what: Measurement, side: list[str]) -> Expected:
        values = sorted(self._reads[name][what] for name in side)
        low, high = what.shown(values[0]), what.shown(values[-1])
        return Expected(tuple(side), low if low == high else f"{low} to {high}")
