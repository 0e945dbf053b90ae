"""The plant against an arm of our own (tests/peers/conftest.py): the same commands to both.

How the two are compared: same smooth command (steps evened out, worked out here), same currents,
the reference started at rest in the pose the plant is in, rotors counted as the plant counts them.
The reference rings after every change of acceleration, as an undamped motor does; the plant's
closed form is the middle of that. So the gap is asserted raw where the Heron's own accelerations
leave it small, and averaged over 0.1 s, some ten periods, everywhere.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np
import pinocchio as pin

from dryrig.scenes import Scene, load_scene
from dryrig.sim import TICKS_PER_S, Rig

Array = np.ndarray[Any, Any]
Current = Callable[[float], Array]


def nominal(scene: Scene) -> Scene:
    """The scene's arm with every figure as printed: no tilt, no spread, no play."""
    exact = {"base_tilt_deg": 0.0, "holding_torque": 0.0, "friction": 0.0}
    plain = {"backlash_deg": 0.0, "breakaway": 1.0}
    stiff = tuple(joint.model_copy(update=plain) for joint in scene.joint)
    return scene.model_copy(
        update={
            "tolerances": scene.tolerances.model_copy(update=exact),
            "harness": scene.harness.model_copy(update={"spread": 0.0}),
            "joint": stiff,
        }
    )


