"""The arm's bodies: the only file that names pybullet.

One DIRECT client serves one rig at a time and is handed on when that rig closes. The arm is loaded
anew for every rig, with all engine parameters pinned, so that runs repeat bit for bit. A rotor
counts as ratio² times its inertia, added to its link about the joint axis, because pybullet has no
rotor inertia of its own. That is exact for the joint itself; joints nearer the base see the rotor
as well (on the Heron at most 6 %, on J4 11 %, where J6's rotor lies parallel to it).
"""

from __future__ import annotations

import importlib
import math
import os
from collections.abc import Sequence
from typing import Any

from ..errors import SceneError
from ..scenes import Scene

SUBSTEP_HZ = 3840
GRAVITY = 9.81


def _load_engine() -> Any:
    """Import pybullet without the build time it writes to standard error from C."""
    kept, nowhere = os.dup(2), os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        module = importlib.import_module("pybullet")
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)
    return module


engine: Any = _load_engine()

_idle: list[int] = []


def _client() -> int:
    return _idle.pop() if _idle else int(engine.connect(engine.DIRECT))


class Body:
    """One arm in the engine. Joint arrays have one entry a joint, in rad, rad/s, N·m."""

    def __init__(
        self,
        scene: Scene,
        *,
        base_tilt_rad: tuple[float, float] = (0.0, 0.0),
        friction_n_m: Sequence[float] | None = None,
    ) -> None:
        self._client = _client()
        self._count = len(scene.joint)
        roll, pitch = base_tilt_rad
        # Up as the base sees it; a tilted base is gravity leaning the other way.
        self._up = (
            math.sin(pitch),
            -math.sin(roll) * math.cos(pitch),
            math.cos(roll) * math.cos(pitch),
        )
        self._scene, self._extra_kg = scene, 0.0
        self._friction = list(friction_n_m or [joint.friction_n_m for joint in scene.joint])
        self._pin_parameters()
        self._load()
        try:
            self.inverse_dynamics(*([0.0] * self._count for _ in range(3)))
        except SystemError:
            self.close()
            raise SceneError(
                f"{scene.urdf}: the engine cannot take an inertia of this arm: with its rotor "
                "(ratio² times rotor_kg_m2) a link's inertia about one axis exceeds the sum of "
                "the other two; give the link more inertia, or the rotor less"
            ) from None

    def _load(self) -> None:
        """Load the arm, with what it carries, its rotors and its friction."""
        self._arm = engine.loadURDF(
            str(self._scene.urdf_path),
            useFixedBase=True,
            flags=engine.URDF_USE_INERTIA_FROM_FILE,
            physicsClientId=self._client,
        )
        self._joints = self._find_joints(self._scene)
        if self._extra_kg:
            last = self._joints[-1]
            mass = engine.getDynamicsInfo(self._arm, last, self._client)[0] + self._extra_kg
            engine.changeDynamics(self._arm, last, mass=mass, physicsClientId=self._client)
        self._add_rotors(self._scene)
        engine.setJointMotorControlArray(
            self._arm,
            self._joints,
            engine.VELOCITY_CONTROL,
            targetVelocities=[0.0] * self._count,
            forces=self._friction,
            physicsClientId=self._client,
        )

    def carry(self, extra_kg: float) -> None:
        """Carry so much beyond the payload, with the same centre of mass; the state stays.

        The engine keeps the inverse dynamics of an arm once asked for until it is reset, even for
        another body in the same place: all is loaded anew.
        """
        if extra_kg == self._extra_kg:
            return
        self._extra_kg = extra_kg
        position, velocity = self.state()
        self._pin_parameters()
        self._load()
        self.set_state(position, velocity)

    def _pin_parameters(self) -> None:
        engine.resetSimulation(physicsClientId=self._client)
        engine.setGravity(*(-GRAVITY * part for part in self._up), physicsClientId=self._client)
        engine.setPhysicsEngineParameter(
            fixedTimeStep=1 / SUBSTEP_HZ,
            numSubSteps=0,
            deterministicOverlappingPairs=1,
            enableFileCaching=0,
            physicsClientId=self._client,
        )

    def _find_joints(self, scene: Scene) -> list[int]:
        names = {}
        for number in range(engine.getNumJoints(self._arm, physicsClientId=self._client)):
            info = engine.getJointInfo(self._arm, number, physicsClientId=self._client)
            names[info[1].decode()] = number
        missing = [joint.name for joint in scene.joint if joint.name not in names]
        if missing:
            self.close()
            raise SceneError(
                f"{scene.urdf}: no joint {', '.join(missing)}; it has {', '.join(names)}"
            )
        return [names[joint.name] for joint in scene.joint]

    def _add_rotors(self, scene: Scene) -> None:
        for link in range(-1, engine.getNumJoints(self._arm, physicsClientId=self._client)):
            engine.changeDynamics(
                self._arm,
                link,
                linearDamping=0.0,
                angularDamping=0.0,
                jointDamping=0.0,
                physicsClientId=self._client,
            )
        for joint, link in zip(scene.joint, self._joints, strict=True):
            axis = engine.getJointInfo(self._arm, link, physicsClientId=self._client)[13]
            inertia = list(engine.getDynamicsInfo(self._arm, link, self._client)[2])
            rotor = joint.ratio**2 * joint.motor.rotor_kg_m2
            inertia = [own + rotor * abs(part) for own, part in zip(inertia, axis, strict=True)]
            # In a call of its own: beside a damping the engine drops it without a word.
            engine.changeDynamics(
                self._arm, link, localInertiaDiagonal=inertia, physicsClientId=self._client
            )

    def close(self) -> None:
        """Give the client back."""
        if self._client >= 0:
            engine.resetSimulation(physicsClientId=self._client)
            _idle.append(self._client)
            self._client = -1

    def inverse_dynamics(
        self, position: list[float], velocity: list[float], acceleration: list[float]
    ) -> Sequence[float]:
        """Joint torques for a motion, gravity included, friction not."""
        torques: Sequence[float] = engine.calculateInverseDynamics(
            self._arm, position, velocity, acceleration, physicsClientId=self._client
        )
        return torques

    def mass_matrix(self, position: list[float]) -> tuple[tuple[float, ...], ...]:
        """Joint-space inertia, kg·m², rotors included."""
        matrix: tuple[tuple[float, ...], ...] = engine.calculateMassMatrix(
            self._arm, position, physicsClientId=self._client
        )
        return matrix

    def set_state(self, position: Sequence[float], velocity: Sequence[float]) -> None:
        """Put every joint at a position with a velocity."""
        engine.resetJointStatesMultiDof(
            self._arm,
            self._joints,
            [[value] for value in position],
            [[value] for value in velocity],
            physicsClientId=self._client,
        )

    def state(self) -> tuple[list[float], list[float]]:
        """Positions and velocities."""
        states = engine.getJointStates(self._arm, self._joints, self._client)
        return [state[0] for state in states], [state[1] for state in states]

    def positions(self) -> list[float]:
        """Positions only."""
        states = engine.getJointStates(self._arm, self._joints, self._client)
        return [state[0] for state in states]

    def step(self, torques: list[float]) -> None:
        """One sub-step of 1/3840 s under these joint torques."""
        engine.setJointMotorControlArray(
            self._arm,
            self._joints,
            engine.TORQUE_CONTROL,
            forces=torques,
            physicsClientId=self._client,
        )
        engine.stepSimulation(self._client)

    def set_friction(self, joint: int, torque_n_m: float) -> None:
        """Coulomb friction of one joint."""
        self._friction[joint] = torque_n_m
        engine.setJointMotorControl2(
            self._arm,
            self._joints[joint],
            engine.VELOCITY_CONTROL,
            targetVelocity=0.0,
            force=torque_n_m,
            physicsClientId=self._client,
        )

    def link_frames(
        self, position: Sequence[float]
    ) -> list[tuple[tuple[float, ...], tuple[float, ...]]]:
        """Origin (m) and orientation (row-major 3x3) of every joint's link, base frame."""
        self.set_state(position, [0.0] * self._count)
        frames = []
        for state in engine.getLinkStates(
            self._arm, self._joints, computeForwardKinematics=1, physicsClientId=self._client
        ):
            frames.append((tuple(state[4]), tuple(engine.getMatrixFromQuaternion(state[5]))))
        return frames

    def pitch_rad(self, position: Sequence[float], joint: int | None) -> float:
        """Pitch of a link's x axis against the horizontal, up positive; None is the base."""
        if joint is None:
            axis: Sequence[float] = (1.0, 0.0, 0.0)
        else:
            matrix = self.link_frames(position)[joint][1]
            axis = (matrix[0], matrix[3], matrix[6])
        rise = sum(a * b for a, b in zip(axis, self._up, strict=True))
        return math.asin(max(-1.0, min(1.0, rise)))
