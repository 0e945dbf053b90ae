"""scratch"""
from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import pytest

from dryrig.scenes import Scene, load_scene
from dryrig.sim import TICKS_PER_S, Rig

Array = np.ndarray[Any, Any]


def nominal(scene: Scene) -> Scene:
    """The scene's arm with every figure as printed: no tilt, no spread, no play."""
    even = scene.tolerances.model_copy(
        update={"base_tilt_deg": 0.0, "holding_torque": 0.0, "friction": 0.0}
    )
    plain = scene.harness.model_copy(update={"spread": 0.0})
    stiff = tuple(joint.model_copy(update={"backlash_deg": 0.0}) for joint in scene.joint)
    return scene.model_copy(update={"tolerances": even, "harness": plain, "joint": stiff})


SCENE = nominal(load_scene("heron"))
COUNT = len(SCENE.joint)
STEPS_PER_DEG = np.array([joint.steps_per_deg * joint.direction for joint in SCENE.joint])
POLES = np.array([joint.motor.full_steps // 4 for joint in SCENE.joint])
PEAK_N_M = np.array([j.ratio * j.efficiency * j.motor.holding_n_m for j in SCENE.joint])
FRICTION_N_M = np.array([joint.friction_n_m for joint in SCENE.joint])
ELECTRICAL_RAD_PER_STEP = np.array([math.pi / 2 / joint.microsteps for joint in SCENE.joint])
WELL_DEG = np.array([360.0 / p / j.ratio for p, j in zip(POLES, SCENE.joint, strict=True)])


class Move(NamedTuple):
    joint: int
    deg: float
    deg_s: float
    deg_s2: float
    start_s: float = 0.0


class Trapezoid:
    """Signed steps of a move over time, worked out here (uniform acceleration)."""

    def __init__(self, move: Move) -> None:
        unit = abs(STEPS_PER_DEG[move.joint])
        self.steps = round(move.deg * STEPS_PER_DEG[move.joint])
        self.start_s = move.start_s
        self._distance = abs(self.steps)
        self._change = move.deg_s2 * unit
        self._rate = min(move.deg_s * unit, math.sqrt(self._change * self._distance))
        self._ramp_s = self._rate / self._change
        self.length_s = self._distance / self._rate + self._ramp_s
        self.end_s = self.start_s + self.length_s
        late = self.length_s - self._ramp_s
        self.corners_s = [self.start_s + t for t in (0.0, self._ramp_s, late, self.length_s)]

    def __call__(self, t: float) -> float:
        t -= self.start_s
        if t <= 0:
            return 0.0
        if t < self._ramp_s:
            way = 0.5 * self._change * t * t
        elif t < self.length_s - self._ramp_s:
            way = self._rate * (t - 0.5 * self._ramp_s)
        elif t < self.length_s:
            way = self._distance - 0.5 * self._change * (self.length_s - t) ** 2
        else:
            way = self._distance
        return math.copysign(way, self.steps)


class Course(NamedTuple):
    time_s: Array
    plant_deg: Array
    engine: Array
    reference_deg: Array | None
    command_deg: Array


class Trial:
    """One arm twice: the plant's rig and, when asked for, the reference."""

    def __init__(
        self,
        pose_deg: Sequence[float],
        moves: Sequence[Move] = (),
        current: dict[int, float] | None = None,
    ) -> None:
        self.moves = [(move, Trapezoid(move)) for move in moves]
        self.rig = Rig(SCENE, 3, start_pose_deg=pose_deg)
        for axis in range(COUNT):
            self.rig.card.enable(axis, True)
        self.current = np.ones(COUNT)
        if current:
            for joint, share in current.items():
                self.current[joint] = share
            self.set_current(self.current)
        self.start = self.rig.now
        self.start_deg = np.array(self.rig.truth_deg())
        for move, way in self.moves:
            self.rig.at(self.start + round(move.start_s * TICKS_PER_S), lambda m=move, w=way: self._go(m, w))

    def _go(self, move: Move, way: Trapezoid) -> None:
        card, unit = self.rig.card, abs(STEPS_PER_DEG[move.joint])
        card.set_rate(move.joint, move.deg_s * unit)
        card.set_acceleration(move.joint, move.deg_s2 * unit)
        card.move(move.joint, way.steps)

    def set_current(self, share: Array) -> None:
        parts = self.rig.harness.parts.copy()
        for joint, value in enumerate(share):
            parts.set_parameter(f"J{joint + 1}.MOTOR.current", float(value))
        self.rig.fit(parts)

    def steps(self, t: float) -> Array:
        steps = np.zeros(COUNT)
        for move, way in self.moves:
            steps[move.joint] += way(t)
        return steps

    def plant(self, times_s: Array) -> tuple[Array, Array]:
        places, engine = [], []
        for t in times_s:
            self.rig.advance(self.start + round(t * TICKS_PER_S))
            places.append(self.rig.truth_deg())
            engine.append(self.rig.motion.engine)
        return np.array(places), np.array(engine)

    def reference(self, Links: Any, Arm: Any, times_s: Array, current=None, rotor_on_link=True, **options: Any) -> Array:
        gear = np.array([p * j.ratio * j.direction for p, j in zip(POLES, SCENE.joint, strict=True)])
        rotors = np.array([j.ratio**2 * j.motor.rotor_kg_m2 for j in SCENE.joint])
        arm = Arm(
            Links(SCENE.urdf_path, rotors, rotor_on_link=rotor_on_link),
            peak_n_m=PEAK_N_M,
            gear=gear,
            phase_rad=POLES * np.array(self.rig.individual.rotor_phase_rad),
            friction_n_m=FRICTION_N_M,
            stops_rad=np.radians([joint.stops_deg for joint in SCENE.joint]),
            field_rad=lambda t: ELECTRICAL_RAD_PER_STEP * self.steps(t),
            current=current or (lambda t: self.current),
        )
        corners = [corner for _, way in self.moves for corner in way.corners_s]
        return np.degrees(arm.run(np.radians(self.start_deg), times_s, corners_s=corners, **options))
