"""The arm's bodies in the engine: dynamics, steps, gaps, where links are.

The arm is loaded anew for every rig, with all engine parameters pinned, so that runs repeat bit for
bit.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from typing import Any, NamedTuple

from ..errors import SceneError
from ..scenes import Scene
from .engine import engine, give_back, take_client
from .loading import load

SUBSTEP_HZ = 3840
GRAVITY = 9.81


class Pair(NamedTuple):
    """Two bodies that may touch: links by their number, -1 the base; `one` None is the table."""

    one: int | None
    other: int


class Body:
    """One arm in the engine. Joint arrays have one entry a joint, in rad, rad/s, N·m."""

    def __init__(
        self,
        scene: Scene,
        *,
        base_tilt_rad: tuple[float, float] = (0.0, 0.0),
        friction_n_m: Sequence[float] | None = None,
    ) -> None:
        self._client = take_client()
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

    def _load(self, touchable: Collection[Pair] = ()) -> None:
        """Load the arm with what it carries, its rotors and friction, and the table under it."""
        try:
            self._arm, self._table, self._joints = load(self._client, self._scene, self._extra_kg)
        except SceneError:
            self.close()
            raise
        order = sorted(range(self._count), key=lambda joint: self._joints[joint])
        # The engine's own order of joints, where it is not the scene's.
        self._order = None if order == list(range(self._count)) else order
        self.pairs = self._find_pairs()
        self.touchable = set(self.pairs)
        self.let_touch(touchable)
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
        self._load(self.touchable)
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

    def _find_pairs(self) -> list[Pair]:
        """Links that are not neighbours; links against the table, unless they keep their height.

        A link without a shape is looked through: what it carries is its neighbour's neighbour.
        """
        count = engine.getNumJoints(self._arm, physicsClientId=self._client)
        shaped = [
            link
            for link in range(-1, count)
            if engine.getCollisionShapeData(self._arm, link, physicsClientId=self._client)
        ]
        self.set_state([0.0] * self._count, [0.0] * self._count)
        below, level = {-1: -2}, {-1}
        for link in range(count):
            info = engine.getJointInfo(self._arm, link, physicsClientId=self._client)
            parent = info[16]
            below[link] = parent if parent in shaped else below[parent]
            upright = abs(self._axis(link, info)[2])
            slides = info[2] == engine.JOINT_PRISMATIC
            if parent in level and (
                info[2] == engine.JOINT_FIXED or (upright < 1e-6 if slides else upright > 1 - 1e-6)
            ):
                level.add(link)
        pairs = [
            Pair(one, other)
            for one in shaped
            for other in shaped
            if one < other and below[other] != one
        ]
        if self._table is not None:
            pairs += [Pair(None, link) for link in shaped if link not in level]
        return pairs

    def _axis(self, link: int, info: Sequence[Any]) -> list[float]:
        """A joint's axis in the base frame, where the engine has it now."""
        state = engine.getLinkState(self._arm, link, 1, 1, physicsClientId=self._client)
        turn = engine.getMatrixFromQuaternion(state[5])
        return [sum(turn[3 * row + k] * info[13][k] for k in range(3)) for row in range(3)]

    def name(self, link: int) -> str:
        """A link as the URDF calls it; -1 is the base."""
        if link < 0:
            return str(engine.getBodyInfo(self._arm, self._client)[0].decode())
        return str(engine.getJointInfo(self._arm, link, physicsClientId=self._client)[12].decode())

    def let_touch(self, pairs: Collection[Pair]) -> None:
        """Let the engine see these pairs touch, and no others."""
        wanted = set(pairs)
        for pair in self.touchable ^ wanted:
            engine.setCollisionFilterPair(
                self._arm,
                self._arm if pair.one is not None else self._table,
                pair.other,
                -1 if pair.one is None else pair.one,
                int(pair in wanted),
                physicsClientId=self._client,
            )
        self.touchable = wanted

    def gap_m(self, pair: Pair, within_m: float) -> float:
        """How far apart a pair is where the engine has it now; `within_m` if further."""
        found = engine.getClosestPoints(
            self._arm,
            self._arm if pair.one is not None else self._table,
            within_m,
            pair.other,
            -1 if pair.one is None else pair.one,
            physicsClientId=self._client,
        )
        return min((point[8] for point in found), default=within_m)

    def reaches_m(self, link: int) -> list[float]:
        """How far any point of a link lies from the axis of each joint at most, in any pose.

        0 for joints that do not carry the link. Bounds: the corners of the link's box at the zero
        pose, and the distances from joint to joint.
        """
        self.set_state([0.0] * self._count, [0.0] * self._count)
        low, high = engine.getAABB(self._arm, link, physicsClientId=self._client)
        info = engine.getJointInfo(self._arm, link, physicsClientId=self._client)
        state = engine.getLinkState(self._arm, link, 1, 1, physicsClientId=self._client)
        axis = self._axis(link, info)
        own = far = 0.0
        for corner in range(8):
            arm = [(high if corner >> k & 1 else low)[k] - state[4][k] for k in range(3)]
            along = sum(a * b for a, b in zip(arm, axis, strict=True))
            length = math.hypot(*arm)
            far = max(far, length)
            own = max(own, math.sqrt(max(0.0, length * length - along * along)))
        reaches = [0.0] * self._count
        while link >= 0:
            info = engine.getJointInfo(self._arm, link, physicsClientId=self._client)
            if link in self._joints:
                slides = info[2] == engine.JOINT_PRISMATIC
                reaches[self._joints.index(link)] = 1.0 if slides else own
            far += math.hypot(*info[14]) + self._frame_shift_m(info[16])
            own, link = far, info[16]
        return reaches

    def _frame_shift_m(self, link: int) -> float:
        """How far a link's centre of mass, which joints below refer to, is from its own joint."""
        if link < 0:
            return 0.0
        return math.hypot(*engine.getDynamicsInfo(self._arm, link, self._client)[3])

    def close(self) -> None:
        """Give the client back."""
        if self._client >= 0:
            give_back(self._client)
            self._client = -1

    def inverse_dynamics(
        self, position: list[float], velocity: list[float], acceleration: list[float]
    ) -> Sequence[float]:
        """Joint torques for a motion, gravity included, friction not."""
        order = self._order
        if order is not None:
            position, velocity, acceleration = (
                [values[joint] for joint in order] for values in (position, velocity, acceleration)
            )
        torques: Sequence[float] = engine.calculateInverseDynamics(
            self._arm, position, velocity, acceleration, physicsClientId=self._client
        )
        return torques if order is None else [torques[order.index(j)] for j in range(self._count)]

    def weight(self, position: list[float]) -> Sequence[float]:
        """Joint torques that hold the arm still against gravity, N·m."""
        still = [0.0] * self._count
        return self.inverse_dynamics(position, still, still)

    def mass_matrix(self, position: list[float]) -> tuple[tuple[float, ...], ...]:
        """Joint-space inertia, kg·m², rotors included."""
        order = self._order
        matrix: tuple[tuple[float, ...], ...] = engine.calculateMassMatrix(
            self._arm,
            position if order is None else [position[joint] for joint in order],
            physicsClientId=self._client,
        )
        if order is None:
            return matrix
        places = [order.index(joint) for joint in range(self._count)]
        return tuple(tuple(matrix[row][column] for column in places) for row in places)

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

    def overhang_n_m(self, position: Sequence[float]) -> tuple[float, float]:
        """Moments of the links' weight about the base's origin, towards its x and y."""
        self.set_state(position, [0.0] * self._count)
        links = list(range(engine.getNumJoints(self._arm, physicsClientId=self._client)))
        x = y = 0.0
        for link, state in zip(
            links,
            engine.getLinkStates(
                self._arm, links, computeForwardKinematics=1, physicsClientId=self._client
            ),
            strict=True,
        ):
            mass = engine.getDynamicsInfo(self._arm, link, self._client)[0]
            x, y = x + mass * state[0][0], y + mass * state[0][1]
        return GRAVITY * x, GRAVITY * y

    def pitch_rad(
        self,
        position: Sequence[float],
        joint: int | None,
        lean_rad: tuple[float, float] | None = None,
    ) -> float:
        """Pitch of a link's x axis against the horizontal, up positive; None is the base.

        `lean_rad` is how far the base leans towards its own x and y beyond how it was put up.
        """
        if joint is None:
            axis: Sequence[float] = (1.0, 0.0, 0.0)
        else:
            matrix = self.link_frames(position)[joint][1]
            axis = (matrix[0], matrix[3], matrix[6])
        up: Sequence[float] = self._up
        if lean_rad is not None:  # fractions of a degree: what leans forward sees up behind it
            up = (up[0] - lean_rad[0], up[1] - lean_rad[1], up[2])
            up = [part / math.hypot(*up) for part in up]
        rise = sum(a * b for a, b in zip(axis, up, strict=True))
        return math.asin(max(-1.0, min(1.0, rise)))
