"""Transmission, drive settings and switches that wear: symptoms from parts alone.

The symptoms are common practice, no published source.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from dryrig.faults import Injector
from dryrig.scenes import load_scene
from dryrig.sim import TICKS_PER_S, Rig

SCENE = load_scene("heron")
POSE = [0.0, 20.0, -60.0, 0.0, 10.0, 0.0]


@contextmanager
def live_rig(fault: str, pose: list[float] = POSE) -> Iterator[Rig]:
    with Rig(SCENE, 3, start_pose_deg=pose) as rig:
        Injector(rig).insert(fault)
        for axis, joint in enumerate(SCENE.joint):
            rig.card.enable(axis, True)
            rig.card.set_rate(axis, 10 * joint.steps_per_deg)
            rig.card.set_acceleration(axis, 100 * joint.steps_per_deg)
        yield rig


def jog(rig: Rig, axis: int, deg: float) -> tuple[float, float]:
    """Degrees by count and in truth."""
    joint = SCENE.joint[axis]
    count, angle = rig.card.count(axis), rig.truth_deg()[axis]
    rig.card.move(axis, round(deg * joint.steps_per_deg) * joint.direction)
    assert rig.run_until(lambda: not rig.card.moving(axis), rig.now + 60 * TICKS_PER_S)
    rig.advance(rig.now + TICKS_PER_S // 4)
    counted = (rig.card.count(axis) - count) * 360 / joint.ratio / joint.encoder.counts
    return counted * joint.direction, rig.truth_deg()[axis] - angle


def wait_for(rig: Rig, done: Callable[[], bool]) -> None:
    assert rig.run_until(done, rig.now + 60 * TICKS_PER_S)


def test_a_slipping_coupling_counts_right_and_moves_short() -> None:
    with live_rig("slip@J4.COUPLING,n_m=0.005") as rig:
        counted, moved = jog(rig, 3, 8.0)
        assert counted == pytest.approx(8.0, abs=0.2)
        assert abs(moved) < 4.0


def test_a_tight_enough_coupling_changes_nothing() -> None:
    with live_rig("slip@J4.COUPLING,n_m=0.1") as rig:
        assert jog(rig, 3, 8.0) == (pytest.approx(8, abs=0.05), pytest.approx(8, abs=0.05))


def test_play_shows_at_a_reversal_of_the_joint_and_not_in_the_count() -> None:
    with live_rig("play@J1.GEAR,deg=1") as rig:
        # Slowly: braking hard, the arm's own inertia would carry it across the gap.
        rig.card.set_acceleration(0, 20 * SCENE.joint[0].steps_per_deg)
        jog(rig, 0, 8.0)
        counted, moved = jog(rig, 0, -8.0)
        assert counted == pytest.approx(-8.0, abs=0.05)
        assert moved == pytest.approx(-7.0, abs=0.05)
        assert jog(rig, 0, -8.0)[1] == pytest.approx(-8.0, abs=0.05)


def test_play_under_gravity_lies_against_one_flank() -> None:
    with live_rig("play@J3.GEAR,deg=1") as rig:
        jog(rig, 2, 8.0)
        assert jog(rig, 2, -8.0)[1] == pytest.approx(-8.0, abs=0.05)


def test_a_wrong_pulley_moves_in_proportion() -> None:
    with live_rig("pulley@J2.GEAR,factor=1.25") as rig:
        assert jog(rig, 1, 8.0) == (pytest.approx(8, abs=0.05), pytest.approx(6.4, abs=0.05))


@pytest.mark.parametrize("exponent", [-1, 1, 2])
def test_wrong_microsteps_are_wrong_by_a_power_of_two(exponent: int) -> None:
    with live_rig(f"microsteps@J5.DRIVE,factor={2.0**exponent}") as rig:
        expected = pytest.approx(8.0 / 2.0**exponent, abs=0.05)
        assert jog(rig, 4, 8.0) == (expected, expected)


def test_a_binding_joint_stalls_at_its_angle_and_a_hand_feels_it() -> None:
    with live_rig("bind@J4.GEAR,deg=5,n_m=10,width=2") as rig:
        jog(rig, 3, 8.0)
        assert rig.truth_deg()[3] == pytest.approx(4.0, abs=0.5)
    with Rig(SCENE, 3, start_pose_deg=POSE) as rig:
        Injector(rig).insert("bind@J4.GEAR,deg=5,n_m=60,width=2")
        rig.hands.turn(3, 8.0)
        wait_for(rig, lambda: not rig.hands.busy)
        assert rig.hands.feel(3) == "STIFF"
        assert rig.truth_deg()[3] == pytest.approx(4.0, abs=0.1)


def test_standstill_current_that_is_cut_too_far_lets_go_after_its_time() -> None:
    with live_rig("idle@J3.DRIVE,current=0.1") as rig:
        rig.hands.set_stand(False)
        held = rig.truth_deg()[2]
        rig.advance(rig.now + TICKS_PER_S // 4)
        assert rig.truth_deg()[2] == pytest.approx(held, abs=0.01)
        rig.advance(rig.now + 2 * TICKS_PER_S)
        assert abs(rig.truth_deg()[2] - held) > 5


def test_pull_out_falls_with_speed_as_the_two_phase_machine_says() -> None:
    """At the knee the supply just drives the set current; beyond, the formula alone."""
    with live_rig("weak@J2.MOTOR,current=1") as rig:
        drive = rig.drives[1]
        assert drive.pull_out_n_m(0.0) == pytest.approx(drive.torque_n_m)
        motor, volts = SCENE.joint[1].motor, drive.supply_v
        omega = 8000.0
        flux = drive.holding_n_m / 50 / motor.current_a
        z_2 = motor.coil_ohm**2 + (omega * motor.inductance_h) ** 2
        expected = 50 * flux * volts / math.sqrt(z_2) - 50 * omega * flux**2 * motor.coil_ohm / z_2
        assert drive.pull_out_n_m(omega / 50) == pytest.approx(expected, rel=1e-12)
        assert expected < 0.6 * drive.torque_n_m


def test_a_run_beyond_pull_out_stalls() -> None:
    with live_rig("weak@J2.MOTOR,current=1") as rig:
        unit = SCENE.joint[1].steps_per_deg
        rig.card.set_rate(1, 180 * unit)
        rig.card.set_acceleration(1, 2000 * unit)
        rig.card.move(1, round(-60 * unit))
        wait_for(rig, lambda: not rig.card.moving(1))
        assert abs(rig.truth_deg()[1] - 80.0) > 20


def sweep(fault: str) -> list[tuple[float, int]]:
    """Angle and level at every edge of J5's input, to the stop and back by hand."""
    edges: list[tuple[float, int]] = []
    with Rig(SCENE, 3, start_pose_deg=[0, 60, -60, 0, -90, 0]) as rig:
        Injector(rig).insert(fault)
        level = rig.card.level(4)

        def note() -> None:
            nonlocal level
            if rig.card.level(4) != level:
                level = rig.card.level(4)
                edges.append((rig.truth_deg()[4], level))

        rig.listeners.append(note)
        for deg in (-14.5, 14.0):
            rig.hands.turn(4, deg)
            wait_for(rig, lambda: not rig.hands.busy)
    return edges


