"""What the drives make of what reaches them: inputs, steps, supply, standstill, coils."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from .axis import Axis
from .circuit import Island
from .clock import ticks
from .drive import Drive
from .opto import Opto

if TYPE_CHECKING:
    from .rig import Rig


class Driving:
    """The drives of one rig and their wiring, as the circuit is now."""

    def __init__(self, rig: Rig) -> None:
        self._rig, self._scene = rig, rig.scene
        self._harness, self._drives = rig.harness, rig.drives
        self._opto = Opto(rig.scene)

    def fit(self) -> None:
        """The circuit was built anew: which bridges drive which coils."""
        scene, harness, drives = self._scene, self._harness, self._drives
        for number, joint in enumerate(scene.joint):
            drive = drives[number]
            others = map(scene.joint_number, harness.feeding_drives(joint))
            drive.wire(
                harness.coil_currents(joint),
                [(drives[n], harness.coil_currents(joint, scene.joint[n])) for n in others],
            )

    def watch_standstill(self) -> None:
        """Let drives that get no steps for a while cut their current, and those that do, not."""
        for drive in self._drives:
            if drive.moving or drive.standstill_current >= 1:
                drive.idle_since, drive.standing_current = None, 1.0
            elif drive.idle_since is None:
                drive.idle_since = self._rig.now

                def stand(drive: Drive = drive, since: int = self._rig.now) -> None:
                    if drive.idle_since == since:
                        self._rig.motion.settle(self._rig.now)
                        drive.standing_current = drive.standstill_current
                        self._rig.motion.changed(self._rig.now)

                self._rig.at(self._rig.now + ticks(self._scene.drive.standstill_s), stand)

    def refresh(self, island: Island) -> None:
        """What the drives on an island make of their inputs and supply."""
        # Whose inputs hang on it, not whose outputs: a plug may sit in the neighbour's socket.
        names = set(self._harness.joints_in(island))
        names |= {c.name.split(".")[0] for c in island.choices if c.name.endswith(".DRIVE")}
        numbers = [n for n, joint in enumerate(self._scene.joint) if joint.name in names]
        changed = []
        for number in numbers:
            joint, drive = self._scene.joint[number], self._drives[number]
            direction, step, enable = self._harness.lit(joint)
            if step and not drive.step_lit and drive.energised:
                self._rig.motion.settle(self._rig.now)
                drive.step(self._sign(direction))
                changed.append(number)
            if direction != drive.direction_lit:
                self._turn_direction(number, direction)
            drive.step_lit, drive.enable_lit = step, enable
            drive.supply_v = self._harness.drive_supply_v(joint)
            supplied = drive.supply_v >= self._scene.drive.undervoltage_v
            if drive.supplied and not supplied:
                self._rig.motion.settle(self._rig.now)
                drive.lose_supply(self._rig.now)
            drive.supplied = supplied
            energised = drive.supplied and enable == self._scene.drive.enable_lit
            if energised != drive.energised:
                self._rig.motion.settle(self._rig.now)
                drive.energised = energised
                self._rig.trace.edge(f"{joint.name}.DRIVE", int(energised))
                changed.append(number)
        self._route_steps(numbers)
        for number in set(changed):
            name = f"{self._scene.joint[number].name}.DRIVE"
            self._harness.set(name, int(self._drives[number].energised))
        if changed:
            self._rig.choppers_changed()
            self._rig.motion.changed(self._rig.now)

    def _turn_direction(self, number: int, lit: bool) -> None:
        """A DIR input lights or goes dark: its opto makes the drive see it, now or later."""
        joint, drive = self._scene.joint[number], self._drives[number]
        amps = self._harness.opto_amps(joint)[0]
        late_s = self._opto.direction_late_s(lit, amps, drive.late_s)
        drive.direction_lit = lit
        drive.direction_change += 1
        if not late_s:
            drive.direction_taken = lit
            return

        def seen(change: int = drive.direction_change) -> None:
            if change == drive.direction_change:
                self._rig.catch_up()
                drive.direction_taken = lit
                self._route_steps([number])
                self._rig.motion.changed(self._rig.now)

        self._rig.at(self._rig.now + ticks(late_s), seen)

    def _sign(self, direction_lit: bool) -> int:
        lit = self._scene.drive.direction_lit
        return lit if direction_lit else -lit

    def _route_steps(self, numbers: Sequence[int]) -> None:
        """Find which pulse generator each drive follows, by raising each STEP output in turn."""
        feeds: dict[int, list[tuple[Axis, int, float]]] = {number: [] for number in numbers}
        islands = {
            id(isle): isle
            for number in numbers
            for isle in [
                self._harness.circuit.island_of[f"{self._scene.joint[number].name}.OPTO0V"]
            ]
        }
        for isle in islands.values():
            listening = [self._scene.joint_number(name) for name in self._harness.joints_in(isle)]
            for axis, joint in enumerate(self._scene.joint):
                output = f"{joint.name}.STEP"
                if self._harness.circuit.island_of_choice.get(output) is not isle:
                    continue
                before = {n: self._harness.lit(self._scene.joint[n]) for n in listening}
                self._harness.settings[output] = 1
                during = {n: self._harness.lit(self._scene.joint[n]) for n in listening}
                amps = {n: self._harness.opto_amps(self._scene.joint[n])[1] for n in listening}
                self._harness.settings[output] = 0
                for n in listening:
                    if during[n][1] != before[n][1] and self._drives[n].energised:
                        # The opto lights at the pulse, or at its end when it is wired upside down.
                        at_edge = during[n] if during[n][1] else before[n]
                        direction, drive = at_edge[0], self._drives[n]
                        if direction == drive.direction_lit:  # not moved by the pulse itself
                            direction = drive.direction_taken
                        share = self._opto.taken(amps[n]) if during[n][1] else 1.0
                        if share:
                            feed = self._rig.card.axis[axis], self._sign(direction), share
                            feeds.setdefault(n, []).append(feed)
        for number, fed in feeds.items():
            self._drives[number].feed(self._rig.now, fed)
