"""Eight axes against Pinocchio: the scene's order of joints is not that of the chain."""

from __future__ import annotations

import numpy as np
import pinocchio as pin
import pytest

from dryrig.scenes import load_scene
from dryrig.sim.body import Body

SCENE = load_scene("heron_track")
COUNT = len(SCENE.joint)


def test_torques_forces_and_places_are_pinocchios() -> None:
    model = pin.buildModelFromUrdf(str(SCENE.urdf_path))
    for joint in SCENE.joint:
        number = model.getJointId(joint.name)
        own, rotor = model.inertias[number], joint.ratio**2 * joint.motor.rotor_kg_m2
        data = model.createData()
        pin.computeJointJacobians(model, data, np.zeros(COUNT))
        frame = pin.ReferenceFrame.LOCAL
        axis = pin.getJointJacobian(model, data, number, frame)[:, model.idx_vs[number]]
        model.inertias[number] = pin.Inertia(
            own.mass + (rotor if joint.kind == "linear" else 0.0),
            own.lever,
            own.inertia + rotor * np.outer(axis[3:], axis[3:]),
        )
    data = model.createData()
    columns = [model.idx_vs[model.getJointId(joint.name)] for joint in SCENE.joint]
    assert columns != sorted(columns)
    random, body = np.random.default_rng(8), Body(SCENE)
    try:
        for _ in range(20):
            pose = np.array([j.to_si(random.uniform(*j.stops_deg)) for j in SCENE.joint])
            rate, change = random.uniform(-1, 1, (2, COUNT))
            theirs = [np.empty(COUNT) for _ in range(3)]
            for ours, ordered in zip((pose, rate, change), theirs, strict=True):
                ordered[columns] = ours
            expected = pin.rnea(model, data, *theirs)[columns]
            assert body.inverse_dynamics(list(pose), list(rate), list(change)) == pytest.approx(
                expected, abs=1e-6
            )
            pin.forwardKinematics(model, data, theirs[0])
            for joint, (origin, _) in zip(SCENE.joint, body.link_frames(list(pose)), strict=True):
                place = data.oMi[model.getJointId(joint.name)].translation
                assert origin == pytest.approx(place, abs=1e-6)
    finally:
        body.close()
