"""Motion in the engine: the full torque-angle curve in sub-steps of 1/3840 s.

Every live motor's torque is that of its coils' currents at the angle of its rotor, explicit, at the
command of the same tick. Play in a gear keeps the flank it had: it is far smaller than what slips.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from operator import lt

from .body import SUBSTEP_HZ
from .clock import TICKS_PER_S
from .drive import Drive
from .pose import Pose
from .stand import Stand

SUBSTEP = TICKS_PER_S // SUBSTEP_HZ
CHECK_EVERY = 16
_TELL_EVERY = 8
_AT_REST_RAD_S = 1e-3
_HELD_N_M = 1e4  # friction of a limp joint whose link rests on the stand
_HAND_N_M_PER_RAD = 300.0
_HAND_N_M_S_PER_RAD = 0.5
_HAND_LINEAR = 60.0  # times as much in N/m, along a linear axis

_Holding = tuple[int, float, float, float]
_Turning = tuple[int, Drive, float, float, float]
_Spinning = tuple[int, Drive, float, float, float, float, float]
Told = Callable[[int, list[float]], bool]


class Slipping:
    """The engine over a pose."""

    def __init__(self, pose: Pose) -> None:
        self._pose = pose
        self.substeps = 0
        self._changing: list[list[float]] = []
        self._stand = Stand(pose)

    def start(self) -> None:
        """Take over from the pose as it is."""
        self.substeps = 0
        self._stand.clear()
        self.place()
        self.set_frictions()

    def place(self) -> None:
        """Put the engine where the pose is."""
        self._pose.body.set_state(self._pose.position, self._pose.velocity)
        self._watch_touches()

    def _watch_touches(self) -> None:
        """Let the engine look for touches where bodies are near each other, and only there."""
        pose = self._pose
        near = pose.clearance.touchable(pose.position)
        if near or pose.body.touchable:
            pose.body.let_touch(near)

    def set_frictions(self) -> None:
        """Friction of every joint for who holds it now."""
        pose = self._pose
        self._stand.set()
        self._changing = []
        for joint, (drive, gear) in enumerate(zip(pose.drives, pose.gears, strict=True)):
            held = pose.stand and not drive.live and not pose.led(joint)
            still = abs(pose.velocity[joint]) < _AT_REST_RAD_S
            resistance = gear.resistance_n_m(pose.position[joint], drive.live, at_rest=still)
            pose.body.set_friction(joint, _HELD_N_M if held else resistance)
            if (gear.bind_n_m or gear.breakaway > 1.0) and not held:
                self._changing.append([joint, resistance])

    def _refriction(self, position: list[float], velocity: list[float]) -> None:
        """Friction of joints that bind at some angles, or stick at rest."""
        pose = self._pose
        for entry in self._changing:
            joint, before = int(entry[0]), entry[1]
            energised = pose.drives[joint].live
            still = abs(velocity[joint]) < _AT_REST_RAD_S
            resistance = pose.gears[joint].resistance_n_m(position[joint], energised, at_rest=still)
            if resistance != before:
                pose.body.set_friction(joint, resistance)
                entry[1] = resistance

    def run(self, limit: int, told: Told) -> None:
        """Sub-steps up to `limit`, or until `told` says that is enough.

        `told(tick, torques)` is called after every eighth sub-step and whenever a joint passes a
        cam, with the pose there.
        """
        pose = self._pose
        step, read, push = pose.body.step, pose.body.positions, self._stand.push
        tick, position = pose.tick, pose.position
        gaps = [shaft - joint for shaft, joint in zip(pose.shaft, position, strict=True)]
        holding, spinning, turning, couplings = self._split(tick, gaps)
        strength = [drive.strength(tick) for drive in pose.drives]
        weight: Sequence[float] = ()
        carried = pose.carried()
        if carried:  # what friction would hold rests on nothing
            weight = pose.body.weight(position)
            carried = [j for j in carried if abs(weight[j]) > pose.gears[j].friction_n_m]
        lows, highs = pose.narrowed() if pose.waits else (pose.low, pose.high)
        hand = pose.hand
        count, sine, substeps = pose.count, math.sin, self.substeps
        while tick + SUBSTEP <= limit:
            torques = [0.0] * count
            for joint, peak, angle, gear in holding:
                torques[joint] = peak * sine(angle - position[joint] * gear)
            for joint, drive, mean, apart, unit, phase, gear in spinning:
                field = drive.field_steps(tick) * unit
                rotor = position[joint] * gear + phase
                pull = mean * sine(field - rotor) + apart * sine(field + rotor)
                torques[joint] = strength[joint] * pull
            for joint, drive, gain, phase, gear in turning:
                first, second = drive.coil_currents(tick, strength[joint])
                rotor = position[joint] * gear + phase
                torques[joint] = gain * (second * math.cos(rotor) - first * sine(rotor))
            for joint in couplings:
                self._slip_coupling(joint, tick, position[joint] + gaps[joint], torques)
            if hand is not None:
                torques[hand.joint] += self._hand_torque(tick, position)
            for joint in carried:
                torques[joint] += weight[joint]
            push(position, torques)
            step(torques)
            tick += SUBSTEP
            position = read()
            substeps += 1
            if (turning or spinning) and not substeps % CHECK_EVERY:
                strength = [drive.strength(tick) for drive in pose.drives]
            if couplings:  # their phase may have moved
                holding, spinning, turning, couplings = self._split(tick, gaps)
            tripped = not (all(map(lt, lows, position)) and all(map(lt, position, highs)))
            if tripped or not substeps % _TELL_EVERY:
                self.substeps = substeps
                self._reach(tick, position, gaps)
                if not substeps % CHECK_EVERY:
                    pose.velocity = pose.body.state()[1]
                    self._refriction(position, pose.velocity)
                if carried:
                    weight = pose.body.weight(position)
                # A cam may have changed the wiring: begin anew.
                if told(tick, torques) or tripped:
                    return
        self.substeps = substeps
        self._reach(tick, position, gaps)

    def _reach(self, tick: int, position: list[float], gaps: list[float]) -> None:
        pose = self._pose
        pose.tick, pose.position = tick, position
        pose.shaft = [angle + gap for angle, gap in zip(position, gaps, strict=True)]
        self._stand.follow()
        self._watch_touches()

    def _split(
        self, tick: int, gaps: list[float]
    ) -> tuple[list[_Holding], list[_Spinning], list[_Turning], list[int]]:
        """Live joints whose field stands; whose field turns, each coil by its own current; whose
        field turns otherwise, or that have a coupling; and those with a coupling.
        """
        pose = self._pose
        holding: list[_Holding] = []
        spinning: list[_Spinning] = []
        turning: list[_Turning] = []
        couplings: list[int] = []
        for joint, (drive, gear) in enumerate(zip(pose.drives, pose.gears, strict=True)):
            if not drive.live:
                continue
            gain = gear.torque_ratio * drive.holding_n_m
            phase = (gear.phase_rad + gaps[joint] * gear.to_motor) * drive.teeth
            turn = gear.to_motor * drive.teeth
            if gear.slip_n_m < math.inf:
                couplings.append(joint)
            coils = drive.unmixed()
            even = not (gear.slip_n_m < math.inf or drive.ripple_rad)
            if drive.moving and even and coils is not None:
                mean, apart = gain * (coils[0] + coils[1]) / 2, gain * (coils[1] - coils[0]) / 2
                unit = drive.rad_per_step * drive.teeth
                spinning.append((joint, drive, mean, apart, unit, phase, turn))
            elif drive.moving or gear.slip_n_m < math.inf:
                turning.append((joint, drive, gain, phase, turn))
            else:
                first, second = drive.coil_currents(tick, drive.strength(tick))
                peak = gain * math.hypot(first, second)
                holding.append((joint, peak, math.atan2(second, first) - phase, turn))
        return holding, spinning, turning, couplings

    def _slip_coupling(self, joint: int, tick: int, shaft: float, torques: list[float]) -> None:
        """Pass no more torque than the coupling can; what the shaft turns on moves its phase.

        The shaft stays with its field, at the load angle of the coupling's limit.
        """
        gear, drive = self._pose.gears[joint], self._pose.drives[joint]
        first, second = drive.coil_currents(tick, drive.strength(tick))
        peak = math.hypot(first, second) * drive.holding_n_m
        if gear.slip_n_m >= peak:
            return
        limit = math.asin(gear.slip_n_m / peak)
        rotor = self._pose.motor_rad(joint, shaft) * drive.teeth
        lag = math.remainder(math.atan2(second, first) - rotor, 2 * math.pi)
        if abs(lag) > limit:
            gear.phase_rad += (lag - math.copysign(limit, lag)) / drive.teeth
            torques[joint] = math.copysign(gear.slip_n_m, lag) * gear.torque_ratio

    def _hand_torque(self, tick: int, position: list[float]) -> float:
        hand = self._pose.hand
        assert hand is not None
        target, rate = hand.at(tick)
        stiff = _HAND_LINEAR if self._pose.scene.joint[hand.joint].kind == "linear" else 1.0
        torque = stiff * _HAND_N_M_PER_RAD * (target - position[hand.joint])
        torque += stiff * _HAND_N_M_S_PER_RAD * (rate - self._pose.body.state()[1][hand.joint])
        return max(-hand.limit_n_m, min(hand.limit_n_m, torque))
