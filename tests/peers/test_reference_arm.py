"""The plant against an arm of our own (conftest.py, tests/helpers/reference_trial.py)
and against Pinocchio: load angles, locked motion, handing over to the engine and back.

Where the plant fails a check, it is an expected failure with the figure that was measured.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
import pinocchio as pin
import pytest
from reference_trial import (
    COUNT,
    FRICTION_N_M,
    GEAR,
    JOINTS,
    PEAK_N_M,
    REST,
    ROTOR_KG_M2,
    SCENE,
    STEPS_PER_DEG,
    Array,
    Move,
    Reference,
    Trial,
    averaged,
    pinocchio_arm,
)

# --- the reference itself, and load angles, against Pinocchio --------------------------------


@pytest.mark.parametrize("rotor_on_link", [True, False])
def test_the_references_equations_are_pinocchios(reference_links: Any, rotor_on_link: bool) -> None:
    links = reference_links(SCENE.urdf_path, ROTOR_KG_M2, rotor_on_link=rotor_on_link)
    model, data = pinocchio_arm(rotor_on_link=rotor_on_link)
    random = np.random.default_rng(7)
    for _ in range(40):
        angles, rates = random.uniform(-2.5, 2.5, (2, COUNT))
        mass, bias = links.equations(angles, rates)
        theirs = np.triu(pin.crba(model, data, angles))
        assert np.triu(mass) == pytest.approx(theirs, abs=1e-13)
        assert bias == pytest.approx(pin.nle(model, data, angles, rates), abs=1e-12)


POSES = [
    (0, 0, 0, 0, 0, 0),
    (20, 30, -30, 40, 50, -60),
    (-90, 80, -130, -100, 60, 10),
    (5, -20, 20, 90, 90, 0),
]


@pytest.mark.parametrize("share", [1.0, 0.55])
@pytest.mark.parametrize("pose", POSES)
def test_at_rest_the_load_angle_balances_pinocchios_gravity(
    attempt: Callable[..., Trial], pose: tuple[float, ...], share: float
) -> None:
    trial = attempt(pose, current=dict.fromkeys(range(COUNT), share))
    angles = np.array(trial.rig.truth_deg())
    model, data = pinocchio_arm()
    gravity = pin.computeGeneralizedGravity(model, data, np.radians(angles))
    torque = np.sign(GEAR) * PEAK_N_M * share * np.sin(trial.lag_rad(angles, np.zeros(COUNT)))
    # Friction may carry a part. The plant takes gravity where the field is: 0.1 deg of lever.
    assert np.all(np.abs(torque - gravity) <= FRICTION_N_M + 0.01)


def test_in_motion_the_load_angle_balances_pinocchios_torques(
    attempt: Callable[..., Trial],
) -> None:
    moves = [Move(0, 8, 20, 100), Move(1, 9, 15, 80), Move(2, -9, 15, 100), Move(4, -12, 30, 200)]
    trial = attempt((0, -12, 0, 0, 10, 0), moves, current={0: 0.9, 1: 0.5, 2: 0.55, 4: 0.9})
    model, data = pinocchio_arm()
    used = 0.0
    for t in np.arange(0.025, 0.5, 0.03):
        angles = trial.plant(np.array([t]))[0][0]
        if trial.rig.motion.engine:
            continue  # it rings
        rates, changes = np.zeros(COUNT), np.zeros(COUNT)
        for joint, _ in enumerate(JOINTS):
            early, now, late = (trial.steps(t + dt)[joint] for dt in (-1e-4, 0.0, 1e-4))
            unit = math.radians(1) / STEPS_PER_DEG[joint]
            rates[joint] = (late - early) / 2e-4 * unit
            changes[joint] = round((late - 2 * now + early) / 1e-8 * unit, 3)
        needed = pin.rnea(model, data, np.radians(angles), rates, changes)
        lag = trial.lag_rad(angles, trial.steps(t))
        given = np.sign(GEAR) * PEAK_N_M * trial.current * np.sin(lag)
        moving, resistance = rates != 0, given - needed
        expected = (FRICTION_N_M * np.sign(rates))[moving]
        assert resistance[moving] == pytest.approx(expected, abs=0.02)
        assert np.all(np.abs(resistance) <= FRICTION_N_M + 0.02)
        used = max(used, float(np.max(np.abs(np.sin(lag)))))
    assert 0.6 < used < 0.8


# --- locked ----------------------------------------------------------------------------------

ALL_TOGETHER = [
    Move(joint, deg, 20.0, part.home.acceleration_deg_s2)
    for joint, (deg, part) in enumerate(zip((6, -5, 8, 8, -6, 8), JOINTS, strict=True))
]
LIFT = [Move(1, 12, 15, 80), Move(2, -7, 15, 100), Move(4, -10, 15, 200)]
LIFT_FROM = (0, -12, 0, 0, 10, 0)
WEAK = {1: 0.46, 2: 0.5, 4: 0.45}
LOCKED = {
    # pose, moves, currents, torque use to be reached, share of the engine at most
    "as it comes": ((0, 30, -60, 0, 10, 0), ALL_TOGETHER, {}, 0.33, 0.0),
    "lifting at 70 %": (LIFT_FROM, LIFT, {1: 0.5, 2: 0.58}, 0.69, 0.0),
    "lifting at 75 %": (LIFT_FROM, LIFT, {1: 0.47, 2: 0.55}, 0.73, 0.7),
    "three weak": ((0, 30, -60, 0, 10, 0), ALL_TOGETHER, WEAK, 0.68, 0.5),
}


class Locked(NamedTuple):
    """Plant minus reference, deg, whether the engine had the plant, torque use."""

    gaps_deg: Array
    engine: Array
    use: float


@pytest.fixture(scope="module")
def locked(follow: Reference) -> Callable[[str], Locked]:
    """Gaps between plant and reference over a locked move, worked out once a case."""
    done: dict[str, Locked] = {}

    def gaps(case: str) -> Locked:
        if case not in done:
            pose, moves, current, *_ = LOCKED[case]
            trial = Trial(pose, moves, current)
            try:
                times = trial.times_s()
                plant, engine = trial.plant(times)
                reference = follow(trial, times)
            finally:
                trial.rig.close()
            steps = np.array([trial.steps(t) for t in times])
            use = np.abs(averaged(np.sin(trial.lag_rad(reference, steps)))).max()
            done[case] = Locked(plant - reference, engine, float(use))
        return done[case]

    return gaps


@pytest.mark.parametrize("case", LOCKED)
def test_locked_the_plant_is_the_middle_of_the_reference(
    locked: Callable[[str], Locked], case: str
) -> None:
    """Measured: 0.0011, 0.0011, 0.0048, 0.0081 deg; the last two are J5's."""
    gaps, engine, use = locked(case)
    *_, least_use, most_engine = LOCKED[case]
    assert least_use < use < 0.8
    assert engine.mean() <= most_engine
    assert np.abs(averaged(gaps)).max() <= 0.01


