"""The Heron's kinematics and dynamics against Pinocchio (`pin`), an independent library.

Both read the same URDF. The engine knows no rotor inertia, so the plant adds ratio^2 x rotor
inertia to the driven link's own inertia about the joint axis; Pinocchio is given the same.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pinocchio as pin
import pytest

from dryrig.scenes import Scene, load_scene
from dryrig.sim.body import Body

TOLERANCE = 1e-6  # m, N m, kg m2; unit vectors of orientations
SCENE = load_scene("heron")
RANDOM = np.random.default_rng(20)
LOW, HIGH = np.radians([joint.stops_deg for joint in SCENE.joint]).T
POSES = [
    np.zeros(6),
    np.radians(SCENE.rest_pose_deg),
    *(np.radians(joint.trim.pose_deg) for joint in SCENE.joint),
    *RANDOM.uniform(LOW, HIGH, (40, 6)),
]


@pytest.fixture
def body() -> Iterator[Body]:
    arm = Body(SCENE)
    yield arm
    arm.close()


def peer(scene: Scene, *, armature: bool = False) -> tuple[pin.Model, pin.Data]:
    """The same arm in Pinocchio, rotors on the links or (its own way) as armature."""
    model = pin.buildModelFromUrdf(str(scene.urdf_path))
    assert list(model.names)[1:] == [joint.name for joint in scene.joint]
    for number, joint in enumerate(scene.joint, start=1):
        rotor = joint.ratio**2 * joint.motor.rotor_kg_m2
        if armature:
            model.armature[number - 1] = rotor
            continue
        # The joint's motion in its own link's frame: turning about its axis.
        data = model.createData()
        pin.computeJointJacobians(model, data, np.zeros(6))
        axis = pin.getJointJacobian(model, data, number, pin.ReferenceFrame.LOCAL)[3:, number - 1]
        own = model.inertias[number]
        model.inertias[number] = pin.Inertia(
            own.mass, own.lever, own.inertia + rotor * np.outer(axis, axis)
        )
    return model, model.createData()


def symmetric(upper: np.ndarray) -> np.ndarray:
    """Pinocchio fills the upper triangle only."""
    return np.triu(upper) + np.triu(upper, 1).T


@pytest.mark.parametrize("pose", POSES)
def test_every_link_lies_where_pinocchio_puts_it(body: Body, pose: np.ndarray) -> None:
    model, data = peer(SCENE)
    pin.forwardKinematics(model, data, pose)
    frames = body.link_frames(list(pose))
    assert len(frames) == 6
    for number, (origin, orientation) in enumerate(frames, start=1):
        placed = data.oMi[number]
        assert origin == pytest.approx(placed.translation, abs=TOLERANCE)
        assert orientation == pytest.approx(placed.rotation.ravel(), abs=TOLERANCE)


@pytest.mark.parametrize("pose", POSES)
def test_gravity_torques_are_pinocchios(body: Body, pose: np.ndarray) -> None:
    model, data = peer(SCENE)
    ours = body.inverse_dynamics(list(pose), [0.0] * 6, [0.0] * 6)
    assert ours == pytest.approx(pin.computeGeneralizedGravity(model, data, pose), abs=TOLERANCE)


@pytest.mark.parametrize("pose", POSES)
def test_the_mass_matrix_is_pinocchios(body: Body, pose: np.ndarray) -> None:
    model, data = peer(SCENE)
    theirs = symmetric(pin.crba(model, data, pose))
    assert np.array(body.mass_matrix(list(pose))) == pytest.approx(theirs, abs=TOLERANCE)


def test_torques_of_a_motion_are_pinocchios(body: Body) -> None:
    model, data = peer(SCENE)
    for pose in POSES:
        velocity, acceleration = RANDOM.uniform(-1, 1, (2, 6))
        ours = body.inverse_dynamics(list(pose), list(velocity), list(acceleration))
        theirs = pin.rnea(model, data, pose, velocity, acceleration)
        assert ours == pytest.approx(theirs, abs=TOLERANCE)


def test_a_tilted_base_leans_gravity() -> None:
    pitch = np.radians(5.0)  # the base's x axis points up by 5 degrees
    model, data = peer(SCENE)
    model.gravity.linear = -9.81 * np.array([np.sin(pitch), 0.0, np.cos(pitch)])
    arm = Body(SCENE, base_tilt_rad=(0.0, pitch))
    try:
        for pose in POSES:
            ours = arm.inverse_dynamics(list(pose), [0.0] * 6, [0.0] * 6)
            theirs = pin.computeGeneralizedGravity(model, data, pose)
            assert ours == pytest.approx(theirs, abs=TOLERANCE)
    finally:
        arm.close()


def test_rotors_on_the_links_stay_close_to_true_rotors(body: Body) -> None:
    """A true rotor (Pinocchio's armature) adds to its own joint's inertia alone.

    On the link it also turns with the joints before it, which then carry a little too much: most
    where a light joint carries a parallel one, as the forearm roll does the tool roll.
    """
    model, data = peer(SCENE, armature=True)
    most = [0.04, 0.06, 0.01, 0.12, 1e-9, 1e-9]
    for pose in POSES:
        ours = np.diag(body.mass_matrix(list(pose)))
        theirs = np.diag(pin.crba(model, data, pose))
        excess = ours / theirs - 1
        assert np.all(excess >= -1e-9)
        assert np.all(excess <= most)
