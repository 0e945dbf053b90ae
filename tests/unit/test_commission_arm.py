"""The arm file: what is read, and what is said of a bad one."""

from __future__ import annotations

import copy
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from dryrig.commission.arm import load_arm, read_arm
from dryrig.commission.errors import ArmFileError
from dryrig.scenes import scene_path


@pytest.fixture(scope="module")
def heron() -> dict[str, Any]:
    return tomllib.loads(scene_path("heron").read_text())


@pytest.fixture
def raw(heron: dict[str, Any]) -> dict[str, Any]:
    return copy.deepcopy(heron)


def refused(raw: dict[str, Any]) -> str:
    with pytest.raises(ArmFileError) as caught:
        read_arm(raw, "arm.toml")
    return str(caught.value)


def test_the_heron_in_steps_and_counts() -> None:
    arm = load_arm(scene_path("heron"))
    assert [joint.channel for joint in arm.joints] == [1, 2, 3, 4, 5, 6]
    second = arm.joints[1]
    # 200 full steps x 16 x ratio 25 / 360, and the joint runs against its motor.
    assert second.steps_per_deg == pytest.approx(-200 * 16 * 25 / 360)
    assert second.counts_per_deg == pytest.approx(-4000 * 25 / 360)
    assert second.steps(-3.6) == 800
    assert second.home_sign == 1
    assert second.speed(15.0) == pytest.approx((15 * 2000 / 9, 80 * 2000 / 9))
    assert arm.gauge_accuracy_deg(second) == 0.1
    assert arm.gauge_accuracy_deg(arm.joints[0]) == 0.2


def test_an_encoder_on_the_joint_sees_no_ratio(raw: dict[str, Any]) -> None:
    raw["joint"][0]["encoder"] = {"counts": 36000, "mount": "joint"}
    assert read_arm(raw, "arm.toml").joints[0].counts_per_deg == pytest.approx(100.0)


def test_tables_of_other_programs_are_ignored(raw: dict[str, Any]) -> None:
    raw["supplies"] = "whatever"
    raw["joint"][0]["payload"] = ["?"]
    assert read_arm(raw, "arm.toml").joints[0].name == "J1"


def test_a_missing_key_is_named_with_what_was_probably_meant(raw: dict[str, Any]) -> None:
    home = raw["joint"][2]["home"]
    home["fast_degs"] = home.pop("fast_deg_s")
    assert refused(raw) == (
        "arm.toml: joint.J3.home.fast_deg_s is missing; 'fast_degs' is there: is it meant?"
    )


def test_every_mistake_is_told_at_once(raw: dict[str, Any]) -> None:
    raw["joint"][0]["ratio"] = -20
    raw["joint"][4]["direction"] = 0
    raw["joint"][5]["home"]["end"] = "left"
    text = refused(raw)
    assert text.splitlines() == [
        "arm.toml: joint.J1.ratio: got -20; input should be greater than 0",
        "arm.toml: joint.J5.direction: got 0; input should be -1 or 1",
        "arm.toml: joint.J6.home.end: got 'left'; input should be 'negative' or 'positive'",
    ]


@pytest.mark.parametrize(
    ("change", "text"),
    [
        (
            {"back_off_deg": 0.5},
            "J1: home.back_off_deg 0.5 does not exceed differential_deg 0.6: the switch would not "
            "release",
        ),
        (
            {"switch_deg": 0.0},
            "J1: home.switch_deg 0 lies inside the travel -165 to 165; expected it beyond the "
            "negative end",
        ),
        ({"slow_deg_s": 30.0}, "J1: home.slow_deg_s exceeds fast_deg_s"),
    ],
)
def test_contradictions(raw: dict[str, Any], change: dict[str, float], text: str) -> None:
    raw["joint"][0]["home"] |= change
    assert refused(raw) == f"arm.toml: {text}"


def test_contradictions_between_joints(raw: dict[str, Any]) -> None:
    raw["joint"][1]["name"] = "J1"
    raw["rest_pose_deg"] = [0.0]
    raw["joint"][3]["trim"]["pose_deg"][1] = 500.0
    text = refused(raw).splitlines()
    assert "arm.toml: two joints are called J1" in text
    assert "arm.toml: rest_pose_deg has 1 angles for 6 joints" in text
    assert "arm.toml: J4: trim.pose_deg: 500 lies outside J1's travel" in text


def test_no_joints(raw: dict[str, Any]) -> None:
    raw["joint"] = []
    assert refused(raw) == "arm.toml: no [[joint]] table; expected one for each joint"


def test_joints_that_are_no_tables(raw: dict[str, Any]) -> None:
    raw["joint"] = ["J1"]
    assert refused(raw).startswith("arm.toml: joint.0: got 'J1'; input should be")


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    path = tmp_path / "arm.toml"
    with pytest.raises(ArmFileError, match=f"^there is no arm file '{re.escape(str(path))}'$"):
        load_arm(path)
    path.write_text("joint = ")
    with pytest.raises(ArmFileError, match="not TOML: "):
        load_arm(path)
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(ArmFileError, match=r"^cannot read the arm file "):
        load_arm(path)
