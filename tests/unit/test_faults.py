"""The grammar, the catalogue, and rule one: faults break parts, never readings."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator

import pytest

from dryrig.errors import FaultError
from dryrig.faults import KINDS, Injector, enumerate_faults, parse_fault
from dryrig.scenes import load_scene
from dryrig.sim import TICKS_PER_S, Rig

SCENE = load_scene("heron")


@pytest.fixture(scope="module")
def rig() -> Iterator[Rig]:
    with Rig(SCENE, 5) as rig:
        yield rig


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "J3.DIR",
            r"^fault 'J3.DIR': expected KIND@PLACE\[,parameter=value\], e.g. 'open@J3.DIR'$",
        ),
        ("opne@J3.DIR", r"no kind 'opne' \(did you mean 'open'\?\); kinds: open, resist"),
        ("swap@J3.DIR", r"swap takes two places, PLACE/PLACE, got 'J3.DIR'$"),
        ("swap@J3.DIR/J3.DIR", r"the two places are the same$"),
        (
            "resist@J3.DIR,ohms=3",
            r"no parameter 'ohms' \(did you mean 'ohm'\?\); it takes ohm,",
        ),
        ("resist@J3.DIR,ohm=x", r"ohm: got 'x', expected 0.01 to 1e\+12 ohm$"),
        ("weak@J2.MOTOR,current=7", r"current: got '7', expected 0 to 1 of the set current$"),
    ],
)
def test_a_fault_that_cannot_be_read_says_why(text: str, message: str) -> None:
    with pytest.raises(FaultError, match=message):
        parse_fault(text)


def test_an_unknown_place_names_the_nearest_and_changes_nothing(rig: Rig) -> None:
    injector, before = Injector(rig), rig.harness.parts.to_dict()
    with pytest.raises(FaultError, match=r"no place 'J3.DRI' for open \(did you mean 'J3.DIR'\?\)"):
        injector.insert("open@J3.DRI")
    assert rig.harness.parts.to_dict() == before
    assert injector.listed() == []


def test_the_catalogue_goes_in_and_comes_out_leaving_nothing(rig: Rig) -> None:
    """One fault of each kind and place pattern, on joints 1 and 6."""
    injector, sound = Injector(rig), rig.harness.parts.to_dict()
    names = list(enumerate_faults(SCENE))
    assert len(names) == len(set(names)) > 500
    # The Heron has no brake.
    assert {name.partition("@")[0] for name in names} == set(KINDS) - {"brake"}
    for name in names:
        if any(f"J{number}." in name for number in (2, 3, 4, 5)):
            continue
        injector.insert(name)
        changed = rig.harness.parts.to_dict() != sound or injector.line is not None
        assert changed, name
        injector.remove(name)
        assert rig.harness.parts.to_dict() == sound
        assert injector.line is None


def test_two_faults_act_together_and_come_out_in_any_order(rig: Rig) -> None:
    injector, sound = Injector(rig), rig.harness.parts.to_dict()
    injector.insert("swap@J2.DIR/J2.STEP")
    injector.insert("resist@J2.DIR,ohm=100")
    assert injector.listed() == ["swap@J2.DIR/J2.STEP", "resist@J2.DIR,ohm=100"]
    with pytest.raises(FaultError, match="is in already"):
        injector.insert("resist@J2.DIR,ohm=100")
    injector.remove("swap@J2.DIR/J2.STEP")
    injector.remove("resist@J2.DIR,ohm=100")
    assert rig.harness.parts.to_dict() == sound
    with pytest.raises(FaultError, match="is not in"):
        injector.remove("open@J1.DIR")


_RUN = """
import json, sys
sys.modules["dryrig.faults"] = None  # any import of it now fails
from dryrig.scenes import load_scene
from dryrig.sim import TICKS_PER_S, Rig
rig = Rig(load_scene("heron"), 5, start_pose_deg=[0, 20, -60, 0, 10, 0], parts=json.load(sys.stdin))
rig.trace.start()
for axis in range(6):
    rig.card.enable(axis, True)
    rig.card.move(axis, 3000 if axis % 2 else -3000)
