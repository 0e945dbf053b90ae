"""Scenes load, and say plainly what is wrong with one that does not."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from dryrig.errors import SceneError
from dryrig.scenes import load_scene, scene_path


def broken(tmp_path: Path, old: str, new: str) -> Path:
    source = scene_path("heron")
    text = source.read_text(encoding="utf-8")
    assert old in text
    (tmp_path / "heron.urdf").write_bytes((source.parent / "heron.urdf").read_bytes())
    path = tmp_path / "bent.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return path


def test_heron_has_six_joints_and_every_conductor_is_known_by_iec_60757_letters() -> None:
    scene = load_scene("heron")
    assert [joint.name for joint in scene.joint] == ["J1", "J2", "J3", "J4", "J5", "J6"]
    assert all(re.fullmatch("[A-Z]{2}", wire.colour) for wire in scene.harness.wires.values())


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("ratio = 20.0", "ratio = -20.0", r"^bent.toml: J1: ratio: got -20.0, expected greater"),
        ("ratio = 20.0", "ratoi = 20.0", r"J1: ratoi: unknown key \(did you mean 'ratio'\?\)"),
        (
            "microsteps = 16",
            "microsteps = 17",
            r"^bent.toml: J1: microsteps: got 17, expected 1, 2",
        ),
        (
            "switch_deg = -168.0",
            "switch_deg = -160.0",
            r"^bent.toml: J1: home.switch_deg -160.0 must lie between the negative end of "
            r"travel_deg and the hard stop$",
        ),
        (
            "back_off_deg = 3.0",
            "back_off_deg = 0.5",
            r"back_off_deg 0.5 must exceed differential_deg 0.6, or the switch never releases$",
        ),
        (
            "rest_pose_deg = [0.0, 60.0, -90.0, 0.0, 30.0, 0.0]",
            "rest_pose_deg = [0.0, 60.0]",
            r"^bent.toml: rest_pose_deg: got 2 angles, expected 6, one a joint$",
        ),
        ('urdf = "heron.urdf"', 'urdf = "egret.urdf"', r"urdf: no file 'egret.urdf' beside"),
        ("schema = 1", "schema = = 1", r"^bent.toml: not TOML: "),
        ('"SW.NC" = ', '"SW.NX" = ', r"missing \['SW.NC'\], unknown \['SW.NX'\]"),
    ],
)
def test_a_bent_scene_is_refused_with_key_value_and_reason(
    tmp_path: Path, old: str, new: str, message: str
) -> None:
    with pytest.raises(SceneError, match=message):
        load_scene(broken(tmp_path, old, new))


def test_a_missing_scene_names_the_nearest() -> None:
    with pytest.raises(SceneError, match=r"^no scene 'herron': .*\(did you mean 'heron'\?\)$"):
        load_scene("herron")
