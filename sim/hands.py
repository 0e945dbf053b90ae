"""A person's hands at the arm: a joint, a switch, supplies, plugs, a test resistor, the stand."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from ..errors import HandBusy, NoBrake, StopPressed
from .clock import TICKS_PER_S, ticks
from .pose import HandPath

if TYPE_CHECKING:
    from .rig import Rig


class Hands:
    """Joint numbers from 0. One hand: it turns one joint at a time."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._felt = ["FREE"] * len(rig.scene.joint)
        self._wiggled_until = [0] * len(rig.scene.joint)
        self.busy = False
        self.events = 0

    def turn(self, joint: int, deg: float, deg_per_s: float | None = None) -> None:
        """Lead a joint by so many degrees; `busy` until done, then `feel` tells how it went.

        A limp joint follows; against a live drive the hand pushes with what force it has.
        Raises `HandBusy` while another turn goes on.
        """
        if self.busy:
            raise HandBusy("the hand is still turning: wait for *OPC? first")
        rig, hand = self._rig, self._rig.scene.gauges.hand
        part = rig.scene.joint[joint]
        motion, now = rig.motion, rig.now
        rig.catch_up()
        start = motion.positions(now)[joint]
        wanted = start + part.to_si(deg)
        target, felt = wanted, "FREE"
        limp = not rig.drives[joint].live
        if limp and motion.stand:
            low, high = map(part.to_si, part.stops_deg)
            margin = part.to_si(0.05)
            target = min(max(wanted, low + margin), high - margin)
            felt = "FREE" if target == wanted else "STOP"
            target, felt = self._held_up(joint, start, target, felt)
        rate = part.to_si(deg_per_s or hand.speed_deg_s)
        duration = abs(target - start) / rate
        end = now + max(ticks(duration), 1)
        signed = math.copysign(rate, target - start) if duration else 0.0
        limit = hand.force_n if part.kind == "linear" else hand.torque_n_m
        motion.lead(HandPath(joint, now, end, start, signed, limit))
        self.busy = True
        motion.changed(now)
        rig.at(end, lambda: self._let_go(joint, wanted, felt))

    def _held_up(self, joint: int, start: float, target: float, felt: str) -> tuple[float, str]:
        """Where a led joint comes to when it grows too stiff for the hand on the way."""
        gear, part = self._rig.gears[joint], self._rig.scene.joint[joint]
        hand = self._rig.scene.gauges.hand
        limit = hand.force_n if part.kind == "linear" else hand.torque_n_m
        if gear.resistance_n_m(start, False) > limit:
            return start, "STIFF"
        sign = 1 if target > start else -1
        edge = gear.bind_rad[0] if sign > 0 else gear.bind_rad[1]
        ahead = 0 < (edge - start) * sign <= (target - start) * sign
        if gear.bind_n_m and ahead and gear.resistance_n_m(edge, False) > limit:
            return edge - sign * part.to_si(0.01), "STIFF"
        return target, felt

    def _let_go(self, joint: int, wanted: float, felt: str) -> None:
        rig = self._rig
        rig.motion.settle(rig.now)
        reached, part = rig.motion.positions(rig.now)[joint], rig.scene.joint[joint]
        if felt == "FREE" and abs(reached - wanted) > part.to_si(0.5):
            low, high = part.stops_deg
            angle = part.from_si(reached)
            hit = min(angle - low, high - angle) < 0.5 or rig.touching()
            felt = "STOP" if hit else "STIFF"
        self._felt[joint] = felt
        rig.motion.lead(None)
        rig.motion.changed(rig.now)
        self.busy = False
        self.events += 1
        rig.notify()

    def feel(self, joint: int) -> str:
        """How the last turn of a joint felt: FREE, STIFF (it resisted), STOP (it ran into a stop,
        the table or the arm itself).
        """
        return self._felt[joint]

    def wiggle(self, joint: int) -> None:
        """Wiggle a joint's cable for a second."""
        self._wiggled_until[joint] = self._rig.now + TICKS_PER_S
        self._rig.notify()

    def wiggling(self, joint: int) -> bool:
        """Whether a joint's cable is being wiggled."""
        return self._rig.now < self._wiggled_until[joint]

    @property
    def pushed(self) -> str | None:
        """Which way a person leans on the base, if at all: one of `WAYS`."""
        return self._rig.base.pushed

    def push(self, way: str | None) -> None:
        """Lean on the base's column that way (`FORWARD`, `BACK`, `LEFT`, `RIGHT`), or let go."""
        self._rig.base.pushed = way

    def press(self, joint: int) -> None:
        """Hold a joint's limit switch down with a finger."""
        self._rig.switches[joint].by_finger = True
        self._rig.wired.moved_switch(joint)

    def release(self, joint: int) -> None:
        """Take the finger off."""
        self._rig.switches[joint].by_finger = False
        self._rig.wired.moved_switch(joint)

    def pull_brake(self, joint: int, is_open: bool) -> None:
        """Hold a joint's brake open by its lever, or let go. Raises `NoBrake`."""
        rig, part = self._rig, self._rig.scene.joint[joint]
        if not part.brake_n_m:
            having = [each.name for each in rig.scene.joint if each.brake_n_m]
            raise NoBrake(f"{part.name} has no brake; joints that have: {', '.join(having) or '-'}")
        rig.motion.settle(rig.now)
        rig.gears[joint].pull_lever(is_open)
        rig.motion.changed(rig.now)

    def brake_open(self, joint: int) -> bool:
        """Whether the lever of a joint's brake is held open."""
        return self._rig.gears[joint].lever

    @property
    def main_supply(self) -> bool:
        """Whether the switch of all three supplies is on."""
        return self._rig.harness.main_supply

    def set_main_supply(self, on: bool) -> None:
        """Throw the switch of all three supplies; the card's logic lives on the host's cable."""
        self._rig.harness.set_main_supply(on)
        self._rig.supply_changed()

    @property
    def plugs_out(self) -> list[str]:
        """The plugs that are out, such as `J5.SW`."""
        return self._rig.harness.plugs.out

    def plug(self, name: str, inserted: bool) -> None:
        """Put a plug in or pull it. Raises `UnknownPlug`."""
        harness = self._rig.harness
        harness.plugs.put(name, inserted)
        self._rig.fit(harness.parts)

    @property
    def clip(self) -> tuple[str, str] | None:
        """The two terminals between which the test resistor is clipped."""
        return self._rig.harness.clip

    def put_clip(self, ends: tuple[str, str] | None) -> None:
        """Clip the test resistor of 10 kohm between two terminals, or take it off.

        Raises `UnknownTerminal`.
        """
        harness = self._rig.harness
        for end in ends or ():
            harness.node(end)
        harness.clip = ends
        self._rig.fit(harness.parts)

    @property
    def motor_supply(self) -> bool:
        """Whether the 24 V supply switch is on."""
        return self._rig.harness.motor_supply

    def set_motor_supply(self, on: bool) -> None:
        """Switch the 24 V supply. Raises `StopPressed` for on while the STOP button is in."""
        if on and self.stop:
            raise StopPressed("the STOP button is in: pull it out first, when all is clear")
        self._rig.harness.set_motor_supply(on)
        self._rig.supply_changed()

    @property
    def stop(self) -> bool:
        """Whether the STOP button is in."""
        return self._rig.harness.stop_pressed

    def press_stop(self, pressed: bool) -> None:
        """Push the STOP button in, which takes 24 V from the drives, or pull it out again.

        Pulling it out brings no power back: that takes `set_motor_supply`.
        """
        self._rig.set_stop(pressed)

    @property
    def stand(self) -> bool:
        """Whether limp links rest on a stand."""
        return self._rig.motion.stand

    def set_stand(self, on: bool) -> None:
        """Put the stand under the links, or take it away: then what is limp falls."""
        motion = self._rig.motion
        motion.settle(self._rig.now)
        motion.stand = on
        motion.changed(self._rig.now)
