"""Axes beyond six: a linear track under the arm, a turntable beside it, in a scene of their own."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
import serial

from dryrig.commission.arm import load_arm
from dryrig.commission.errors import ArmFileError
from dryrig.commission.hand import PortHand
from dryrig.commission.run import commission
from dryrig.errors import SceneError
from dryrig.scenes import load_scene, scene_path
from dryrig.sim import TICKS_PER_S, Rig
from dryrig.sim.body import Body

SCENE = load_scene("heron_track")
HERON = load_scene("heron")
TRACK, TABLE = 6, 7


def test_the_scene_is_the_heron_and_two_axes_more() -> None:
    assert [joint.name for joint in SCENE.joint] == [f"J{n}" for n in range(1, 9)]
    for ours, theirs in zip(SCENE.joint, HERON.joint, strict=False):
        assert ours.model_copy(update={"trim": theirs.trim}) == theirs
        assert ours.trim.pose_deg == (*theirs.trim.pose_deg, 0.0, 0.0)
    assert SCENE.joint[TRACK].unit == "mm"
    assert SCENE.joint[TABLE].unit == "deg"


def test_both_readers_make_the_same_of_the_file() -> None:
    arm = load_arm(scene_path("heron_track"))
    for ours, plant in zip(arm.joints, SCENE.joint, strict=True):
        assert (ours.name, ours.unit, ours.trim.pose_deg) == (
            plant.name,
            plant.unit,
            plant.trim.pose_deg,
        )
        assert abs(ours.steps_per_deg) == pytest.approx(plant.steps_per_deg, rel=1e-12)
        assert ours.home.switch_deg == plant.home.switch_deg
    # 3200 microsteps a turn of 20 mm, 4000 counts.
    assert arm.joints[TRACK].steps_per_deg == pytest.approx(160.0)
    assert arm.joints[TRACK].counts_per_deg == pytest.approx(200.0)


def test_a_jog_of_the_track_moves_the_whole_arm_by_so_many_millimetres() -> None:
    with Rig(SCENE, 3, start_pose_deg=SCENE.rest_pose_deg) as rig:
        rig.card.enable(TRACK, True)
        rig.advance(TICKS_PER_S // 10)
        before = rig.truth_deg()
        count, tool = rig.card.count(TRACK), rig.body.link_frames(rig.angles_rad())[5][0]
        rig.card.set_rate(TRACK, 3200)
        rig.card.move(TRACK, 8000)
        rig.advance(rig.now + 5 * TICKS_PER_S)
        assert rig.truth_deg()[TRACK] - before[TRACK] == pytest.approx(50.0, abs=0.03)
        assert rig.card.count(TRACK) - count == pytest.approx(10_000, abs=6)
        moved = rig.body.link_frames(rig.angles_rad())[5][0]
        assert moved == pytest.approx((tool[0], tool[1] + 0.05, tool[2]), abs=1e-4)
        assert not rig.motion.engine


def test_a_hand_pushes_the_carriage_to_its_stop() -> None:
    with Rig(SCENE, 3, start_pose_deg=SCENE.rest_pose_deg) as rig:
        for mm, felt in ((40.0, "FREE"), (400.0, "STOP")):
            rig.hands.turn(TRACK, mm)
            rig.run_until(lambda: not rig.hands.busy, rig.now + 40 * TICKS_PER_S)
            assert rig.hands.feel(TRACK) == felt
        assert rig.truth_deg()[TRACK] == pytest.approx(310.0, abs=0.3)


def test_a_carriage_that_meets_its_stop_loses_whole_multiples_of_four_full_steps() -> None:
    """50 to a turn of 20 mm: 0.4 mm each."""
    pose = [*SCENE.rest_pose_deg[:6], 300.0, 0.0]
    with Rig(SCENE, 3, start_pose_deg=pose) as rig:
        rig.card.enable(TRACK, True)
        rig.advance(TICKS_PER_S // 10)
        before = rig.truth_deg()[TRACK]
        rig.card.set_rate(TRACK, 6400)
        rig.card.move(TRACK, 160 * 30)
        rig.advance(rig.now + 4 * TICKS_PER_S)
        assert rig.truth_deg()[TRACK] == pytest.approx(310.0, abs=0.5)
        rig.card.move(TRACK, -160 * 30)
        rig.advance(rig.now + 6 * TICKS_PER_S)
        lost = (rig.truth_deg()[TRACK] - before) / 0.4
        assert abs(lost) > 10
        assert lost == pytest.approx(round(lost), abs=0.1)


def test_the_track_feels_the_mass_of_all_it_carries_and_of_its_rotor() -> None:
    """By hand: the URDF's masses on the carriage, and J (2 pi / lead)^2 of the rotor."""
    body = Body(SCENE)
    try:
        matrix = body.mass_matrix([0.0] * 8)
    finally:
        body.close()
    carried = 3.0 + 4.0 + 2.4 + 1.3 + 0.6 + 0.4 + 0.25 + 1.08
    rotor = 300e-7 * (2 * math.pi / 0.020) ** 2
    assert matrix[TRACK][TRACK] == pytest.approx(carried + rotor, rel=1e-6)


