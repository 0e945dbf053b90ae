"""Level and hand: base tilt, bias, a vertical axis, limited torque.

Common practice, no published source: an ordinary level is within 0.1 degrees; reversing it and
averaging takes its own error out; it cannot see a turn about a vertical axis.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest

from dryrig.faults import Injector
from dryrig.scenes import load_scene
from dryrig.sim import TICKS_PER_S, Rig

SCENE = load_scene("heron")
LEVEL = SCENE.gauges.level
HALF = LEVEL.resolution_deg / 2 + 1e-9


@pytest.fixture(params=[1, 2, 3])
def rig(request: pytest.FixtureRequest) -> Iterator[Rig]:
    with Rig(SCENE, request.param, start_pose_deg=SCENE.rest_pose_deg) as rig:
        yield rig


def turn(rig: Rig, joint: int, deg: float) -> str:
    rig.hands.turn(joint, deg)
    assert rig.run_until(lambda: not rig.hands.busy, rig.now + 60 * TICKS_PER_S)
    return rig.hands.feel(joint)


def true_pitch_deg(rig: Rig, joint: int) -> float:
    return math.degrees(rig.body.pitch_rad(rig.angles_rad(), joint))


def test_a_level_reads_the_base_tilt_and_its_own_error_until_it_is_zeroed(rig: Rig) -> None:
    reads = rig.gauges.level_deg(2)
    own = rig.individual.level_bias_deg
    assert 0 < abs(own) <= LEVEL.accuracy_deg
    assert reads == pytest.approx(true_pitch_deg(rig, 2) + own, abs=HALF)
    base = math.degrees(rig.body.pitch_rad(rig.angles_rad(), None))
    assert 0 < abs(base) <= SCENE.tolerances.base_tilt_deg
    rig.gauges.zero_level()
    assert rig.gauges.level_deg(2) == pytest.approx(true_pitch_deg(rig, 2) - base, abs=HALF)


def test_reversing_and_averaging_cancels_the_levels_own_error(rig: Rig) -> None:
    one_way = rig.gauges.level_deg(2)
    rig.gauges.level_reversed = True
    other_way = rig.gauges.level_deg(2)
    own = rig.individual.level_bias_deg
    assert (one_way - other_way) / 2 == pytest.approx(true_pitch_deg(rig, 2), abs=HALF)
    assert (one_way + other_way) / 2 == pytest.approx(own, abs=HALF)
    rig.gauges.zero_level()  # a zero taken one way round shifts both ways alike
    shifted = rig.gauges.level_deg(2)
    rig.gauges.level_reversed = False
    assert (rig.gauges.level_deg(2) - shifted) / 2 == pytest.approx(
        true_pitch_deg(rig, 2), abs=2 * HALF
    )


def test_a_level_is_blind_to_a_turn_about_the_vertical_and_sees_the_others(rig: Rig) -> None:
    before = rig.gauges.level_deg(1)
    assert turn(rig, 0, 10.0) == "FREE"
    # A base that leans by 0.3 degrees shows 10 degrees of J1 as less than its lean.
    assert rig.gauges.level_deg(1) == pytest.approx(before, abs=0.1 + HALF)
    assert turn(rig, 1, 10.0) == "FREE"
    assert rig.gauges.level_deg(1) == pytest.approx(before + 10, abs=0.15 + HALF)


def test_a_display_shows_whole_steps_of_its_resolution(rig: Rig) -> None:
    steps = rig.gauges.level_deg(2) / LEVEL.resolution_deg
    assert steps == pytest.approx(round(steps), abs=1e-6)


def test_a_hand_feels_binding_only_where_it_is_stiffer_than_the_hand_is_strong(rig: Rig) -> None:
    strong = SCENE.gauges.hand.torque_n_m
    injector = Injector(rig)
    injector.insert(f"bind@J5.GEAR,deg=50,n_m={0.5 * strong}")
    assert turn(rig, 4, 40.0) == "FREE"
    assert turn(rig, 4, -40.0) == "FREE"
    injector.clear()
    injector.insert(f"bind@J5.GEAR,deg=50,n_m={1.5 * strong}")
    assert turn(rig, 4, 40.0) == "STIFF"
    assert 45 < rig.truth_deg()[4] < 50


def test_a_hand_finds_a_stop_and_gives_way_to_a_live_drive(rig: Rig) -> None:
    assert turn(rig, 4, 100.0) == "STOP"
    assert rig.truth_deg()[4] == pytest.approx(SCENE.joint[4].stops_deg[1], abs=0.5)
    rig.card.enable(1, True)
    before = rig.truth_deg()[1]
    assert turn(rig, 1, 20.0) == "STIFF"
    assert rig.truth_deg()[1] == pytest.approx(before, abs=2.0)
