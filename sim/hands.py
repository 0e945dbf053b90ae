"""A person's hands at the arm: turn a joint, press a switch, work the supply switch and the stand."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Protocol

from ..errors import HandBusy
from ..scenes import Scene
from .clock import ticks
from .drive import Drive
from .harness import Harness
from .motion import HandPath, Motion
from .switch import Switch
from .transmission import Transmission


class Bench(Protocol):
    """What the hands work on."""

    @property
    def now(self) -> int: ...
    @property
    def scene(self) -> Scene: ...
    @property
    def motion(self) -> Motion: ...
    @property
    def drives(self) -> list[Drive]: ...
    @property
    def gears(self) -> list[Transmission]: ...
    @property
    def switches(self) -> list[Switch]: ...
    @property
    def harness(self) -> Harness: ...
    def at(self, tick: int, callback: Callable[[], None]) -> None:
        """Run a callback at a tick."""

    def moved_switch(self, joint: int) -> None:
        """A switch's lever was moved."""

    def supply_changed(self) -> None:
        """The 24 V supply switch was thrown."""

    def notify(self) -> None:
        """Something happened that a person may be waiting for."""


class Hands:
    """Joint numbers from 0. One hand: it turns one joint at a time."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._felt = ["FREE"] * len(bench.scene.joint)
        self.busy = False
        self.events = 0

    def turn(self, joint: int, deg: float, deg_per_s: float | None = None) -> None:
        """Lead a joint by so many degrees; `busy` until done, then `feel` tells how it went.

        A limp joint follows; against a live drive the hand pushes with what force it has.
        Raises `HandBusy` while another turn goes on.
        """
        if self.busy:
            raise HandBusy("the hand is still turning: wait for *OPC? first")
        bench, hand = self._bench, self._bench.scene.gauges.hand
        motion, now = bench.motion, bench.now
        motion.settle(now)
        start = motion.positions(now)[joint]
        wanted = start + math.radians(deg)
        target, felt = wanted, "FREE"
        limp = not bench.drives[joint].energised
        if limp and motion.stand:
            low, high = (math.radians(stop) for stop in bench.scene.joint[joint].stops_deg)
            margin = math.radians(0.05)
            target = min(max(wanted, low + margin), high - margin)
            felt = "FREE" if target == wanted else "STOP"
            target, felt = self._held_up(joint, start, target, felt)
        rate = math.radians(deg_per_s or hand.speed_deg_s)
        duration = abs(target - start) / rate
        end = now + max(ticks(duration), 1)
        signed = math.copysign(rate, target - start) if duration else 0.0
        motion.hand = HandPath(joint, now, end, start, signed, hand.torque_n_m)
        self.busy = True
        motion.changed(now)
        bench.at(end, lambda: self._let_go(joint, wanted, felt))

    def _held_up(
        self, joint: int, start: float, target: float, felt: str
    ) -> tuple[float, str]:
        """Where a led joint comes to when it grows too stiff for the hand on the way."""
        gear, limit = self._bench.gears[joint], self._bench.scene.gauges.hand.torque_n_m
        if gear.resistance_n_m(start, False) > limit:
            return start, "STIFF"
        sign = 1 if target > start else -1
        edge = gear.bind_rad[0] if sign > 0 else gear.bind_rad[1]
        ahead = 0 < (edge - start) * sign <= (target - start) * sign
        if gear.bind_n_m and ahead and gear.resistance_n_m(edge, False) > limit:
            return edge - sign * math.radians(0.01), "STIFF"
        return target, felt

    def _let_go(self, joint: int, wanted: float, felt: str) -> None:
        bench = self._bench
        bench.motion.settle(bench.now)
        reached = bench.motion.positions(bench.now)[joint]
        if felt == "FREE" and abs(reached - wanted) > math.radians(0.5):
            low, high = bench.scene.joint[joint].stops_deg
            angle = math.degrees(reached)
            felt = "STOP" if min(angle - low, high - angle) < 0.5 else "STIFF"
        self._felt[joint] = felt
        bench.motion.hand = None
        bench.motion.changed(bench.now)
        self.busy = False
        self.events += 1
        bench.notify()

    def feel(self, joint: int) -> str:
        """How the last turn of a joint felt: FREE, STIFF (it resisted) or STOP (ran into one)."""
        return self._felt[joint]

    def press(self, joint: int) -> None:
        """Hold a joint's limit switch down with a finger."""
        self._bench.switches[joint].by_finger = True
        self._bench.moved_switch(joint)

    def release(self, joint: int) -> None:
        """Take the finger off."""
        self._bench.switches[joint].by_finger = False
        self._bench.moved_switch(joint)

    @property
    def motor_supply(self) -> bool:
        """Whether the 24 V supply switch is on."""
        return self._bench.harness.motor_supply

    def set_motor_supply(self, on: bool) -> None:
        """Throw the 24 V supply switch."""
        self._bench.harness.set_motor_supply(on)
        self._bench.supply_changed()

    @property
    def stand(self) -> bool:
        """Whether limp links rest on a stand."""
        return self._bench.motion.stand

    def set_stand(self, on: bool) -> None:
        """Put the stand under the links, or take it away: then what is limp falls."""
        motion = self._bench.motion
        motion.settle(self._bench.now)
        motion.stand = on
        motion.changed(self._bench.now)
