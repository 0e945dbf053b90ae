"""Links touch the table and each other: falls end, hands and motors meet something hard."""

from __future__ import annotations

import itertools
import math

import pytest

from dryrig.errors import SceneError
from dryrig.scenes import load_scene
from dryrig.sim import TICKS_PER_S, Rig

SCENE = load_scene("heron")
LOW = [0.0, 24.0, -60.0, 0.0, 0.0, 0.0]
"""Forearm and tool pointing down, 45 mm over the table."""


def enable_all(rig: Rig) -> None:
    for axis in range(rig.card.axes):
        rig.card.enable(axis, True)


def settle(rig: Rig, seconds: float = 30.0) -> None:
    rig.run_until(
        lambda: not any(rig.card.moving(axis) for axis in range(rig.card.axes)),
        rig.now + round(seconds * TICKS_PER_S),
    )
    rig.advance(rig.now + TICKS_PER_S // 2)


def test_gaps_are_those_of_the_drawing() -> None:
    """Stretched level: the tool's axis is 180 mm up, its payload 25 mm in radius."""
    with Rig(SCENE, 3, start_pose_deg=[0, 0, 0, 0, 0, 0]) as rig:
        gaps = {pair: rig.body.gap_m(pair, 0.5) for pair in rig.clearance.pairs if pair.one is None}
        tool = next(pair for pair in gaps if pair.other == 5)
        # The payload is 25 mm in radius, the upper arm's motor 90 mm high.
        assert gaps[tool] == pytest.approx(0.155, abs=1e-4)
        shoulder = next(pair for pair in gaps if pair.other == 1)
        assert gaps[shoulder] == pytest.approx(0.135, abs=1e-4)


@pytest.mark.parametrize("pose", [LOW, [0, 20, -20, 0, 0, 0], [90, 40, -60, 90, 60, 0]])
def test_an_arm_that_falls_comes_to_rest_on_the_table(pose: list[float]) -> None:
    with Rig(SCENE, 3, start_pose_deg=pose) as rig:
        rig.hands.set_stand(False)
        deepest = 0.0
        for _ in range(400):
            rig.advance(rig.now + TICKS_PER_S // 100)
            closest = rig.closest()
            assert closest is not None
            deepest = min(deepest, closest[0])
            if rig.motion.resting:
                break
        assert rig.motion.resting
        assert rig.touching()
        assert deepest > -1.5e-3
        held = rig.truth_deg()
        rig.advance(rig.now + 10 * TICKS_PER_S)
        assert rig.truth_deg() == held


def test_a_shoulder_that_runs_the_tool_into_the_table_throws_the_wrist_out_of_step() -> None:
    with Rig(SCENE, 3, start_pose_deg=LOW) as rig:
        enable_all(rig)
        unit = SCENE.joint[1].steps_per_deg
        before = rig.truth_deg()
        rig.card.set_rate(1, 15 * unit)
        rig.card.move(1, round(20 * unit))  # its motor turns the other way round
        settle(rig)
        assert rig.touching()
        rig.card.move(1, round(-20 * unit))
        settle(rig)
        assert not rig.touching()
        assert not rig.motion.engine
        lost = [
            (now - then) * joint.ratio / 7.2
            for now, then, joint in zip(rig.truth_deg(), before, SCENE.joint, strict=True)
        ]
        assert lost == pytest.approx([round(wells) for wells in lost], abs=0.2)
        assert lost[4] > 10


def test_a_hand_stops_at_the_table_and_leads_the_joint_out_again() -> None:
    with Rig(SCENE, 3, start_pose_deg=LOW) as rig:
        for deg, felt in ((-30.0, "STOP"), (20.0, "FREE")):
            rig.hands.turn(1, deg)
            rig.run_until(lambda: not rig.hands.busy, rig.now + 5 * TICKS_PER_S)
            assert rig.hands.feel(1) == felt
            assert rig.touching() == (felt == "STOP")
        rig.advance(rig.now + TICKS_PER_S)
        assert not rig.motion.engine


def test_links_stop_each_other() -> None:
    """Folded up, the shoulder lowers the tool onto the turret."""
    with Rig(SCENE, 3, start_pose_deg=[0, 50, -130, 0, -90, 0]) as rig:
        enable_all(rig)
        rig.hands.set_stand(False)
        rig.card.set_rate(1, 15 * SCENE.joint[1].steps_per_deg)
        rig.card.move(1, round(30 * SCENE.joint[1].steps_per_deg))
        met = set()
        for _ in range(20):
            rig.advance(rig.now + TICKS_PER_S // 10)
            closest = rig.closest()
            assert closest is not None
            assert closest[0] > -1e-3
            if closest[0] < 1e-4:
                met.add(closest[1])
        assert met == {"L6 and L1", "L6 and base"}
        assert abs(rig.truth_deg()[4] + 90) > 7  # the wrist gave way


def test_a_start_pose_that_touches_is_refused_and_says_what_touches() -> None:
    with pytest.raises(ValueError, match="L6 and table overlap by 193 mm"):
        Rig(SCENE, 3, start_pose_deg=[0, 0, -90, 0, 0, 0])


def test_drawn_start_poses_are_clear_and_leave_room() -> None:
    for seed in range(30):
        with Rig(SCENE, seed) as rig:
            pose = rig.individual.start_pose_deg
            for number, way in itertools.product(range(6), (-10.0, 10.0)):
                low, high = SCENE.joint[number].travel_deg
                angle = min(max(pose[number] + way, low), high)
                beside = [math.radians(a) for a in (*pose[:number], angle, *pose[number + 1 :])]
                assert rig.clearance.free(beside)


def test_a_table_that_no_pose_clears_is_an_error_of_the_scene() -> None:
    with pytest.raises(SceneError, match="none leaves every joint"):
        Rig(SCENE.model_copy(update={"table_m": 0.9}), 3)


def test_an_arm_without_a_table_falls_to_its_stops() -> None:
    with Rig(SCENE.model_copy(update={"table_m": None}), 3, start_pose_deg=LOW) as rig:
        rig.hands.set_stand(False)
        rig.advance(rig.now + 3 * TICKS_PER_S)
        assert rig.truth_deg()[1] == pytest.approx(SCENE.joint[1].stops_deg[0], abs=0.1)