@pytest.mark.parametrize("case", LOCKED)
def test_locked_the_plant_is_within_a_hundredth_of_a_degree(
    locked: Callable[[str], Locked], case: str
) -> None:
    """The reference's ringing included. Measured: 0.0072, 0.0040, 0.0046, 0.0077 deg.

    In the last case J5's load jumps by what would ring 0.013 deg wide: the engine takes over.
    """
    gaps, engine, _ = locked(case)
    assert np.abs(gaps[~engine]).max() <= 0.01


# --- handing over ----------------------------------------------------------------------------


def test_the_engine_takes_over_and_gives_back_while_loads_move(
    attempt: Callable[..., Trial], follow: Reference
) -> None:
    """The elbow swings out and in while the shoulder goes down and up at 60 to 80 % and beyond."""
    moves = [
        *(Move(1, -8, 20, 80), Move(2, 20, 40, 200), Move(4, -6, 20, 200)),
        *(Move(1, 8, 20, 80, 0.75), Move(2, -20, 40, 200, 0.75)),
    ]
    trial = attempt((0, 44, -56, 0, 10, 0), moves, current={1: 0.38})
    times = trial.times_s()
    plant, engine = trial.plant(times)
    reference = follow(trial, times)
    changes = np.flatnonzero(np.diff(engine.astype(int), prepend=0))
    assert len(changes) >= 2  # to the engine and back
    assert 0.1 < engine.mean() < 0.8
    assert not engine[-1]
    steps = np.array([trial.steps(t) for t in times])
    use = np.abs(np.sin(trial.lag_rad(reference, steps)))[:, 1]
    assert use.min() < 0.75 < 0.8 < use.max() < 1
    gaps = plant - reference
    assert np.abs(trial.lost(plant[-1], times[-1])).max() < 0.05
    assert np.abs(trial.lost(reference[-1], times[-1])).max() < 0.05
    assert np.abs(averaged(gaps)).max() <= 0.01
    assert np.abs(gaps).max() <= 0.03


def test_what_an_acceleration_throws_out_of_step_does_not_stay_locked(
    attempt: Callable[..., Trial], follow: Reference
) -> None:
    """A load that comes at once swings the rotor to twice its load angle: from rest it slips
    past 72.5 % of the holding torque (equal areas under sin: any text on machine stability).
    Here it is 77 %, friction included."""
    trial = attempt(REST, [Move(0, 20, 60, 400)], current={0: 0.175})
    times = np.arange(0.0, 0.25, 0.002)
    plant, _ = trial.plant(times)
    reference = follow(trial, times)
    assert trial.lost(reference[-1], times[-1])[0] > 0.5
    assert trial.lost(plant[-1], times[-1])[0] > 0.5