rig.advance(4 * TICKS_PER_S)
rig.hands.press(4)
rig.advance(5 * TICKS_PER_S)
print(rig.trace.edges, rig.trace.digest(), [rig.card.count(axis) for axis in range(6)])
"""


@pytest.mark.parametrize(
    "fault",
    [
        "open@J4.ENC.A",
        "swap@J2.DIR/J2.STEP",
        "open@J5.SW.COM",
        "weak@J2.MOTOR",
        "shift@J5.SW",
        "dirt@J4.ENC",
        "lag@J2.DRIVE",
        "dim@J2.DRIVE",
        "dead@J4.ENC,channel=2",
        "slow@J4.ENC",
        "frozen@CARD.J5.SW.COM,level=2",
        "overload@TOOL",
        "sag@RAIL.5V",
        "resist@J4.ENC.A,ohm=1e6",
        "resist@J2.STEP,ohm=530",
    ],
)
def test_a_rig_rebuilt_from_its_parts_alone_goes_on_identically(fault: str) -> None:
    with Rig(SCENE, 5, start_pose_deg=[0, 20, -60, 0, 10, 0]) as rig:
        Injector(rig).insert(fault)
        parts = json.dumps(rig.harness.parts.to_dict())
        rig.trace.start()
        for axis in range(6):
            rig.card.enable(axis, True)
            rig.card.move(axis, 3000 if axis % 2 else -3000)
        rig.advance(4 * TICKS_PER_S)
        rig.hands.press(4)
        rig.advance(5 * TICKS_PER_S)
        ours = (rig.trace.edges, rig.trace.digest(), [rig.card.count(axis) for axis in range(6)])
    assert ours[0] > 1000
    theirs = subprocess.run(
        [sys.executable, "-c", _RUN], input=parts, capture_output=True, text=True, check=True
    )
    assert theirs.stdout.strip() == f"{ours[0]} {ours[1]} {ours[2]}"


def drive_and_jog(rig: Rig, live: tuple[int, ...], jogged: int) -> list[float]:
    """How far every joint went when one axis was jogged by 1000 steps, deg."""
    for axis in live:
        rig.card.enable(axis, True)
    rig.advance(rig.now + TICKS_PER_S)
    before = rig.truth_deg()
    rig.card.move(jogged, 1000)
    rig.advance(rig.now + 3 * TICKS_PER_S)
    return [after - start for after, start in zip(rig.truth_deg(), before, strict=True)]


def test_crossed_motor_plugs_move_the_other_joint() -> None:
    """Common practice, no published source: other joint and its count."""
    with Rig(SCENE, 3, start_pose_deg=[0, 20, -60, 0, 10, 0]) as rig:
        Injector(rig).insert("cross@J4.MOTOR/J6.MOTOR")
        moved = drive_and_jog(rig, (3, 5), 3)
        expected = 1000 / SCENE.joint[5].steps_per_deg
        assert moved[5] == pytest.approx(expected, abs=0.2)
        assert abs(moved[3]) < 0.2


def test_a_motor_without_current_is_limp_and_rests_on_the_stand() -> None:
    with Rig(SCENE, 3, start_pose_deg=[0, 20, -60, 0, 10, 0]) as rig:
        Injector(rig).insert("unplug@J2.MOTOR")
        moved = drive_and_jog(rig, (0, 1, 2), 1)
        assert rig.drives[1].energised
        assert abs(moved[1]) < 0.01


def test_crossed_input_plugs_enable_and_step_the_other_drive() -> None:
    with Rig(SCENE, 3, start_pose_deg=[0, 20, -60, 0, 10, 0]) as rig:
        Injector(rig).insert("cross@J4.INPUTS/J6.INPUTS")
        moved = drive_and_jog(rig, (3,), 3)
        assert rig.drives[5].energised
        assert not rig.drives[3].energised
        assert moved[5] == pytest.approx(1000 / SCENE.joint[5].steps_per_deg, abs=0.05)
        assert abs(moved[3]) < 0.01