@pytest.mark.parametrize("seed", range(3))
def test_all_eight_axes_are_commissioned(seed: int) -> None:
    url = f"dryrig://heron_track?seed={seed}&rig=eight"
    with serial.serial_for_url(f"{url}&port=teacher", timeout=10) as teacher:
        hand = PortHand.open(f"{url}&port=hands")
        try:
            result = commission(url, hand, scene_path("heron_track"))
        finally:
            hand.close()
        assert [check for check in result.checks if check.verdict != "pass"] == []
        teacher.write(b"TRUT:ANGL?\n")
        truth = [float(word) for word in teacher.readline().decode().split(",")]
    assert [joint.unit for joint in result.joints] == [*["deg"] * 6, "mm", "deg"]
    for joint, believed, true in zip(SCENE.joint, result.joints, truth, strict=True):
        gauge = getattr(SCENE.gauges, joint.trim.gauge).accuracy_deg
        assert believed.angle_deg == pytest.approx(true, abs=gauge + SCENE.switch.repeat_deg)
    assert any("mm by eye" in check.evidence for check in result.checks if check.joint == "J7")


def written(folder: Path, text: str) -> Path:
    for name in ("heron.toml", "heron_track.urdf", "heron.urdf"):
        (folder / name).write_text((scene_path("heron").parent / name).read_text("utf-8"), "utf-8")
    path = folder / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_file_may_extend_another_and_say_what_is_different(tmp_path: Path) -> None:
    path = written(tmp_path, 'extends = "heron.toml"\nname = "own"\n[supplies]\nmains_hz = 60.0\n')
    scene = load_scene(path)
    assert (scene.name, scene.supplies.mains_hz) == ("own", 60.0)
    assert scene.supplies.v24 == HERON.supplies.v24
    assert scene.joint == HERON.joint
    assert load_arm(path).joints == load_arm(scene_path("heron")).joints


@pytest.mark.parametrize("other", ['"nowhere.toml"', "3", '"own.toml"'])
def test_what_cannot_be_extended_is_an_error_that_says_so(tmp_path: Path, other: str) -> None:
    path = written(tmp_path, f"extends = {other}\n")
    with pytest.raises(SceneError, match=r"own\.toml: extends: got .*expected"):
        load_scene(path)
    with pytest.raises(ArmFileError, match=r"extends: got|there is no arm file"):
        load_arm(path)


MOUNTED = 'mount = "motor" }\ndirection = 1\ntravel_mm'
TRACK_TEXT = scene_path("heron_track").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("was", "becomes", "says"),
    [
        ("lead_mm = 20.0 ", "lead_mm = 0 ", r"J7: lead_mm: got 0, expected"),
        ("lead_mm = 20.0 ", "ratio = 20.0 ", r"J7: lead_mm: got None"),
        ("stops_mm", "stops_deg", r"J7: stops_deg on a linear axis.*stops_mm"),
        ("slow_mm_s", "slow_deg_s", r"J7: home: slow_deg_s on a linear axis"),
        ('kind = "linear"', 'kind = "sliding"', r"J7: kind: got 'sliding'"),
        (MOUNTED, MOUNTED.replace("motor", "joint"), "encoder on the motor"),
    ],
)  # fmt: skip
def test_a_linear_axis_that_is_wrong_says_where(
    tmp_path: Path, was: str, becomes: str, says: str
) -> None:
    assert was in TRACK_TEXT
    path = written(tmp_path, TRACK_TEXT.replace(was, becomes))
    with pytest.raises(SceneError, match=says):
        load_scene(path)


def test_a_urdf_that_moves_otherwise_than_the_scene_says_is_refused() -> None:
    rotary = SCENE.joint[TRACK].model_copy(update={"kind": "rotary"})
    scene = SCENE.model_copy(update={"joint": (*SCENE.joint[:TRACK], rotary, SCENE.joint[TABLE])})
    with pytest.raises(SceneError, match="J7: expected the moving joints of the scene"):
        Body(scene)
    short = SCENE.model_copy(update={"joint": SCENE.joint[:TABLE]})
    with pytest.raises(SceneError, match="J8: expected the moving joints"):
        Body(short)
