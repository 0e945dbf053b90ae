"""The Heron's files: what the plant asks of a URDF, and torques its motors can bear."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import numpy as np
import pytest
from scipy.optimize import minimize

from dryrig.scenes import Joint, load_scene
from dryrig.sim.body import Body

SCENE = load_scene("heron")
ROOT = ET.parse(SCENE.urdf_path).getroot()
LINKS = {link.get("name"): link for link in ROOT.iter("link")}
JOINTS = {joint.get("name"): joint for joint in ROOT.iter("joint")}


def child(element: ET.Element, tag: str) -> ET.Element:
    found = element.find(tag)
    assert found is not None, f"{element.tag} without {tag}"
    return found


def numbers(element: ET.Element, name: str) -> list[float]:
    return [float(word) for word in element.get(name, "").split()]


def inertia_of(name: str, *keys: str) -> list[float]:
    given = child(child(LINKS[name], "inertial"), "inertia")
    return [number for key in keys for number in numbers(given, key)]


def test_links_and_joints_are_named_in_order() -> None:
    assert list(LINKS) == ["base", "L1", "L2", "L3", "L4", "L5", "L6"]
    assert list(JOINTS) == ["J1", "J2", "J3", "J4", "J5", "J6"]


@pytest.mark.parametrize("name", LINKS)
def test_an_inertia_is_one_a_solid_can_have(name: str) -> None:
    assert numbers(child(child(LINKS[name], "inertial"), "origin"), "rpy") == [0, 0, 0]
    assert inertia_of(name, "ixy", "ixz", "iyz") == [0, 0, 0]
    x, y, z = inertia_of(name, "ixx", "iyy", "izz")
    assert min(x, y, z) > 0
    assert x + y > z
    assert y + z > x
    assert z + x > y


@pytest.mark.parametrize("name", LINKS)
def test_an_inertia_follows_from_the_links_solid_primitives(name: str) -> None:
    """Masses of two primitives on one line follow from mass and centre: two unknowns, two sums.

    Formulas for solid boxes, cylinders and parallel axes: any mechanics text.
    """
    inertial = child(LINKS[name], "inertial")
    (mass,) = numbers(child(inertial, "mass"), "value")
    centre = np.array(numbers(child(inertial, "origin"), "xyz"))
    shapes = LINKS[name].findall("visual")
    places = np.array([numbers(child(shape, "origin"), "xyz") for shape in shapes])
    sums = np.vstack([np.ones(len(shapes)), places.T])
    masses = np.linalg.lstsq(sums, [mass, *(mass * centre)], rcond=None)[0]
    assert masses.sum() == pytest.approx(mass, rel=1e-6)
    total = np.zeros(3)
    for shape, place, share in zip(shapes, places, masses, strict=True):
        arm = place - centre
        total += share * (arm @ arm - arm**2) + solid(shape, share)
    assert inertia_of(name, "ixx", "iyy", "izz") == pytest.approx(total, rel=1e-5)


def solid(shape: ET.Element, mass: float) -> np.ndarray:
    """Principal inertias of one even solid about its own centre."""
    form = child(shape, "geometry")[0]
    if form.tag == "box":
        x, y, z = numbers(form, "size")
        return mass / 12 * np.array([y * y + z * z, x * x + z * z, x * x + y * y])
    assert form.tag == "cylinder"
    (radius,), (length,) = numbers(form, "radius"), numbers(form, "length")
    along, across = mass * radius**2 / 2, mass * (3 * radius**2 + length**2) / 12
    lying = abs(numbers(child(shape, "origin"), "rpy")[1]) > 1  # turned about y: along x
    return np.array([along, across, across] if lying else [across, across, along])


@pytest.mark.parametrize("joint", SCENE.joint, ids=lambda joint: joint.name)
def test_limits_are_the_scenes_hard_stops(joint: Joint) -> None:
    limit = child(JOINTS[joint.name], "limit")
    given = np.degrees([*numbers(limit, "lower"), *numbers(limit, "upper")])
    assert given == pytest.approx(joint.stops_deg, abs=1e-6)


def test_the_reach_and_payload_are_the_drawings() -> None:
    """0.60 m from shoulder to tool point; the payload's centre is the tool point."""
    along = [numbers(child(JOINTS[name], "origin"), "xyz")[0] for name in list(JOINTS)[2:]]
    payload = LINKS["L6"].findall("visual")[-1]
    along.append(numbers(child(payload, "origin"), "xyz")[0])
    assert sum(along) == pytest.approx(0.60)
    assert SCENE.payload_kg == 1.0


@pytest.mark.parametrize("number", range(6))
def test_gravity_takes_at_most_half_of_a_motors_holding_torque(number: int) -> None:
    """In the worst pose anywhere between the hard stops; tolerances of motors left out."""
    low, high = np.radians([joint.stops_deg for joint in SCENE.joint]).T
    body = Body(SCENE)

    def torque_n_m(pose: np.ndarray) -> float:
        inside = list(np.clip(pose, low, high))
        return abs(body.inverse_dynamics(inside, [0.0] * 6, [0.0] * 6)[number])

    try:
        poses = np.random.default_rng(number).uniform(low, high, (3000, 6))
        start = max([np.zeros(6), *poses], key=torque_n_m)
        found = minimize(lambda pose: -torque_n_m(pose), start, method="Nelder-Mead")
        worst = torque_n_m(found.x)
    finally:
        body.close()
    joint = SCENE.joint[number]
    holding = joint.motor.holding_n_m * joint.ratio * joint.efficiency
    assert worst <= 0.5 * holding
    # The search did find the worst: the shoulder's is the stretched arm.
    if joint.name == "J2":
        assert worst == pytest.approx(12.06, abs=0.01)