SCENE = nominal(load_scene("heron"))
JOINTS = SCENE.joint
COUNT = len(JOINTS)
STEPS_PER_DEG = np.array([joint.steps_per_deg * joint.direction for joint in JOINTS])
POLES = np.array([joint.motor.full_steps // 4 for joint in JOINTS])
GEAR = POLES * [joint.ratio * joint.direction for joint in JOINTS]
PEAK_N_M = np.array([j.ratio * j.efficiency * j.motor.holding_n_m for j in JOINTS])
FRICTION_N_M = np.array([joint.friction_n_m for joint in JOINTS])
ROTOR_KG_M2 = np.array([j.ratio**2 * j.motor.rotor_kg_m2 for j in JOINTS])
ELECTRICAL_RAD_PER_STEP = np.array([math.pi / 2 / joint.microsteps for joint in JOINTS])
FOUR_FULL_STEPS_DEG = 360.0 / np.abs(GEAR)
REST = (0.0, 60.0, -90.0, 0.0, 30.0, 0.0)


class Move(NamedTuple):
    """One joint's move: deg, deg/s, deg/s2, and when it starts."""

    joint: int
    deg: float
    deg_s: float
    deg_s2: float
    start_s: float = 0.0


class Trapezoid:
    """Signed steps of a move over time: uniform acceleration, worked out here."""

    def __init__(self, move: Move) -> None:
        unit = abs(STEPS_PER_DEG[move.joint])
        self.steps = round(move.deg * STEPS_PER_DEG[move.joint])
        self._start_s, self._distance = move.start_s, abs(self.steps)
        self._change = move.deg_s2 * unit
        self._rate = min(move.deg_s * unit, math.sqrt(self._change * self._distance))
        self._ramp_s = self._rate / self._change
        self._length_s = self._distance / self._rate + self._ramp_s
        self.end_s = self._start_s + self._length_s
        late = self._length_s - self._ramp_s
        self.corners_s = [self._start_s + t for t in (0.0, self._ramp_s, late, self._length_s)]

    def __call__(self, t: float) -> float:
        t -= self._start_s
        if t <= 0:
            return 0.0
        if t < self._ramp_s:
            way = 0.5 * self._change * t * t
        elif t < self._length_s - self._ramp_s:
            way = self._rate * (t - 0.5 * self._ramp_s)
        elif t < self._length_s:
            way = self._distance - 0.5 * self._change * (self._length_s - t) ** 2
        else:
            way = self._distance
        return math.copysign(way, self.steps)


class Trial:
    """One arm's moves, made by the plant's rig and, when asked for, by the reference."""

    def __init__(
        self,
        pose_deg: Sequence[float],
        moves: Sequence[Move] = (),
        current: dict[int, float] | None = None,
    ) -> None:
        self.moves = [(move, Trapezoid(move)) for move in moves]
        self.end_s = max((way.end_s for _, way in self.moves), default=0.0)
        self.rig = Rig(SCENE, 3, start_pose_deg=pose_deg)
        for axis in range(COUNT):
            self.rig.card.enable(axis, True)
        self.current = np.ones(COUNT)
        for joint, share in (current or {}).items():
            self.current[joint] = share
        # Little by little: a load angle that jumps would swing.
        for part in np.linspace(0.0, 1.0, 21):
            self.set_current(self.current**part)
            self.rig.advance(self.rig.now + TICKS_PER_S // 50)
        self.start = self.rig.now
        self.start_deg = np.array(self.rig.truth_deg())
        for move, way in self.moves:
            self._at(move.start_s, lambda move=move, way=way: self._begin(move, way))

    def _at(self, time_s: float, action: Callable[[], None]) -> None:
        self.rig.at(self.start + round(time_s * TICKS_PER_S), action)

    def _begin(self, move: Move, way: Trapezoid) -> None:
        card, unit = self.rig.card, abs(STEPS_PER_DEG[move.joint])
        card.set_rate(move.joint, move.deg_s * unit)
        card.set_acceleration(move.joint, move.deg_s2 * unit)
        card.move(move.joint, way.steps)

    def set_current(self, share: Array) -> None:
        parts = self.rig.harness.parts.copy()
        for joint, value in zip(JOINTS, share, strict=True):
            parts.set_parameter(f"{joint.name}.MOTOR.current", float(value))
        self.rig.fit(parts)

    def change_current(self, time_s: float, share: Array) -> None:
        self._at(time_s, lambda: self.set_current(share))

    def steps(self, t: float) -> Array:
        """The command in microsteps."""
        steps = np.zeros(COUNT)
        for move, way in self.moves:
            steps[move.joint] += way(t)
        return steps

    def times_s(self, every_s: float = 0.002, after_s: float = 0.15) -> Array:
        return np.arange(0.0, self.end_s + after_s, every_s)

    def plant(self, times_s: Array) -> tuple[Array, Array]:
        """True joint angles in deg, and whether the engine had them."""
        angles, engine = [], []
        for t in times_s:
            self.rig.advance(self.start + round(t * TICKS_PER_S))
            angles.append(self.rig.truth_deg())
            engine.append(self.rig.motion.engine)
        return np.array(angles), np.array(engine)

    def phase_rad(self) -> Array:
        """Electrical angle of every rotor at joint zero."""
        return POLES * np.array(self.rig.individual.rotor_phase_rad)

    def lag_rad(self, angles_deg: Array, steps: Array) -> Array:
        """Electrical angle of every rotor behind its field, the nearest turn left out."""
        lag = ELECTRICAL_RAD_PER_STEP * steps - GEAR * np.radians(angles_deg) - self.phase_rad()
        return np.remainder(lag + math.pi, 2 * math.pi) - math.pi

    def lost(self, angles_deg: Array, t: float) -> Array:
        """How far behind its command every joint is, in lots of four full steps."""
        ordered = self.start_deg + self.steps(t) / STEPS_PER_DEG
        return (ordered - angles_deg) / FOUR_FULL_STEPS_DEG


class Reference:
    """Makes the reference follow a trial."""

    def __init__(self, links: Any, arm: Any) -> None:
        self._links, self._arm = links, arm

    def __call__(
        self, trial: Trial, times_s: Array, current: Current | None = None, **options: Any
    ) -> Array:
        arm = self._arm(
            self._links(SCENE.urdf_path, ROTOR_KG_M2),
            peak_n_m=PEAK_N_M,
            gear=GEAR,
            phase_rad=trial.phase_rad(),
            friction_n_m=FRICTION_N_M,
            stops_rad=np.radians([joint.stops_deg for joint in JOINTS]),
            field_rad=lambda t: ELECTRICAL_RAD_PER_STEP * trial.steps(t),
            current=current or (lambda t: trial.current),
        )
        corners = [corner for _, way in trial.moves for corner in way.corners_s]
        start = np.radians(trial.start_deg)
        return np.degrees(arm.run(start, times_s, corners_s=corners, **options))


def averaged(gaps: Array, samples: int = 50) -> Array:
    """Running mean along the first axis."""
    total = np.cumsum(np.vstack([np.zeros(gaps.shape[1]), gaps]), axis=0)
    return (total[samples:] - total[:-samples]) / samples


def pinocchio_arm(*, rotor_on_link: bool = True) -> tuple[pin.Model, pin.Data]:
    model = pin.buildModelFromUrdf(str(SCENE.urdf_path))
    axes = [(0, 0, 1), (0, -1, 0), (0, -1, 0), (1, 0, 0), (0, -1, 0), (1, 0, 0)]
    for number, (axis, rotor) in enumerate(zip(axes, ROTOR_KG_M2, strict=True), start=1):
        if rotor_on_link:
            own = model.inertias[number]
            tensor = own.inertia + rotor * np.outer(axis, axis)
            model.inertias[number] = pin.Inertia(own.mass, own.lever, tensor)
        else:
            model.armature[number - 1] = rotor
    return model, model.createData()
