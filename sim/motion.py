"""How the arm moves: in closed form while every moving joint is locked, in the engine otherwise.

Locked: a rotor follows its field, behind it by the load angle asin(T/Th)/p; the torque comes from
inverse dynamics. Positions are a pure function of the tick, so nothing depends on how a stretch of
time is cut into pieces. When torque use passes a threshold, a hard stop is near, a hand pushes
against a live drive, a coil is faulty or a limp link may fall, the engine takes over from the
state of that tick with the full torque-angle curve, and gives back when all is locked again.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

from ..scenes import Scene
from .body import SUBSTEP_HZ, Body
from .clock import NEVER, TICKS_PER_S
from .drive import Drive
from .individual import Individual
from .switch import Switch

SUBSTEP = TICKS_PER_S // SUBSTEP_HZ
CHECKPOINT = TICKS_PER_S // 10
LEAVE_LOCK = 0.80
"""Torque use at which the engine takes over."""
RELOCK = 0.75
_CLOSE_RAD = 2.5e-3  # at the motor: engine and closed form agree
_STILL_RAD_S = 1e-3
_CHECK_EVERY = 16
_CHECKS_IN_A_ROW = 5
_STOP_MARGIN_RAD = math.radians(0.02)
_HELD_N_M = 1e4  # friction of a limp joint whose link rests on the stand
_HAND_N_M_PER_RAD = 300.0
_HAND_N_M_S_PER_RAD = 0.5


class HandPath(NamedTuple):
    """A hand that leads one joint from `start_rad` at `rate_rad_s` until `end`."""

    joint: int
    start: int
    end: int
    start_rad: float
    rate_rad_s: float
    limit_n_m: float

    def at(self, tick: int) -> tuple[float, float]:
        """Where the hand wants the joint, and how fast."""
        if tick >= self.end:
            return self.start_rad + self.rate_rad_s * (self.end - self.start) / TICKS_PER_S, 0.0
        return (
            self.start_rad + self.rate_rad_s * (tick - self.start) / TICKS_PER_S,
            self.rate_rad_s,
        )


class Motion:
    """Positions of all joints over time. `on_cam(joint)` is called when a cam moves a switch."""

    def __init__(
        self,
        scene: Scene,
        individual: Individual,
        body: Body,
        drives: list[Drive],
        switches: list[Switch],
        on_cam: Callable[[int], None],
        on_move: Callable[[int, int], None],
    ) -> None:
        joints = scene.joint
        self._body, self._drives, self._switches = body, drives, switches
        self._on_cam, self._on_move = on_cam, on_move
        self._friction = individual.friction_n_m
        self._phase = individual.rotor_phase_rad
        self._to_joint = [joint.direction / joint.ratio for joint in joints]
        self._to_motor = [joint.direction * joint.ratio for joint in joints]
        self._torque_ratio = [j.direction * j.ratio * j.efficiency for j in joints]
        self._stops = [tuple(math.radians(stop) for stop in j.stops_deg) for j in joints]
        self._count = len(joints)
        self.tick = 0
        self.position = [math.radians(angle) for angle in individual.start_pose_deg]
        self.velocity = [0.0] * self._count
        self._rates = [0.0] * self._count
        self._movers: list[int] = []
        self._held: set[int] = set()
        self._live: list[tuple[int, float, float]] = []
        self._place = list(self.position)
        self._cached: tuple[int, list[float], float] | None = None
        self.stand = True
        self.hand: HandPath | None = None
        self.engine = False
        self.resting = False
        self._good_checks = self._still_checks = self._substeps = 0
        self._plan: tuple[int, Callable[[], None]] | None = None
        self._bounds_low = [0.0] * self._count
        self._bounds_high = [0.0] * self._count
        for joint in range(self._count):
            switches[joint].move_cam(math.degrees(self.position[joint]))
            self._bound(joint)

    def motor_rad(self, joint: int, position_rad: float) -> float:
        """The motor shaft's angle for a joint angle."""
        return position_rad * self._to_motor[joint] + self._phase[joint]

    def friction_n_m(self, joint: int) -> float:
        """Coulomb friction at a joint."""
        return self._friction[joint]

    def _bound(self, joint: int) -> None:
        low, high = self._switches[joint].bounds_deg()
        self._bounds_low[joint], self._bounds_high[joint] = math.radians(low), math.radians(high)

    # --- what the rig asks -----------------------------------------------------------------

    def positions(self, tick: int) -> list[float]:
        """Joint angles in rad at a tick not after the next thing that happens."""
        if self.engine or tick == self.tick or not self._moving():
            return self.position
        return self._evaluate(tick)[0]

    def settle(self, tick: int) -> None:
        """Bring the state up to `tick` before something changes there."""
        if self.engine:
            if self.resting:  # nothing moved; the sub-steps begin again from here
                self.tick = tick
        elif tick > self.tick:
            self._commit(tick)

    def changed(self, tick: int) -> None:
        """Drives, parts, hand or stand changed at `tick` (after `settle(tick)`)."""
        self._plan = None
        self.resting = False
        self._good_checks = self._still_checks = 0
        for joint in range(self._count):
            self._bound(joint)
        if self.engine:
            self._set_frictions()
            self._freeze(tick)
            self._settle_enabled(tick)
            return
        self._capture(tick)
        self._held = {joint for joint, drive in enumerate(self._drives) if drive.energised}
        if self._needs_engine():
            self._start_engine(tick)
        elif any(drive.energised for drive in self._drives):
            position, worst = self._evaluate(tick)
            if worst > LEAVE_LOCK or not self._clear(position):
                self._start_engine(tick)
            else:
                self._arrive(tick, position)

    def _settle_enabled(self, tick: int) -> None:
        """Pull rotors that have just been energised into their wells.

        While they settle the stand still carries their links, so each comes to rest in the
        nearest well; without a stand the engine shows what they do.
        """
        new = [
            joint
            for joint, drive in enumerate(self._drives)
            if drive.energised and joint not in self._held and drive.regular
        ]
        self._held = {joint for joint, drive in enumerate(self._drives) if drive.energised}
        if not new or not self.stand:
            return
        for joint in new:
            drive = self._drives[joint]
            drive.capture(tick, self.motor_rad(joint, self.position[joint]))
        self._freeze(tick)
        settled = self._evaluate(tick)[0]
        self.position = [
            settled[joint] if joint in new else angle for joint, angle in enumerate(self.position)
        ]
        self._body.set_state(self.position, self.velocity)

    def next_tick(self) -> int:
        """When the next thing happens by itself: a checkpoint, a cam, a sub-step."""
        if self.engine:
            return NEVER if self.resting else self.tick + SUBSTEP
        if self._plan is None:
            self._plan = self._make_plan()
        return self._plan[0]

    def proceed(self, limit: int) -> int:
        """Do the next thing, or sub-steps up to `limit`; returns the tick reached."""
        if self.engine:
            return self._run_engine(limit)
        assert self._plan is not None
        tick, action = self._plan
        self._plan = None
        self._commit(tick)
        action()
        return tick

    # --- closed form -----------------------------------------------------------------------

    def _moving(self) -> bool:
        return bool(self._movers)

    def _freeze(self, tick: int) -> None:
        """Note which joints move and where the others stand, until the next change."""
        self._movers = [
            joint
            for joint, drive in enumerate(self._drives)
            if drive.energised and drive.moving
        ]
        if self.hand is not None and self.hand.joint not in self._movers:
            self._movers.append(self.hand.joint)
        self._place = list(self.position)
        self._live = []
        for joint, drive in enumerate(self._drives):
            if drive.energised:
                self._place[joint] = self._field_place(joint, tick)[0]
                scale = self._torque_ratio[joint] * drive.torque_n_m
                lag = self._to_joint[joint] / drive.teeth
                self._live.append((joint, 1 / scale if scale else math.inf, lag))
        self._cached = None

    def _capture(self, tick: int) -> None:
        """Let every live rotor take the well nearest to where it is."""
        for joint, drive in enumerate(self._drives):
            if drive.energised:
                drive.capture(tick, self.motor_rad(joint, self.position[joint]))
        self._freeze(tick)

    def _field_place(self, joint: int, tick: int) -> tuple[float, float, float]:
        """Where the field wants a joint, with rate and acceleration."""
        drive, gear = self._drives[joint], self._to_joint[joint]
        place, rate, change = drive.field(tick)
        place -= drive.wells * drive.well_rad + self._phase[joint]
        return place * gear, rate * gear, change * gear

    def _needs_engine(self) -> bool:
        for joint, drive in enumerate(self._drives):
            if drive.energised:
                if not drive.regular or (self.hand is not None and self.hand.joint == joint):
                    return True
            elif not self.stand:
                return True
        return False

    def _evaluate(self, tick: int) -> tuple[list[float], float]:
        """Joint angles at `tick` and the worst torque use."""
        if self._cached is not None and self._cached[0] == tick:
            return list(self._cached[1]), self._cached[2]
        position = list(self._place)
        velocity, acceleration = [0.0] * self._count, [0.0] * self._count
        for joint in self._movers:
            if self._drives[joint].energised:
                position[joint], velocity[joint], acceleration[joint] = self._field_place(
                    joint, tick
                )
            elif self.hand is not None:
                position[joint], velocity[joint] = self.hand.at(tick)
        torques = self._body.inverse_dynamics(position, velocity, acceleration)
        worst = 0.0
        for joint, scale, lag in self._live:
            need = torques[joint]
            if velocity[joint]:
                need += math.copysign(self._friction[joint], velocity[joint])
            use = need * scale
            if abs(use) > worst:
                worst = abs(use)
            position[joint] -= math.asin(max(-1.0, min(1.0, use))) * lag
        self._rates = velocity
        self._cached = (tick, position, worst)
        return list(position), worst

    def _arrive(self, tick: int, position: list[float]) -> None:
        before = self.tick
        self.tick, self.position = tick, position
        self._on_move(before, tick)

    def _commit(self, tick: int) -> None:
        if self._moving():
            self._arrive(tick, self._evaluate(tick)[0])
        else:
            self.tick = tick

    def _clear(self, position: list[float]) -> bool:
        """Whether every joint is free of its hard stops."""
        return all(
            low + _STOP_MARGIN_RAD < angle < high - _STOP_MARGIN_RAD
            for angle, (low, high) in zip(position, self._stops, strict=True)
        )

    def _make_plan(self) -> tuple[int, Callable[[], None]]:
        if not self._moving():
            return NEVER, lambda: None
        start = self.tick
        end = (start // CHECKPOINT + 1) * CHECKPOINT
        for joint in self._movers:
            end = min([end, *self._drives[joint].corners(start)])
        if self.hand is not None and start < self.hand.end:
            end = min(end, self.hand.end)
        position, worst = self._evaluate(end)
        if worst > LEAVE_LOCK:
            return start, lambda: self._start_engine(start)
        return self._first_crossing(start, end, position)

    def _first_crossing(
        self, start: int, end: int, position: list[float]
    ) -> tuple[int, Callable[[], None]]:
        first, action = end, lambda: None
        for joint, angle in enumerate(position):
            if not self._bounds_low[joint] < angle < self._bounds_high[joint]:
                up = angle >= self._bounds_high[joint]
                edge = self._bounds_high[joint] if up else self._bounds_low[joint]
                tick = self._crossing(joint, edge, start, end)
                if tick < first or (tick == end == first):
                    first, action = tick, lambda joint=joint: self._cam(joint)  # type: ignore[misc]
            low, high = self._stops[joint]
            if not low + _STOP_MARGIN_RAD < angle < high - _STOP_MARGIN_RAD:
                up = angle > 0.5 * (low + high)
                edge = high - _STOP_MARGIN_RAD if up else low + _STOP_MARGIN_RAD
                tick = self._crossing(joint, edge, start, end) - 1
                if tick < first:
                    first = max(tick, start)
                    action = lambda tick=first: self._start_engine(tick)  # type: ignore[misc]
        return first, action

    def _crossing(self, joint: int, edge: float, start: int, end: int) -> int:
        """First tick at or past `edge`, on a stretch over which the joint moves one way.

        Regula falsi on the closed form, closed down to neighbouring ticks.
        """
        early, late = start, end
        gap_early = self.positions(early)[joint] - edge
        gap_late = self._evaluate(late)[0][joint] - edge
        if gap_early * gap_late > 0 or gap_early == 0.0:
            return start
        side = 0
        while late - early > 1:
            guess = early + round((late - early) * gap_early / (gap_early - gap_late))
            guess = min(max(guess, early + 1), late - 1)
            gap = self._evaluate(guess)[0][joint] - edge
            if gap == 0.0:
                return guess
            if gap * gap_late > 0:
                late, gap_late = guess, gap
                if side == 1:
                    gap_early /= 2
                side = 1
            else:
                early, gap_early = guess, gap
                if side == -1:
                    gap_late /= 2
                side = -1
        return late

    def _cam(self, joint: int) -> None:
        low, high = self._switches[joint].bounds_deg()
        # On the edge itself by construction: go just past it, whatever the last bit says.
        angle = math.degrees(self.position[joint])
        past = low if abs(angle - low) < abs(angle - high) else high
        if self._switches[joint].move_cam(past):
            self._bound(joint)
            self._on_cam(joint)

    # --- engine ----------------------------------------------------------------------------

    def _start_engine(self, tick: int) -> None:
        if self._moving() and tick == self.tick:
            self._evaluate(tick)
            self.velocity = list(self._rates)
        else:
            self.velocity = [0.0] * self._count
        self.engine, self.resting, self._plan = True, False, None
        self._good_checks = self._still_checks = self._substeps = 0
        self.tick = tick
        self._body.set_state(self.position, self.velocity)
        self._set_frictions()

    def _set_frictions(self) -> None:
        for joint, drive in enumerate(self._drives):
            led = self.hand is not None and self.hand.joint == joint
            held = self.stand and not drive.energised and not led
            self._body.set_friction(joint, _HELD_N_M if held else self._friction[joint])

    def _run_engine(self, limit: int) -> int:
        """Sub-steps up to `limit`, or up to the first cam or the end of slipping."""
        step, read = self._body.step, self._body.state
        sine, cosine = math.sin, math.cos
        tick, position, velocity = self.tick, self.position, self.velocity
        live = [
            (
                joint,
                drive,
                drive.moving,
                *drive.coil_currents(tick),
                self._torque_ratio[joint] * drive.holding_n_m,
                self._to_motor[joint] * drive.teeth,
                self._phase[joint] * drive.teeth,
            )
            for joint, drive in enumerate(self._drives)
            if drive.energised
        ]
        lows, highs = self._bounds_low, self._bounds_high
        while tick + SUBSTEP <= limit:
            torques = [0.0] * self._count
            for joint, drive, moving, first, second, gain, gear, phase in live:
                if moving:
                    first, second = drive.coil_currents(tick)
                angle = position[joint] * gear + phase
                torques[joint] = gain * (second * cosine(angle) - first * sine(angle))
            if self.hand is not None:
                torques[self.hand.joint] += self._hand_torque(tick, position, velocity)
            step(torques)
            tick += SUBSTEP
            position, velocity = read()
            self._substeps += 1
            tripped = [
                joint
                for joint, angle in enumerate(position)
                if not lows[joint] < angle < highs[joint]
            ]
            if tripped or not self._substeps & 3:
                before = self.tick
                self.tick, self.position, self.velocity = tick, position, velocity
                self._on_move(before, tick)
                for joint in tripped:
                    if self._switches[joint].move_cam(math.degrees(position[joint])):
                        self._bound(joint)
                        self._on_cam(joint)
                if tripped or (
                    self._substeps % _CHECK_EVERY == 0 and self._may_leave_engine(tick)
                ):
                    return tick
        self.tick, self.position, self.velocity = tick, position, velocity
        return tick

    def _hand_torque(self, tick: int, position: list[float], velocity: list[float]) -> float:
        assert self.hand is not None
        joint = self.hand.joint
        target, rate = self.hand.at(tick)
        torque = _HAND_N_M_PER_RAD * (target - position[joint])
        torque += _HAND_N_M_S_PER_RAD * (rate - velocity[joint])
        return max(-self.hand.limit_n_m, min(self.hand.limit_n_m, torque))

    def _may_leave_engine(self, tick: int) -> bool:
        """Go back to the closed form, or to rest, once either holds for some checks in a row."""
        still = max(map(abs, self.velocity)) < _STILL_RAD_S and not self._moving()
        self._still_checks = self._still_checks + 1 if still else 0
        self._good_checks = self._good_checks + 1 if self._locked(tick) else 0
        if self._good_checks >= _CHECKS_IN_A_ROW:
            self.engine = False
            self.velocity = [0.0] * self._count
            self._arrive(tick, self._evaluate(tick)[0])
            return True
        if self._still_checks >= 2 * _CHECKS_IN_A_ROW:
            self.resting = True
            return True
        return False

    def _locked(self, tick: int) -> bool:
        """Whether the closed form, started here, would agree with the engine."""
        if self._needs_engine() or not self._clear(self.position):
            return False
        self._capture(tick)
        position, worst = self._evaluate(tick)
        if worst > RELOCK or not self._clear(position):
            return False
        return all(
            abs(ours - theirs) * abs(gear) < _CLOSE_RAD
            for ours, theirs, gear in zip(position, self.position, self._to_motor, strict=True)
        )