def test_a_sticky_switch_lets_go_late() -> None:
    sound, sticky = sweep("worn@J5.SW"), sweep("sticky@J5.SW,deg=6")
    assert [level for _, level in sound] == [level for _, level in sticky] == [1, 0]
    assert sticky[0][0] == pytest.approx(sound[0][0], abs=0.01)
    assert sticky[1][0] - sound[1][0] == pytest.approx(6.0, abs=0.05)


def test_a_cam_that_passes_beyond_leaves_the_switch_near_the_stop() -> None:
    assert [level for _, level in sweep("overrun@J5.SW,deg=2")] == [1, 0, 1, 0]


def test_bounce_on_an_unpulled_input_is_held_by_its_charge() -> None:
    assert [level for _, level in sweep("bounce@J5.SW,s=0.005")] == [1, 0]


def test_a_brake_holds_a_limp_joint_and_lets_a_live_one_go() -> None:
    shoulder = SCENE.joint[1].model_copy(update={"brake_n_m": 40.0})
    joints = (SCENE.joint[0], shoulder, *SCENE.joint[2:])
    braked = SCENE.model_copy(update={"joint": joints})
    with Rig(braked, 3, start_pose_deg=POSE) as rig:
        rig.hands.set_stand(False)
        rig.advance(rig.now + 2 * TICKS_PER_S)
        assert rig.truth_deg()[1] == pytest.approx(20.0, abs=0.05)
        rig.hands.set_stand(True)
        for axis in range(rig.card.axes):
            rig.card.enable(axis, True)
        assert jog(rig, 1, 8.0)[1] == pytest.approx(8.0, abs=0.05)
