"""How the arm moves: in closed form while every moving joint is locked, in the engine otherwise.

Locked: a rotor follows its field, behind it by the load angle asin(T/Th)/p; the torque comes from
inverse dynamics. Positions are a pure function of the tick, so nothing depends on how a stretch of
time is cut into pieces. When torque use passes a threshold, a hard stop is near, a hand pushes
against a live drive, a coil is faulty or a limp link may fall, the engine takes over from the
state of that tick with the full torque-angle curve, and gives back when all is locked again.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import partial
from operator import lt
from typing import NamedTuple

from ..scenes import Scene
from .body import SUBSTEP_HZ, Body
from .clock import NEVER, TICKS_PER_S
from .drive import Drive
from .individual import Individual
from .moves import Moves
from .switch import Switch
from .transmission import Transmission

SUBSTEP = TICKS_PER_S // SUBSTEP_HZ
CHECKPOINT = TICKS_PER_S // 10
LEAVE_LOCK = 0.80
"""Torque use at which the engine takes over."""
RELOCK = 0.75
_CLOSE_RAD = 2.5e-3  # at the motor: engine and closed form agree
_STILL_RAD_S = 1e-3
_QUARTER_TURN = math.pi / 2
_TAKEN_UP_RAD = 1e-9
_SWING = 0.6
"""How much further than its new rest a rotor swings when its load jumps (equal areas under the
torque-angle curve: a jump from rest to 72.5 % of the peak just holds)."""
_CHECK_EVERY = 16
_CHECKS_IN_A_ROW = 5
_STOP_MARGIN_RAD = math.radians(0.02)
_HELD_N_M = 1e4  # friction of a limp joint whose link rests on the stand
_HAND_N_M_PER_RAD = 300.0
_HAND_N_M_S_PER_RAD = 0.5


def _nothing() -> None:
    """What happens at a mere checkpoint."""


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


class Field(NamedTuple):
    """Where the fields and the hand want the joints at a tick, and the torques that asks for."""

    place: list[float]
    velocity: list[float]
    acceleration: list[float]
    torque: Sequence[float]


_Holding = tuple[int, float, float, float]
_Turning = tuple[int, Drive, float, float, float]


class Motion:
    """Positions of all joints over time. `on_cam(joint)` is called when a cam moves a switch."""

    def __init__(
        self,
        scene: Scene,
        individual: Individual,
        body: Body,
        drives: list[Drive],
        gears: list[Transmission],
        switches: list[Switch],
        on_cam: Callable[[int], None],
        on_move: Callable[[int, int], None],
    ) -> None:
        joints = scene.joint
        self._body, self._drives, self._switches = body, drives, switches
        self._gears = gears
        self._on_cam, self._on_move = on_cam, on_move
        self._stops = [tuple(math.radians(stop) for stop in j.stops_deg) for j in joints]
        self._count = len(joints)
        self.tick = 0
        self.position = [math.radians(angle) for angle in individual.start_pose_deg]
        self.shaft = list(self.position)
        self.velocity = [0.0] * self._count
        self._rates = [0.0] * self._count
        self._use = self._uses = self._evaluated_use = [0.0] * self._count
        self._movers: list[int] = []
        self._held: set[int] = set()
        self._fresh: set[int] = set()
        self._limp = list(range(self._count))
        self._live: list[tuple[int, float, float]] = []
        self._place = list(self.position)
        self._cached: tuple[int, list[float], list[float], float] | None = None
        self._field: Field | None = None  # of the last evaluation
        self._stretch: Field | None = None  # at the start of the stretch under way
        self._corner = True  # it began with another acceleration than the one before
        self._recorder: Moves | None = None
        self._told = 0  # tick of the engine's last word to `on_move`
        self.stand = True
        self.hand: HandPath | None = None
        self.engine = False
        self.resting = False
        self._good_checks = self._still_checks = self._substeps = 0
        self._plan: tuple[int, Callable[[], None]] | None = None
        self._binding: list[list[float]] = []
        self._bounds_low = [0.0] * self._count
        self._bounds_high = [0.0] * self._count
        for joint in range(self._count):
            switches[joint].move_cam(math.degrees(self.position[joint]))
            self._bound(joint)

    def motor_rad(self, joint: int, shaft_rad: float) -> float:
        """The motor shaft's angle at the motor for its angle in joint rad."""
        gear = self._gears[joint]
        return shaft_rad * gear.to_motor + gear.phase_rad

    def _bound(self, joint: int) -> None:
        low, high = self._switches[joint].bounds_deg()
        self._bounds_low[joint], self._bounds_high[joint] = math.radians(low), math.radians(high)

    # --- what the rig asks -----------------------------------------------------------------

    def positions(self, tick: int) -> list[float]:
        """Joint angles in rad at a tick not after the next thing that happens."""
        return self.places(tick)[0]

    def places(self, tick: int) -> tuple[list[float], list[float]]:
        """Joint angles, and motor shafts in joint rad: apart by what play there is."""
        if self.engine or tick == self.tick or not self._moving():
            return self.position, self.shaft
        position, shaft, _ = self._evaluate(tick)
        return position, shaft

    def settle(self, tick: int) -> None:
        """Bring the state up to `tick` before something changes there."""
        if self.engine:
            if self.resting:  # nothing moved; the sub-steps begin again from here
                self.tick = self._told = tick
        elif tick > self.tick:
            self._commit(tick)

    def changed(self, tick: int) -> None:
        """Drives, parts, hand or stand changed at `tick` (after `settle(tick)`)."""
        self._plan = None
        self.resting = False
        self._good_checks = self._still_checks = 0
        for joint in range(self._count):
            self._bound(joint)
        if self._recorder is not None:
            self._recorder.geared([gear.to_motor for gear in self._gears])
        if self.engine:
            self._set_frictions()
            self._freeze(tick)
            self._settle_enabled(tick)
            return
        self._capture(tick)
        held = {joint for joint, drive in enumerate(self._drives) if drive.energised}
        # The stand carries a link while its rotor settles: nothing swings then.
        self._fresh = held - self._held if self.stand else set()
        self._held = held
        if self._needs_engine():
            self._start_engine(tick)
        elif any(drive.energised for drive in self._drives):
            position, shaft, worst = self._evaluate(tick)
            if worst > LEAVE_LOCK or not self._clear(position):
                self._start_engine(tick)
            else:
                self._arrive(tick, position, shaft)
        elif self._recorder is not None:
            after = self._recorded(self.position, self.shaft)
            self._recorder.add(tick, tick, after, [0.0] * self._count)

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
            drive.capture(tick, self.motor_rad(joint, self.shaft[joint]))
        self._freeze(tick)
        settled, shaft, _ = self._evaluate(tick)
        for joint in new:
            self.position[joint], self.shaft[joint] = settled[joint], shaft[joint]
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
            joint for joint, drive in enumerate(self._drives) if drive.energised and drive.moving
        ]
        if self.hand is not None and self.hand.joint not in self._movers:
            self._movers.append(self.hand.joint)
        self._place = list(self.position)
        self._live, self._limp = [], []
        self._use = [0.0] * self._count
        for joint, drive in enumerate(self._drives):
            if drive.energised:
                self._place[joint] = self._field_place(joint, tick)[0]
                lag = self._gears[joint].to_joint / drive.teeth
                self._live.append((joint, self._scale(joint, 0.0), lag))
                angle = (self._place[joint] - self.shaft[joint]) / lag
                self._use[joint] = math.sin(max(-_QUARTER_TURN, min(_QUARTER_TURN, angle)))
            else:
                self._limp.append(joint)
        self._cached = self._stretch = None

    def _capture(self, tick: int) -> None:
        """Let every live rotor take the well nearest to where it is."""
        for joint, drive in enumerate(self._drives):
            if drive.energised:
                drive.capture(tick, self.motor_rad(joint, self.shaft[joint]))
        self._freeze(tick)

    def _field_place(self, joint: int, tick: int) -> tuple[float, float, float]:
        """Where the field wants a joint, with rate and acceleration."""
        drive, gear = self._drives[joint], self._gears[joint]
        place, rate, change = drive.field(tick)
        place -= drive.wells * drive.well_rad + gear.phase_rad
        return place * gear.to_joint, rate * gear.to_joint, change * gear.to_joint

    def _needs_engine(self) -> bool:
        for joint, drive in enumerate(self._drives):
            if drive.energised:
                if not drive.regular or (self.hand is not None and self.hand.joint == joint):
                    return True
            elif not self.stand:
                return True
        return False

    def _evaluate(self, tick: int) -> tuple[list[float], list[float], float]:
        """Joint angles and shafts at `tick`, and the worst torque use."""
        if self._cached is not None and self._cached[0] == tick:
            return self._cached[1], self._cached[2], self._cached[3]
        place = list(self._place)
        velocity, acceleration = [0.0] * self._count, [0.0] * self._count
        for joint in self._movers:
            if self._drives[joint].energised:
                place[joint], velocity[joint], acceleration[joint] = self._field_place(joint, tick)
            elif self.hand is not None:
                place[joint], velocity[joint] = self.hand.at(tick)
        torques = self._body.inverse_dynamics(place, velocity, acceleration)
        position, shaft, worst = self._behind(place, velocity, torques)
        self._rates = velocity
        self._evaluated_use = self._uses
        self._field = Field(place, velocity, acceleration, torques)
        self._cached = (tick, position, shaft, worst)
        return position, shaft, worst

    def _behind(
        self,
        place: list[float],
        velocity: list[float],
        torques: Sequence[float],
        held: Sequence[float] | None = None,
    ) -> tuple[list[float], list[float], float]:
        """Joints and shafts as they lag behind their fields, and the worst strain.

        Friction makes the lag a play: a shaft stays where it was while its load, give or take
        friction, lets it. Strain is torque use, and more where it has just jumped: a load that
        comes at once swings the rotor further than one that grows.
        """
        held = self.shaft if held is None else held
        position, shaft, worst = list(place), list(place), 0.0
        uses = [0.0] * self._count
        for joint, scale, lag in self._live:
            gear, load = self._gears[joint], torques[joint]
            if velocity[joint]:
                scale = self._scale(joint, velocity[joint] * gear.to_motor)
            resistance = gear.resistance_n_m(place[joint], True)
            one, other = (load - resistance) * scale, (load + resistance) * scale
            low, high = (one, other) if one < other else (other, one)
            # Where the shaft would be used if it had not moved since.
            kept = math.sin(
                max(-_QUARTER_TURN, min(_QUARTER_TURN, (place[joint] - held[joint]) / lag))
            )
            use = uses[joint] = max(low, min(high, kept))
            jump = 0.0 if joint in self._fresh else abs(use - self._use[joint])
            strain = abs(use) + _SWING * jump
            if strain > worst:
                worst = strain
            if use == kept:
                shaft[joint] = self.shaft[joint]
            else:
                shaft[joint] -= math.asin(max(-1.0, min(1.0, use))) * lag
            position[joint] = gear.joint_after(shaft[joint], self.position[joint], load)
        for joint in self._limp:
            shaft[joint] = self._gears[joint].shaft_after(position[joint], self.shaft[joint])
        self._uses = uses
        return position, shaft, worst

    def _scale(self, joint: int, rate_rad_s: float) -> float:
        """Torque use for each N·m at the joint, at a shaft speed."""
        gear, drive = self._gears[joint], self._drives[joint]
        peak = min(drive.pull_out_n_m(rate_rad_s), gear.slip_n_m)
        return 1 / (gear.torque_ratio * peak) if peak > 0 else math.inf

    def _arrive(self, tick: int, position: list[float], shaft: list[float]) -> None:
        self._use, self._fresh = self._evaluated_use, set()
        if self._recorder is not None:
            self._record(self._recorder, tick, position, shaft)
        self._stretch = self._field
        before = self.tick
        self.tick, self.position, self.shaft = tick, list(position), list(shaft)
        self._cached = None  # play starts anew from here
        self._on_move(before, tick)

    def record(self) -> Moves:
        """Record every stretch from the one under way on."""
        self._recorder = moves = Moves(self.tick, self._recorded(self.position, self.shaft))
        moves.geared([gear.to_motor for gear in self._gears])
        if self.engine or self._stretch is None:
            torque = [0.0] * self._count
        else:
            torque = self._drive_torques(self._stretch)
        moves.add(self.tick, self.tick, moves.start, torque)
        return moves

    def stop_recording(self) -> None:
        """No more of that."""
        self._recorder = None

    def recorded(self, tick: int) -> Moves:
        """All stretches recorded, and as much as there is of the one under way at `tick`."""
        assert self._recorder is not None
        moves = self._recorder.copy()
        if self.engine or not self._moving() or tick == self.tick:
            return moves
        position, shaft = self.places(tick)
        assert self._field is not None
        self._tell(moves, tick, position, shaft, self._field)
        return moves

    def _record(
        self, recorder: Moves, tick: int, position: list[float], shaft: list[float]
    ) -> None:
        """A stretch ends at `tick` with joints and shafts there (the last evaluation)."""
        start, field = self._stretch, self._field
        assert field is not None
        self._tell(recorder, tick, position, shaft, field)
        self._corner = start is None or start.acceleration != field.acceleration

    def _tell(
        self, moves: Moves, tick: int, position: list[float], shaft: list[float], end: Field
    ) -> None:
        start = self._stretch
        first = last = acceleration = None
        if start is not None and tick > self.tick:
            # Load angles jump where accelerations do: the stretch has its own at both ends. At
            # the beginning friction may hold the shaft until what lags behind comes by.
            acceleration = start.acceleration
            if self._corner:
                behind = list(self.shaft)
                for joint in self._movers:
                    sense = start.velocity[joint] or acceleration[joint]
                    if sense:
                        behind[joint] = start.place[joint] - math.copysign(1.0, sense)
                first = self._recorded(
                    *self._behind(start.place, start.velocity, start.torque, behind)[:2]
                )
            if acceleration != end.acceleration:
                torques = self._body.inverse_dynamics(end.place, end.velocity, acceleration)
                last = self._recorded(*self._behind(end.place, end.velocity, torques)[:2])
        after, torque = self._recorded(position, shaft), self._drive_torques(end)
        moves.add(self.tick, tick, after, torque, acceleration, first, last)

    def _drive_torques(self, field: Field) -> list[float]:
        """What each drive gives at its joint, friction included."""
        torque = [0.0] * self._count
        for joint, _, _ in self._live:
            torque[joint] = field.torque[joint]
            if field.velocity[joint]:
                resistance = self._gears[joint].resistance_n_m(field.place[joint], True)
                torque[joint] += math.copysign(resistance, field.velocity[joint])
        return torque

    def _recorded(self, position: Sequence[float], shaft: Sequence[float]) -> list[float]:
        """Joint angles and motor shafts as a recorder keeps them."""
        motor = [
            angle * gear.to_motor + gear.phase_rad
            for angle, gear in zip(shaft, self._gears, strict=True)
        ]
        return [*position, *motor]

    def _commit(self, tick: int) -> None:
        if self._moving():
            position, shaft, _ = self._evaluate(tick)
            self._arrive(tick, position, shaft)
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
            return NEVER, _nothing
        start = self.tick
        end = (start // CHECKPOINT + 1) * CHECKPOINT
        for joint in self._movers:
            end = min([end, *self._drives[joint].corners(start)])
            end = min(end, self._loose_tick(joint, start))
        if self.hand is not None and start < self.hand.end:
            end = min(end, self.hand.end)
        position, _, worst = self._evaluate(end)
        if worst > LEAVE_LOCK:
            return start, partial(self._start_engine, start)
        return self._first_crossing(start, end, position)

    def _loose_tick(self, joint: int, start: int) -> int:
        """When a moving field has taken up the play that friction leaves a shaft at rest."""
        if not self._drives[joint].energised:
            return NEVER
        place, rate, change = self._field_place(joint, start)
        toward = rate or change
        if not toward:
            return NEVER
        self._evaluate(start)
        assert self._field is not None
        _, scale, lag = next(entry for entry in self._live if entry[0] == joint)
        resistance = self._gears[joint].resistance_n_m(self.position[joint], True)
        edge = (self._field.torque[joint] + math.copysign(resistance, toward)) * scale
        gap = lag * math.asin(max(-1.0, min(1.0, edge))) - (place - self.shaft[joint])
        if gap * toward <= abs(toward) * _TAKEN_UP_RAD:
            return NEVER
        # gap = rate t + change t²/2, the first positive root.
        root = rate * rate + 2 * change * gap
        if root < 0:
            return NEVER
        time = 2 * abs(gap) / (abs(rate) + math.sqrt(root))
        return start + math.ceil(time * TICKS_PER_S)

    def _first_crossing(
        self, start: int, end: int, position: list[float]
    ) -> tuple[int, Callable[[], None]]:
        first = end
        action: Callable[[], None] = _nothing
        for joint, angle in enumerate(position):
            if not self._bounds_low[joint] < angle < self._bounds_high[joint]:
                up = angle >= self._bounds_high[joint]
                edge = self._bounds_high[joint] if up else self._bounds_low[joint]
                tick = self._crossing(joint, edge, start, end)
                if tick < first or (tick == end == first):
                    first, action = tick, partial(self._cam, joint)
            low, high = self._stops[joint]
            if not low + _STOP_MARGIN_RAD < angle < high - _STOP_MARGIN_RAD:
                up = angle > 0.5 * (low + high)
                edge = high - _STOP_MARGIN_RAD if up else low + _STOP_MARGIN_RAD
                tick = self._crossing(joint, edge, start, end) - 1
                if tick < first:
                    first = max(tick, start)
                    action = partial(self._start_engine, first)
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
        self.tick = self._told = tick
        self._body.set_state(self.position, self.velocity)
        self._set_frictions()

    def _set_frictions(self) -> None:
        self._binding = []
        for joint, (drive, gear) in enumerate(zip(self._drives, self._gears, strict=True)):
            led = self.hand is not None and self.hand.joint == joint
            held = self.stand and not drive.energised and not led
            resistance = gear.resistance_n_m(self.position[joint], drive.energised)
            self._body.set_friction(joint, _HELD_N_M if held else resistance)
            if gear.bind_n_m and not held:
                self._binding.append([joint, resistance])

    def _rebind(self, position: list[float]) -> None:
        """Friction of joints that bind at some angles."""
        for entry in self._binding:
            joint, before = int(entry[0]), entry[1]
            energised = self._drives[joint].energised
            resistance = self._gears[joint].resistance_n_m(position[joint], energised)
            if resistance != before:
                self._body.set_friction(joint, resistance)
                entry[1] = resistance

    def _run_engine(self, limit: int) -> int:
        """Sub-steps up to `limit`, or up to the first cam or the end of slipping.

        Play keeps the flank it had: it is far smaller than what slips.
        """
        step, read = self._body.step, self._body.positions
        tick, position = self.tick, self.position
        gaps = [shaft - joint for shaft, joint in zip(self.shaft, position, strict=True)]
        holding, turning, couplings = self._split_live(tick, gaps)
        strength = [drive.strength(tick) for drive in self._drives]
        lows, highs = self._bounds_low, self._bounds_high
        count, sine, substeps = self._count, math.sin, self._substeps
        while tick + SUBSTEP <= limit:
            torques = [0.0] * count
            for joint, peak, angle, gear in holding:
                torques[joint] = peak * sine(angle - position[joint] * gear)
            for joint, drive, gain, phase, gear in turning:
                first, second = drive.coil_currents(tick, strength[joint])
                rotor = position[joint] * gear + phase
                torques[joint] = gain * (second * math.cos(rotor) - first * sine(rotor))
            for joint in couplings:
                self._slip_coupling(joint, tick, position, gaps, torques)
            if self.hand is not None:
                torques[self.hand.joint] += self._hand_torque(tick, position)
            step(torques)
            tick += SUBSTEP
            position = read()
            substeps += 1
            if turning and not substeps % _CHECK_EVERY:
                strength = [drive.strength(tick) for drive in self._drives]
            if self._binding:
                self._rebind(position)
            tripped = not (all(map(lt, lows, position)) and all(map(lt, position, highs)))
            if tripped or not substeps & 3:
                self._substeps = substeps
                leaves = self._engine_moved(tick, position, gaps, torques)
                if tripped or leaves or couplings:
                    return tick
        self._substeps = substeps
        self.tick, (self.position, self.velocity) = tick, self._body.state()
        self.shaft = [angle + gap for angle, gap in zip(position, gaps, strict=True)]
        return tick

    def _split_live(
        self, tick: int, gaps: list[float]
    ) -> tuple[list[_Holding], list[_Turning], list[int]]:
        """Live joints whose field stands, those whose field turns, those with a coupling."""
        holding, turning, couplings = [], [], []
        for joint, (drive, gear) in enumerate(zip(self._drives, self._gears, strict=True)):
            if not drive.energised:
                continue
            gain = gear.torque_ratio * drive.holding_n_m
            phase = (gear.phase_rad + gaps[joint] * gear.to_motor) * drive.teeth
            turn = gear.to_motor * drive.teeth
            if gear.slip_n_m < math.inf:
                couplings.append(joint)
            if drive.moving or gear.slip_n_m < math.inf:
                turning.append((joint, drive, gain, phase, turn))
            else:
                first, second = drive.coil_currents(tick, drive.strength(tick))
                peak = gain * math.hypot(first, second)
                holding.append((joint, peak, math.atan2(second, first) - phase, turn))
        return holding, turning, couplings

    def _engine_moved(
        self, tick: int, position: list[float], gaps: list[float], torques: list[float]
    ) -> bool:
        """Tell encoders and switches where the engine has come; True when it may rest or leave."""
        before, self._told = self._told, tick
        self.tick, self.position = tick, position
        self.shaft = [angle + gap for angle, gap in zip(position, gaps, strict=True)]
        if self._recorder is not None:
            after = self._recorded(position, self.shaft)
            self._recorder.add(before, tick, after, torques)
        self._on_move(before, tick)
        for joint, angle in enumerate(position):
            inside = self._bounds_low[joint] < angle < self._bounds_high[joint]
            if not inside and self._switches[joint].move_cam(math.degrees(angle)):
                self._bound(joint)
                self._on_cam(joint)
        if self._substeps % _CHECK_EVERY:
            return False
        self.velocity = self._body.state()[1]
        return self._may_leave_engine(tick)

    def _slip_coupling(
        self,
        joint: int,
        tick: int,
        position: list[float],
        gaps: list[float],
        torques: list[float],
    ) -> None:
        """Pass no more torque than the coupling can; what the shaft turns on moves its phase.

        The shaft stays with its field, at the load angle of the coupling's limit.
        """
        gear, drive = self._gears[joint], self._drives[joint]
        first, second = drive.coil_currents(tick, drive.strength(tick))
        peak = math.hypot(first, second) * drive.holding_n_m
        if gear.slip_n_m >= peak:
            return
        field = math.atan2(second, first)
        limit = math.asin(gear.slip_n_m / peak)
        shaft = self.motor_rad(joint, position[joint] + gaps[joint]) * drive.teeth
        lag = math.remainder(field - shaft, 2 * math.pi)
        if abs(lag) > limit:
            gear.phase_rad += (lag - math.copysign(limit, lag)) / drive.teeth
            torques[joint] = math.copysign(gear.slip_n_m, lag) * gear.torque_ratio

    def _hand_torque(self, tick: int, position: list[float]) -> float:
        assert self.hand is not None
        joint = self.hand.joint
        target, rate = self.hand.at(tick)
        torque = _HAND_N_M_PER_RAD * (target - position[joint])
        torque += _HAND_N_M_S_PER_RAD * (rate - self._body.state()[1][joint])
        return max(-self.hand.limit_n_m, min(self.hand.limit_n_m, torque))

    def _may_leave_engine(self, tick: int) -> bool:
        """Go back to the closed form, or to rest, once either holds for some checks in a row."""
        still = max(map(abs, self.velocity)) < _STILL_RAD_S and not self._moving()
        self._still_checks = self._still_checks + 1 if still else 0
        self._good_checks = self._good_checks + 1 if self._locked(tick) else 0
        if self._good_checks >= _CHECKS_IN_A_ROW:
            self.engine = False
            self.velocity = [0.0] * self._count
            position, shaft, _ = self._evaluate(tick)
            self._arrive(tick, position, shaft)
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
        position, _, worst = self._evaluate(tick)
        if worst > RELOCK or not self._clear(position):
            return False
        return all(
            abs(ours - theirs) * abs(gear.to_motor) < _CLOSE_RAD
            for ours, theirs, gear in zip(position, self.position, self._gears, strict=True)
        )
