"""Brakes that hold without power: the Heron of the scene heron_brake (common practice)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from dryrig.commission.arm import load_arm
from dryrig.errors import NoBrake
from dryrig.faults import Injector, enumerate_faults
from dryrig.scenes import load_scene, scene_path
from dryrig.sim import TICKS_PER_S, Rig
from dryrig.study.commissioned import commissioned

SCENE, HERON = load_scene("heron_brake"), load_scene("heron")
J2, J3 = 1, 2
POSE = [0.0, 60.0, -60.0, 0.0, 10.0, 0.0]  # well above the table


@pytest.fixture
def rig() -> Iterator[Rig]:
    with Rig(SCENE, 3, start_pose_deg=POSE) as rig:
        yield rig


def wait(rig: Rig, time_s: float) -> None:
    rig.advance(rig.now + round(time_s * TICKS_PER_S))


def turn(rig: Rig, joint: int, deg: float) -> str:
    rig.hands.turn(joint, deg)
    rig.run_until(lambda: not rig.hands.busy, rig.now + 40 * TICKS_PER_S)
    return rig.hands.feel(joint)


def test_the_scene_is_the_heron_with_two_brakes_in_both_readers() -> None:
    braked = [joint.name for joint in SCENE.joint if joint.brake_n_m]
    assert braked == ["J2", "J3"]
    plain = tuple(joint.model_copy(update={"brake_n_m": 0.0}) for joint in SCENE.joint)
    assert plain == HERON.joint
    arm = load_arm(scene_path("heron_brake"))
    assert [joint.brake_n_m for joint in arm.joints] == [joint.brake_n_m for joint in SCENE.joint]
    assert [joint.name for joint in arm.joints] == [joint.name for joint in SCENE.joint]


def test_brakes_hold_the_links_without_power_and_a_lever_lets_them_fall(rig: Rig) -> None:
    rig.hands.set_stand(False)
    wait(rig, 2.0)
    # The wrist has none: it falls, and what it meets shakes the rest.
    assert rig.truth_deg()[J2] == pytest.approx(POSE[J2], abs=1.0)
    assert rig.truth_deg()[J3] == pytest.approx(POSE[J3], abs=1.0)
    rig.hands.pull_brake(J3, True)
    wait(rig, 1.0)
    assert rig.truth_deg()[J3] < POSE[J3] - 5
    assert rig.truth_deg()[J2] == pytest.approx(POSE[J2], abs=1.0)


def test_a_hand_turns_the_joint_only_with_the_lever_open(rig: Rig) -> None:
    rig.hands.set_motor_supply(False)
    for is_open, felt, moved in ((False, "STIFF", 0.0), (True, "FREE", 5.0), (False, "STIFF", 0.0)):
        rig.hands.pull_brake(J2, is_open)
        before = rig.truth_deg()[J2]
        assert turn(rig, J2, 5.0) == felt
        assert rig.truth_deg()[J2] - before == pytest.approx(moved, abs=0.1)


def test_a_lever_does_nothing_against_a_brake_that_drags(rig: Rig) -> None:
    Injector(rig).insert("brake@J2.BRAKE")
    rig.hands.pull_brake(J2, True)
    assert turn(rig, J2, 5.0) == "STIFF"


def test_without_a_brake_there_is_no_lever(rig: Rig) -> None:
    with pytest.raises(NoBrake, match=r"^J1 has no brake; joints that have: J2, J3$"):
        rig.hands.pull_brake(0, True)


def test_the_lever_over_the_port_and_a_reset_lets_go_of_it() -> None:
    url = "dryrig://heron_brake?seed=1&port=hands"
    with serial.serial_for_url(url, timeout=5) as hands:

        def ask(text: str) -> str:
            hands.write(f"{text}\n".encode())
            return hands.readline().decode().strip()

        assert ask("BRAK:REL ON,(@2);REL? (@2)") == "1"
        hands.write(b"*RST\n")
        assert ask("BRAK:REL? (@2)") == "0"
        hands.write(b"BRAK:REL ON,(@1)\n")
        assert ask("SYST:ERR?").startswith('-221,"Settings conflict;J1 has no brake')


@pytest.mark.parametrize("seed", [0, 1])
def test_an_arm_with_brakes_is_commissioned_like_one_without(seed: int) -> None:
    ours, theirs = commissioned("heron_brake", seed), commissioned("heron", seed)
    assert ours.verdict == theirs.verdict == "pass"
    assert len(ours.checks) == len(theirs.checks)


def test_a_brake_that_drags_is_found_by_hand_and_by_jog() -> None:
    """One that does not hold is not: the stand carries the links, and no check takes it away."""
    found = {check.name for check in commissioned("heron_brake", 0, "brake@J2.BRAKE").checks
             if check.failed and check.joint == "J2"}  # fmt: skip
    assert {"encoders", "jogs"} <= found
    assert commissioned("heron_brake", 0, "brake@J2.BRAKE,on=2").verdict == "pass"


def test_faults_of_brakes_are_listed_where_there_are_brakes() -> None:
    listed = [fault for fault in enumerate_faults(SCENE) if fault.startswith("brake@")]
    assert listed == [f"brake@{j}.BRAKE{on}" for j in ("J2", "J3") for on in ("", ",on=2")]
    assert len(list(enumerate_faults(SCENE))) == len(list(enumerate_faults(HERON))) + 4


def test_a_joint_laid_over_another_keeps_the_rest_and_its_place(tmp_path: Path) -> None:
    text = 'extends = "heron.toml"\nname = "own"\n[[joint]]\nname = "J4"\nratio = 12.5\n'
    for name in ("heron.toml", "heron.urdf"):
        (tmp_path / name).write_bytes((scene_path("heron").parent / name).read_bytes())
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    for joints in (load_scene(path).joint, load_arm(path).joints):
        assert [joint.name for joint in joints] == [joint.name for joint in HERON.joint]
        assert joints[3].ratio == 12.5
        assert joints[3].microsteps == HERON.joint[3].microsteps
