"""Faults that the trade often forgets, and what each shows: common practice, no published source."""

from __future__ import annotations

import math

import pytest

from dryrig.faults import Injector
from dryrig.scenes import load_scene
from dryrig.sim import TICKS_PER_S, Rig

SCENE = load_scene("heron")
POSE = [0.0, 60.0, -90.0, 0.0, 30.0, 0.0]
J2, J3, J5 = 1, 2, 4


def wait(rig: Rig, time_s: float = 0.2) -> None:
    rig.advance(rig.now + round(time_s * TICKS_PER_S))


# --- resonance: step rate = natural frequency; stall in one speed band; sweep speed ---------------


def natural_hz(rig: Rig, number: int) -> float:
    """Acarnley, Stepping Motors: f = sqrt(p T_h / J) / 2 pi (formula from memory; Jones' is the
    same), with all that turns with the joint, seen from the shaft, and the gear's losses."""
    joint = rig.scene.joint[number]
    inertia = rig.body.mass_matrix(rig.angles_rad())[number][number] / joint.ratio**2
    held = rig.individual.holding_n_m[number] * joint.efficiency
    return math.sqrt(joint.motor.full_steps / 4 * held / inertia) / (2 * math.pi)


def lost_full_steps(number: int, fault: str, of_natural: float) -> float:
    """Full steps short after a way of 20 deg, full steps coming at so much of that frequency."""
    with Rig(SCENE, 3, start_pose_deg=POSE) as rig:
        if fault:
            Injector(rig).insert(fault)
        joint = SCENE.joint[number]
        rig.card.enable(number, True)
        wait(rig)
        rate = of_natural * natural_hz(rig, number)
        steps = round(20 * joint.steps_per_deg)
        rig.card.set_acceleration(number, joint.home.acceleration_deg_s2 * joint.steps_per_deg)
        rig.card.set_rate(number, rate * joint.microsteps)
        before = rig.truth_deg()[number]
        rig.card.move(number, steps)
        wait(rig, steps / joint.microsteps / rate + 1.0)
        moved = (rig.truth_deg()[number] - before) * joint.direction
        return (20 - moved) * joint.steps_per_deg / joint.microsteps


def test_uneven_microsteps_stall_a_joint_in_one_band_of_speed_and_nowhere_else() -> None:
    """A swing that grows is slower than a small one: the band begins below the frequency."""
    fault = "resonance@J3.DRIVE,deg=15"
    outside = {each: lost_full_steps(J3, fault, each) for each in (0.3, 0.6, 1.2, 1.5, 2.5)}
    inside = {each: lost_full_steps(J3, fault, each) for each in (0.82, 0.9, 0.95)}
    assert {each: abs(lost) < 0.5 for each, lost in outside.items()} == dict.fromkeys(outside, True)
    assert {each: abs(lost) > 3.5 for each, lost in inside.items()} == dict.fromkeys(inside, True)
    assert abs(lost_full_steps(J3, "", 0.9)) < 0.5


def test_what_resonance_takes_is_whole_turns_of_the_field() -> None:
    """The loss quantum of torque: multiples of four full steps (caught before it fell)."""
    lost = lost_full_steps(3, "resonance@J4.DRIVE,deg=15", 0.93)
    assert abs(lost) > 3.5
    assert abs(lost / 4 - round(lost / 4)) < 0.1
