"""How the arm moves: in closed form while every moving joint is locked, in the engine otherwise.

When torque use passes a threshold, a load jumps, a hard stop or a touch is near, a hand pushes
against a live drive, a coil is faulty or a limp link may fall, the engine takes over from the state
of that tick, and gives back when all is locked again. Both work on one pose.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial

from ..scenes import Scene
from .body import Body
from .clearance import Clearance
from .clock import NEVER
from .drive import Drive
from .individual import Individual
from .locked import Locked, Reached
from .moves import Moves
from .pose import STOP_MARGIN_RAD, HandPath, Pose, Wait
from .slipping import CHECK_EVERY, SUBSTEP, Slipping
from .switch import Switch
from .telling import Telling
from .transmission import Transmission

LEAVE_LOCK = 0.80
"""Torque use, jumps counted in, at which the engine takes over."""
RELOCK = 0.75
LEAVE_JUMP_RAD = math.radians(0.005)
"""A shaft that a jump of its load sends further than this rings too wide for the closed form: by
twice as much, so that the closed form, the middle of it, stays within 0.01 deg."""
MOST_LAG_RAD = math.asin(0.9)
"""Of the electrical turn: further behind its field no rotor is locked. (Strain is looked at where a
stretch ends; over the 0.1 s of one it does not climb from `LEAVE_LOCK` to this.)"""
_CLOSE_RAD = 2.5e-3  # at the motor: engine and closed form agree
_STILL_RAD_S = 1e-3
_CHECKS_IN_A_ROW = 5


def _nothing() -> None:
    """What happens at a mere checkpoint."""


def _strained(reached: Reached) -> bool:
    return reached.strain > LEAVE_LOCK or reached.jump > LEAVE_JUMP_RAD


class Motion:
    """Positions of all joints over time.

    `on_cam(joint)` is called when a cam moves a switch, `on_move()` when the pose was committed.
    """

    def __init__(
        self,
        scene: Scene,
        individual: Individual,
        body: Body,
        clearance: Clearance,
        drives: list[Drive],
        gears: list[Transmission],
        switches: list[Switch],
        on_cam: Callable[[int], None],
        on_move: Callable[[], None],
    ) -> None:
        self._pose = Pose(scene, individual, body, clearance, drives, gears, switches)
        self._locked = Locked(self._pose)
        self._slipping = Slipping(self._pose)
        self._on_cam, self._on_move = on_cam, on_move
        self._held: set[int] = set()
        self._telling = Telling(self._pose, self._locked)
        self.engine = False
        self.resting = False
        self._good_checks = self._still_checks = 0
        self._interrupted = False
        self._plan: tuple[int, Callable[[], None]] | None = None

    # --- what the rig asks -----------------------------------------------------------------

    @property
    def tick(self) -> int:
        """The tick of the pose."""
        return self._pose.tick

    @property
    def position(self) -> list[float]:
        """Joint angles of the pose, rad."""
        return self._pose.position

    @property
    def shaft(self) -> list[float]:
        """Motor shafts of the pose, in joint rad."""
        return self._pose.shaft

    @property
    def stand(self) -> bool:
        """Whether limp links rest on a stand."""
        return self._pose.stand

    @stand.setter
    def stand(self, on: bool) -> None:
        self._pose.stand = on

    def lead(self, hand: HandPath | None) -> None:
        """Let a hand lead a joint, or let go (between `settle` and `changed`)."""
        self._pose.hand = hand

    def wait(self, who: int, what: Wait | None) -> None:
        """Commit the pose at the tick at which these bounds are left (after `settle`)."""
        if what is None:
            self._pose.waits.pop(who, None)
        else:
            self._pose.waits[who] = what
        self._plan = None

    @property
    def waiting(self) -> bool:
        """Whether anybody waits for bounds to be left."""
        return bool(self._pose.waits)

    def motor_rad(self, joint: int, shaft_rad: float) -> float:
        """The motor shaft's angle at the motor for its angle in joint rad."""
        return self._pose.motor_rad(joint, shaft_rad)

    def positions(self, tick: int) -> list[float]:
        """Joint angles in rad at a tick not after the next thing that happens."""
        return self.places(tick)[0]

    def places(self, tick: int) -> tuple[list[float], list[float]]:
        """Joint angles, and motor shafts in joint rad: apart by what play there is."""
        if self.engine or tick == self._pose.tick or not self._locked.movers:
            return self._pose.position, self._pose.shaft
        reached = self._locked.evaluate(tick)[1]
        return reached.position, reached.shaft

    def field(self, joint: int, tick: int) -> float | None:
        """Where a joint's shaft would be with no load on it (joint rad), while all is locked and
        its motor gets current; else None.
        """
        if self.engine or not self._pose.drives[joint].live:
            return None
        return self._locked.wanted(joint, tick)

    def settle(self, tick: int) -> None:
        """Bring the state up to `tick` before something changes there."""
        if self.engine:
            if self.resting:  # nothing moved; the sub-steps begin again from here
                self._pose.tick = tick
                self._telling.engine_from(tick)
        elif tick > self._pose.tick:
            self._commit(tick)

    def changed(self, tick: int) -> None:
        """Drives, parts, hand or stand changed at `tick` (after `settle(tick)`)."""
        pose, locked = self._pose, self._locked
        self._plan = None
        self.resting = False
        self._good_checks = self._still_checks = 0
        for joint in range(pose.count):
            pose.bound(joint)
        self._telling.geared()
        new, self._held = pose.live() - self._held, pose.live()
        if self.engine:
            self._slipping.set_frictions()
            locked.freeze(tick)
            if new and pose.stand:
                self._settle_enabled(tick, new)
            return
        if pose.stand:
            self._settle_odd(tick, new)
        locked.capture(tick)
        # The stand carries a link while its rotor settles: nothing swings then.
        locked.settling = new if pose.stand else set()
        if pose.needs_engine():
            self._start_engine(tick)
        elif self._held:
            reached = locked.evaluate(tick)[1]
            at = reached.position
            if _strained(reached) or not (pose.clear(at) and pose.clearance.free(at)):
                self._start_engine(tick)
            else:
                self._arrive(tick)
        else:
            self._telling.stood(tick)

    def _settle_enabled(self, tick: int, new: set[int]) -> None:
        """Pull rotors that have just been energised into their wells.

        While they settle the stand still carries their links, so each comes to rest in the
        nearest well; without a stand the engine shows what they do.
        """
        pose = self._pose
        self._settle_odd(tick, new)
        new = {joint for joint in new if pose.drives[joint].regular}
        for joint in new:
            pose.drives[joint].capture(tick, pose.motor_rad(joint, pose.shaft[joint]))
        self._locked.freeze(tick)
        reached = self._locked.evaluate(tick)[1]
        for joint in new:
            pose.position[joint] = reached.position[joint]
            pose.shaft[joint] = reached.shaft[joint]
        self._slipping.place()

    def _settle_odd(self, tick: int, new: set[int]) -> None:
        """The same for motors whose coils get odd currents, where those can bear the load."""
        pose = self._pose
        odd = [joint for joint in new if not pose.drives[joint].regular]
        if not odd:
            return
        still = [0.0] * pose.count
        load = pose.body.inverse_dynamics(list(pose.position), still, still)
        for joint in odd:
            drive, gear = pose.drives[joint], pose.gears[joint]
            first, second = drive.coil_currents(tick, drive.strength(tick))
            peak = gear.torque_ratio * drive.holding_n_m * math.hypot(first, second)
            if abs(load[joint]) > LEAVE_LOCK * abs(peak):
                continue
            rotor = pose.motor_rad(joint, pose.shaft[joint]) * drive.teeth
            rest = math.atan2(second, first) - math.asin(load[joint] / peak)
            turn = math.remainder(rest - rotor, 2 * math.pi) / (drive.teeth * gear.to_motor)
            pose.position[joint] += turn
            pose.shaft[joint] += turn

    def next_tick(self) -> int:
        """When the next thing happens by itself: a checkpoint, a cam, a sub-step."""
        if self.engine:
            return NEVER if self.resting else self._pose.tick + SUBSTEP
        if self._plan is None:
            self._plan = self._make_plan()
        return self._plan[0]

    def proceed(self, limit: int) -> None:
        """Do the next thing, or sub-steps up to `limit`."""
        if self.engine:
            self._slipping.run(limit, self._slipped)
            return
        assert self._plan is not None
        tick, action = self._plan
        self._plan = None
        self._commit(tick)
        action()

    # --- closed form -----------------------------------------------------------------------

    def _commit(self, tick: int) -> None:
        if self._locked.movers:
            self._arrive(tick)
        else:
            self._pose.tick = tick

    def _arrive(self, tick: int) -> None:
        before = self._pose.shaft
        arrival = self._locked.arrive(tick)
        self._telling.arrived(arrival, before)
        self._on_move()

    def _make_plan(self) -> tuple[int, Callable[[], None]]:
        if not self._locked.movers:
            return NEVER, _nothing
        start = self._pose.tick
        end = self._locked.next_checkpoint(start)
        reached = self._locked.evaluate(end)[1]
        if _strained(reached):
            return start, partial(self._start_engine, start)
        tick, action = self._first_crossing(start, end, reached.position)
        near = self._pose.clearance.until(start, tick, self._position_at, self._pose.position)
        if near < tick:
            return near, partial(self._start_engine, near)
        if self._pose.waits and (awaited := self._first_awaited(start, tick)) < tick:
            return awaited, _nothing
        return tick, action

    def _position_at(self, tick: int) -> list[float]:
        return self._locked.evaluate(tick)[1].position

    def _first_crossing(
        self, start: int, end: int, position: list[float]
    ) -> tuple[int, Callable[[], None]]:
        """The first cam or hard stop on the way, or the checkpoint itself."""
        pose = self._pose
        first = end
        action: Callable[[], None] = _nothing
        for joint, angle in enumerate(position):
            if not pose.low[joint] < angle < pose.high[joint]:
                edge = pose.high[joint] if angle >= pose.high[joint] else pose.low[joint]
                tick = self._locked.crossing(joint, edge, start, end)
                if tick < first or (tick == end == first):
                    first, action = tick, partial(self._cam, joint)
            low, high = pose.stops[joint]
            if not low + STOP_MARGIN_RAD < angle < high - STOP_MARGIN_RAD:
                up = angle > 0.5 * (low + high)
                edge = high - STOP_MARGIN_RAD if up else low + STOP_MARGIN_RAD
                tick = self._locked.crossing(joint, edge, start, end) - 1
                if tick < first:
                    first = max(tick, start)
                    action = partial(self._start_engine, first)
        return first, action

    def _first_awaited(self, start: int, end: int) -> int:
        """When somebody's bounds are left, at `end` at the latest."""
        first, reached = end, self._locked.evaluate(end)[1]
        for joint, on_shaft, low, high, fine in self._pose.waits.values():
            angle = (reached.shaft if on_shaft else reached.position)[joint]
            if fine:
                first = min(first, start + SUBSTEP)
            elif not low < angle < high:
                edge = high if angle >= high else low
                first = min(first, self._locked.crossing(joint, edge, start, end, on_shaft))
        return first

    def _cam(self, joint: int) -> None:
        switch = self._pose.switches[joint]
        low, high = switch.bounds_deg()
        # On the edge itself by construction: go just past it, whatever the last bit says.
        angle = self._pose.scene.joint[joint].from_si(self._pose.position[joint])
        past = low if abs(angle - low) < abs(angle - high) else high
        if switch.move_cam(past):
            self._pose.bound(joint)
            self._on_cam(joint)

    # --- engine ----------------------------------------------------------------------------

    def _start_engine(self, tick: int) -> None:
        pose = self._pose
        pose.velocity = [0.0] * pose.count
        if self._locked.movers and tick == pose.tick:
            pose.velocity = list(self._locked.evaluate(tick)[0].velocity)
        self.engine, self.resting, self._plan = True, False, None
        self._good_checks = self._still_checks = 0
        pose.tick = tick
        self._telling.engine_from(tick)
        self._slipping.start()

    def _slipped(self, tick: int, torques: list[float]) -> bool:
        """The engine has come to `tick`; True when it may rest or leave."""
        pose = self._pose
        self._telling.slipped(tick, torques)
        self._on_move()
        for joint, angle in enumerate(pose.position):
            inside = pose.low[joint] < angle < pose.high[joint]
            if not inside and pose.move_cam(joint, angle):
                pose.bound(joint)
                self._on_cam(joint)
        interrupted, self._interrupted = self._interrupted, False
        if self._slipping.substeps % CHECK_EVERY:
            return interrupted
        return self._may_leave_engine(tick) or interrupted

    def interrupt(self) -> None:
        """Something is due at the tick that was just reached: no more sub-steps before it."""
        self._interrupted = True

    def _may_leave_engine(self, tick: int) -> bool:
        """Go back to the closed form, or to rest, once either holds for some checks in a row."""
        pose = self._pose
        still = max(map(abs, pose.velocity)) < _STILL_RAD_S and not self._locked.movers
        self._still_checks = self._still_checks + 1 if still else 0
        self._good_checks = self._good_checks + 1 if self._agree(tick) else 0
        if self._good_checks >= _CHECKS_IN_A_ROW:
            self.engine = False
            pose.velocity = [0.0] * pose.count
            self._arrive(tick)
            return True
        if self._still_checks >= 2 * _CHECKS_IN_A_ROW:
            self.resting = True
            return True
        return False

    def _agree(self, tick: int) -> bool:
        """Whether the closed form, started here, would agree with the engine."""
        pose = self._pose
        for joint in self._locked.movers:  # what slips is soon seen
            drive = pose.drives[joint]
            if (
                drive.live
                and drive.lag_rad(tick, pose.motor_rad(joint, pose.shaft[joint])) > MOST_LAG_RAD
            ):
                return False
        if pose.needs_engine() or not pose.clear(pose.position):
            return False
        if not pose.clearance.free(pose.position, in_engine=True):
            return False
        self._locked.capture(tick)
        reached = self._locked.evaluate(tick)[1]
        if reached.strain > RELOCK or not pose.clear(reached.position):
            return False
        return all(
            abs(ours - theirs) * abs(gear.to_motor) < _CLOSE_RAD
            for ours, theirs, gear in zip(reached.position, pose.position, pose.gears, strict=True)
        )

    # --- recording -------------------------------------------------------------------------

    def record(self, now: int) -> Moves:
        """Record every stretch from the one under way on."""
        return self._telling.start(now, in_engine=self.engine)

    def stop_recording(self) -> None:
        """No more of that."""
        self._telling.stop()

    def recorded(self, tick: int) -> Moves:
        """All stretches recorded, and as much as there is of the one under way at `tick`."""
        return self._telling.until(tick, in_engine=self.engine)
