"""Motion in closed form, while every rotor follows its field.

A shaft lags behind its field by the load angle asin(T/Th)/p. The torque comes from inverse
dynamics; friction makes the lag a play, so that a shaft stays where it was while its load, give or
take friction, lets it. Between two commits all is a pure function of the tick, so nothing depends
on how a stretch of time is cut into pieces. Commits lie on a grid of absolute ticks, on the corners
of profiles, and where something happens.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from .clock import NEVER, TICKS_PER_S
from .pose import Pose

CHECKPOINT = TICKS_PER_S // 10
_QUARTER_TURN = math.pi / 2
_TAKEN_UP_RAD = 1e-9
_SWING = 0.6
"""How much further than its new rest a rotor swings when its load jumps (equal areas under the
torque-angle curve: a jump from rest to 72.5 % of the peak just holds)."""


class Field(NamedTuple):
    """Where the fields and the hand want the joints at a tick, and the torques that asks for."""

    place: list[float]
    velocity: list[float]
    acceleration: list[float]
    torque: Sequence[float]


class Reached(NamedTuple):
    """Joints and shafts behind their fields; torque use of each, and the worst strain.

    Strain is torque use, and more where it has just jumped: a load that comes at once swings the
    rotor further than one that grows. `jump` is how far such a jump sends a shaft, the furthest of
    all, in rad at its joint: there the closed form is the middle of a ringing that wide.
    """

    position: list[float]
    shaft: list[float]
    use: list[float]
    strain: float
    jump: float = 0.0


class Arrival(NamedTuple):
    """A stretch of motion that has ended: its field at both ends, and where it had come just
    before its end, if what follows has another acceleration.
    """

    begin: int
    start: Field | None
    end: Field
    last: Reached | None


class Locked:
    """The closed form over a pose."""

    def __init__(self, pose: Pose) -> None:
        self._pose = pose
        self.movers: list[int] = []
        self.settling: set[int] = set()
        self.use = [0.0] * pose.count
        self.load: Sequence[float] = [0.0] * pose.count
        self.stretch: Field | None = None  # at the start of the stretch under way
        self._sliding: set[int] = set()
        self._live: list[tuple[int, float, float]] = []
        self._scales = [(0.0, 0.0)] * pose.count  # the last shaft speed, and its scale
        self._limp = list(range(pose.count))
        self._place = list(pose.position)
        self._cached: tuple[int, Field, Reached] | None = None

    def freeze(self, tick: int) -> None:
        """Note which joints move and where the others stand, until the next change."""
        pose = self._pose
        self.movers = [
            joint
            for joint, drive in enumerate(pose.drives)
            if (drive.live and drive.moving) or pose.led(joint)
        ]
        self._place = list(pose.position)
        self._live, self._limp = [], []
        self._scales = [(0.0, 0.0)] * pose.count
        self.use = [0.0] * pose.count
        for joint, drive in enumerate(pose.drives):
            if not drive.live:
                self._limp.append(joint)
                continue
            self._place[joint] = self.field_place(joint, tick)[0]
            lag = pose.gears[joint].to_joint / drive.teeth
            self._live.append((joint, self._scale(joint, 0.0), lag))
            self.use[joint] = _use_at(self._place[joint] - pose.shaft[joint], lag)
        self._cached = self.stretch = None

    def capture(self, tick: int) -> None:
        """Let every live rotor take the well nearest to where it is."""
        pose = self._pose
        for joint, drive in enumerate(pose.drives):
            if drive.live:
                drive.capture(tick, pose.motor_rad(joint, pose.shaft[joint]))
        self.freeze(tick)

    def field_place(self, joint: int, tick: int) -> tuple[float, float, float]:
        """Where the field wants a joint, with rate and acceleration."""
        drive, gear = self._pose.drives[joint], self._pose.gears[joint]
        place, rate, change = drive.field(tick)
        place -= drive.wells * drive.well_rad + gear.phase_rad
        return place * gear.to_joint, rate * gear.to_joint, change * gear.to_joint

    def wanted(self, joint: int, tick: int) -> float:
        """Where the field wants a joint; since the last change, for one that stands."""
        return self.field_place(joint, tick)[0] if joint in self.movers else self._place[joint]

    def evaluate(self, tick: int) -> tuple[Field, Reached]:
        """Fields and joints at a tick; on a corner with the acceleration that follows."""
        if self._cached is not None and self._cached[0] == tick:
            return self._cached[1], self._cached[2]
        pose = self._pose
        place = list(self._place)
        velocity, acceleration = [0.0] * pose.count, [0.0] * pose.count
        for joint in self.movers:
            if pose.drives[joint].live:
                place[joint], velocity[joint], acceleration[joint] = self.field_place(joint, tick)
            elif pose.hand is not None:
                place[joint], velocity[joint] = pose.hand.at(tick)
        torque = pose.body.inverse_dynamics(place, velocity, acceleration)
        field = Field(place, velocity, acceleration, torque)
        reached = self.behind(field)
        self._cached = (tick, field, reached)
        return field, reached

    def behind(self, field: Field, held: Sequence[float] | None = None) -> Reached:
        """Joints and shafts as they lag behind their fields, coming from shafts at `held`."""
        pose = self._pose
        held = pose.shaft if held is None else held
        place = field.place
        position, shaft, use = list(place), list(place), [0.0] * pose.count
        gears, before, loads, settling = pose.gears, self.use, self.load, self.settling
        torque, velocities, accelerations = field.torque, field.velocity, field.acceleration
        worst = furthest = 0.0
        for joint, scale, lag in self._live:
            gear, load, velocity = gears[joint], torque[joint], velocities[joint]
            if velocity:
                known, scale = self._scales[joint]
                if velocity != known:
                    scale = self._scale(joint, velocity * gear.to_motor)
                    self._scales[joint] = velocity, scale
            sliding = joint in self._sliding
            resistance = gear.resistance_n_m(place[joint], True, at_rest=not sliding)
            one, other = (load - resistance) * scale, (load + resistance) * scale
            low, high = (one, other) if one < other else (other, one)
            kept = _use_at(place[joint] - held[joint], lag)
            if low <= kept <= high:
                needed = use[joint] = kept
                shaft[joint] = held[joint]
            else:
                if not sliding:  # once loose, it meets the lesser friction of motion
                    extra = gear.friction_n_m * (gear.breakaway - 1.0) * abs(scale)
                    low, high = low + extra, high - extra
                needed = use[joint] = low if kept < low else high
                shaft[joint] -= _asin(needed) * lag
            steep = 1.0 - needed * needed
            sense = velocity or accelerations[joint]
            if sense:  # what moves, or is about to, will need all of its friction overcome
                needed = other if sense > 0 else one
            strain = abs(needed)
            if joint not in settling:
                strain += _SWING * abs(needed - before[joint])
                jump = abs((load - loads[joint]) * scale * lag)
                jump /= math.sqrt(steep if steep > 1e-3 else 1e-3)
                if jump > furthest:
                    furthest = jump
            if strain > worst:
                worst = strain
            if gear.backlash_rad:
                position[joint] = gear.joint_after(shaft[joint], pose.position[joint], load)
            else:
                position[joint] = shaft[joint]
        for joint in self._limp:
            shaft[joint] = pose.gears[joint].shaft_after(position[joint], pose.shaft[joint])
        return Reached(position, shaft, use, worst, furthest)

    def _scale(self, joint: int, rate_rad_s: float) -> float:
        """Torque use for each N·m at the joint, at a shaft speed."""
        gear, drive = self._pose.gears[joint], self._pose.drives[joint]
        peak = min(drive.pull_out_n_m(rate_rad_s), gear.slip_n_m)
        return 1 / (gear.torque_ratio * peak) if peak > 0 else math.inf

    def arrive(self, tick: int) -> Arrival:
        """Commit the pose to `tick`."""
        pose, start = self._pose, self.stretch
        before = pose.shaft
        field, reached = self.evaluate(tick)
        last = None
        if start is not None and tick > pose.tick and start.acceleration != field.acceleration:
            # Load angles jump where accelerations do: first to the corner, then around it.
            torque = pose.body.inverse_dynamics(field.place, field.velocity, start.acceleration)
            last = self.behind(field._replace(acceleration=start.acceleration, torque=torque))
            pose.position, pose.shaft, self.use = list(last.position), list(last.shaft), last.use
            self.load = torque
            reached = self.behind(field)
        arrival = Arrival(pose.tick, start, field, last)
        self._sliding = {
            joint
            for joint in self.movers
            if field.velocity[joint] and reached.shaft[joint] != before[joint]
        }
        pose.tick, pose.position, pose.shaft = tick, list(reached.position), list(reached.shaft)
        self.use, self.settling, self.stretch = reached.use, set(), field
        self.load = field.torque
        self._cached = None  # play starts anew from here
        return arrival

    def next_checkpoint(self, start: int) -> int:
        """The next tick at which the pose must be committed; something must move."""
        pose = self._pose
        end = (start // CHECKPOINT + 1) * CHECKPOINT
        for joint in self.movers:
            end = min([end, *pose.drives[joint].corners(start), self._loose_tick(joint, start)])
        if pose.hand is not None and start < pose.hand.end:
            end = min(end, pose.hand.end)
        return end

    def _loose_tick(self, joint: int, start: int) -> int:
        """When a moving field has taken up the play that friction leaves a shaft at rest."""
        if not self._pose.drives[joint].live:
            return NEVER
        place, rate, change = self.field_place(joint, start)
        toward = rate or change
        if not toward:
            return NEVER
        # The pose was committed at `start`: its field is that of the stretch under way.
        field = self.stretch or self.evaluate(start)[0]
        _, scale, lag = next(entry for entry in self._live if entry[0] == joint)
        resistance = self._pose.gears[joint].resistance_n_m(
            self._pose.position[joint], True, at_rest=joint not in self._sliding
        )
        edge = (field.torque[joint] + math.copysign(resistance, toward)) * scale
        gap = lag * _asin(edge) - (place - self._pose.shaft[joint])
        if gap * toward <= abs(toward) * _TAKEN_UP_RAD:
            return NEVER
        # gap = rate t + change t²/2, the first positive root.
        root = rate * rate + 2 * change * gap
        if root < 0:
            return NEVER
        time = 2 * abs(gap) / (abs(rate) + math.sqrt(root))
        return start + math.ceil(time * TICKS_PER_S)

    def crossing(
        self, joint: int, edge: float, start: int, end: int, on_shaft: bool = False
    ) -> int:
        """First tick at or past `edge`, on a stretch over which the joint moves one way.

        Regula falsi on the closed form, closed down to neighbouring ticks.
        """
        early, late = start, end
        gap_early = (self._pose.shaft if on_shaft else self._pose.position)[joint] - edge
        gap_late = self._at(late, on_shaft)[joint] - edge
        if gap_early * gap_late > 0 or gap_early == 0.0:
            return start
        side = 0
        while late - early > 1:
            guess = early + round((late - early) * gap_early / (gap_early - gap_late))
            guess = min(max(guess, early + 1), late - 1)
            gap = self._at(guess, on_shaft)[joint] - edge
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

    def _at(self, tick: int, on_shaft: bool) -> list[float]:
        reached = self.evaluate(tick)[1]
        return reached.shaft if on_shaft else reached.position

    def drive_torques(self, field: Field) -> list[float]:
        """What each drive gives at its joint, friction included, N·m."""
        torque = [0.0] * self._pose.count
        for joint, _, _ in self._live:
            torque[joint] = field.torque[joint]
            if field.velocity[joint]:
                resistance = self._pose.gears[joint].resistance_n_m(field.place[joint], True)
                torque[joint] += math.copysign(resistance, field.velocity[joint])
        return torque


def _asin(use: float) -> float:
    return math.asin(-1.0 if use < -1.0 else use if use < 1.0 else 1.0)


def _use_at(behind: float, lag: float) -> float:
    """Torque use of a shaft that is `behind` its field; `lag` is that of a quarter turn, /(π/2)."""
    angle = behind / lag
    if -_QUARTER_TURN <= angle <= _QUARTER_TURN:
        return math.sin(angle)
    return math.copysign(1.0, angle)
