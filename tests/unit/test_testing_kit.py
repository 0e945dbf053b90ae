"""What the testing kit says of an arm: homed or not, a story, time limits, hard stops."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import run_state_machine_as_test

import dryrig
from dryrig.errors import DryrigError
from dryrig.faults.poses import start_for
from dryrig.faults.strategies import PROFILE, Arm
from dryrig.protocol.lease import close_rigs, open_rigs
from dryrig.scenes import load_scene
from dryrig.study.watching import RanTooLong, pressed_s, time_limit
from dryrig.testing import Homing, Ran, RigMachine, assert_homed, standings
from dryrig.testing.homing import homing_settings

ONCE = settings(max_examples=1, database=None, deadline=None, phases=(Phase.generate,))
ON_J4 = [0, 60, -90, -100, 30, 0]


def test_homed_or_what_each_joint_really_did() -> None:
    with dryrig.open_rig(seed=2, start_pose_deg=ON_J4) as rig:
        with pytest.raises(AssertionError) as caught:
            assert_homed(rig, 0.2, joints=["J4"])
        assert str(caught.value).splitlines()[0] == "not homed:"
        assert "J4 says -16" in str(caught.value)
        assert "(step 0) and stands at -100.00: +6" in str(caught.value)
        assert str(caught.value).endswith("NOT within 0.2")
        assert_homed(rig, 0.2, joints=["J4"], zero_deg={"J4": -100.0})
        # By hand: 200 full steps x 16 microsteps x ratio 16 / 360 degrees, direction 1.
        rig.joint("J4").steps = 1422
        (found,) = standings(rig, joints=["J4"], zero_deg={"J4": -100.0})
        assert found.said_deg == pytest.approx(-90.0, abs=0.01)
        assert found.error_deg == pytest.approx(-10.0, abs=0.01)
        with pytest.raises(DryrigError, match=r"^no joint 'J9': expected one of J1.*did you mean"):
            assert_homed(rig, 0.2, joints=["J9"])
        with pytest.raises(DryrigError, match=r"^within_deg: got 0, expected more than 0$"):
            assert_homed(rig, 0)


def test_a_story() -> None:
    with dryrig.open_rig(seed=2, faults=["open@J5.DIR"], start_pose_deg=ON_J4) as rig:
        port = rig.port()
        for _ in range(3):
            port.write(b"*IDN?\n")
            port.readline()
        lines = rig.story().splitlines()
        assert lines[0] == "    0.0000 s  heron, seed 2, open@J5.DIR"
        assert any(line.endswith("card <- '*IDN?'  (2 times more)") for line in lines)
        assert any("J4 stands at -100.00 deg, steps 0, counts 0, drive off" in li for li in lines)
        assert lines[-1].endswith("faults in: open@J5.DIR")


def test_a_poll_is_told_once_whatever_it_is_numbered_by() -> None:
    with dryrig.open_rig(seed=2) as rig:
        port = rig.port()
        for number in range(1, 6):
            port.write(f"*ESE {number};:SWIT:LEV? (@4)\n".encode())
            port.readline()
        for axis in (4, 5):
            port.write(f"*ESE {axis};:SWIT:LEV? (@{axis})\n".encode())
            port.readline()
        said = [line.split("<- ")[1] for line in rig.story().splitlines() if "<- " in line]
        poll, *others = said
        assert poll == "'*ESE 1;:SWIT:LEV? (@4)'  (5 more like it, until 0.0011 s)"
        assert others == ["'*ESE 5;:SWIT:LEV? (@5)'"]


def test_a_story_tells_what_touches() -> None:
    """Seed 54386 stands so low that the wrist, homed first, presses the tool on the table."""
    with dryrig.open_rig(seed=54386) as rig:
        assert "TOUCH" not in rig.story()
        for name, steps in (("J4", -4000), ("J5", 12000)):
            joint = rig.joint(name)
            joint.enabled, joint.rate = True, 4000
            joint.move(steps)
        rig.sleep(3.0)
        assert "s  L6 and table TOUCH" in rig.story()


def test_who_homes_some_joints_meets_no_arm_that_bars_their_way() -> None:
    assert start_for("heron", 54386, ("J4", "J5")) == load_scene("heron").rest_pose_deg
    assert start_for("heron", 54386, ()) is None
    assert start_for("heron", 54386, ("J1", "J2", "J3", "J4", "J5", "J6")) is None
    assert start_for("heron", 0, ("J4", "J5")) is None
    # Shoulder and elbow home upwards, and have their way from anywhere (DEVELOPERS.md).
    assert [start_for("heron", seed, ("J2", "J3")) for seed in range(20)] == [None] * 20


def test_what_is_left_behind_is_noticed() -> None:
    """Each line alone leaves a trap for the next program."""
    for line, words in (
        (b"DRIV:CURR 0.3,(@5)", "the drive of J5 is left with 0.3 of its current"),
        (b"HALT:EDGE RISE,(@4)", "J4 is left armed: it halts at the next RISE"),
        (b"FOLL:SCAL 1,(@4);HALT 1,(@4)", "J4 is left to be halted by its following error"),
    ):
        kept = Homing(lambda port, line=line: port.write(line + b"\n"), settings=ONCE)
        with pytest.raises(AssertionError, match=words):
            kept.leaves_the_card_as_found()()
    Homing(lambda port: port.write(b"DRIV:CURR 1\n"), settings=ONCE).leaves_the_card_as_found()()


def test_a_joint_driven_against_its_stop() -> None:
    with dryrig.open_rig(seed=2, start_pose_deg=ON_J4) as rig:
        rig.seen.trace.start()
        joint = rig.joint("J4")
        joint.enabled = True
        joint.rate, joint.acceleration = 2000, 20000
        joint.move(-round(60 * 200 * 16 * 16 / 360))
        rig.wait_still(5)
        assert pressed_s(rig.seen)["J4"] == 0
        joint.move(-round(40 * 200 * 16 * 16 / 360))
        rig.wait_still(5)
        # 40 deg at 14 deg/s, of which the first 10 are free way; it springs back in between.
        assert 0.3 < pressed_s(rig.seen)["J4"] < 2.2
        assert pressed_s(rig.seen)["J5"] == 0


def test_time_is_up_even_for_who_catches_all() -> None:
    with dryrig.open_rig() as rig:

        def stubborn() -> None:
            while True:
                with suppress(Exception):
                    rig.sleep(1.0)

        with pytest.raises(RanTooLong), time_limit(rig.seen, 5.0):
            stubborn()
        assert rig.time_s == pytest.approx(5.0)
        rig.sleep(5.0)


def test_open_rigs_are_known_and_can_be_closed() -> None:
    before = set(open_rigs())
    dryrig.open_rig(name="left")
    left = {number: name for number, name in open_rigs().items() if number not in before}
    assert list(left.values()) == ["left"]
    close_rigs(left)
    assert set(open_rigs()) == before


FEW = settings(settings.get_profile(PROFILE), max_examples=20, database=None, derandomize=True)


def test_an_arm_that_passed_is_not_run_again_and_one_that_failed_is() -> None:
    runs: list[float] = []
    homing = Homing(lambda port: runs.append(port.timeout), settings=FEW)
    homing.holds(lambda ran: None, st.just(Arm("heron")))()
    assert len(runs) == 1

    def wrong(ran: Ran) -> None:
        raise AssertionError("wrong")

    with pytest.raises(AssertionError, match=r"^wrong"):
        homing.holds(wrong, st.just(Arm("heron")))()
    assert len(runs) > 2


def test_a_property_keeps_to_the_present_profile_and_tells_one_bug() -> None:
    ran: list[object] = []

    def home(port: object) -> None:
        ran.append(port)
        assert len(ran) < 6

    before = settings.get_current_profile_name()
    settings.register_profile("three", max_examples=3, database=None)
    settings.load_profile("three")
    try:
        Homing(home, reports=()).ends_within(5)()
        assert 1 <= len(ran) <= 3
        own = homing_settings()
    finally:
        settings.load_profile(before)
    assert own.deadline is None
    assert not own.report_multiple_bugs
    assert Phase.explain not in own.phases
    assert Phase.shrink in own.phases


def test_a_report_must_say_what_is_asked_for() -> None:
    def home(port: object) -> None:
        raise RuntimeError("J4: no edge")

    homing = Homing(home, settings=FEW)
    homing.reports_when_impossible(saying={"unplug@J4.SW": "^J4: no"})()
    with pytest.raises(AssertionError) as caught:
        homing.reports_when_impossible(saying={"unplug@J5.SW": "^J5"})()
    said = "with unplug@J5.SW the report should say '^J5', and says J4: no edge"
    assert str(caught.value).splitlines()[0] == said


def test_half_of_the_faults_are_at_the_switches() -> None:
    found: list[str] = []

    @settings(FEW, max_examples=100)
    @given(arm=Homing(print).arms())
    def draw(arm: Arm) -> None:
        found.extend(arm.faults)

    draw()
    assert 0.3 < sum(".SW" in fault for fault in found) / len(found) < 0.8


def test_the_machine_keeps_its_invariants() -> None:
    run_state_machine_as_test(
        RigMachine,
        settings=settings(
            max_examples=4,
            stateful_step_count=5,
            database=None,
            deadline=None,
            derandomize=True,
            suppress_health_check=list(HealthCheck),
        ),
    )


def test_the_machine_finds_what_breaks_an_invariant() -> None:
    class Broken(RigMachine):
        def stays_within_its_stops(self) -> None:
            assert not self.rig.faults.listed()

        from hypothesis.stateful import invariant as _invariant

        never_broken = _invariant()(stays_within_its_stops)

    with pytest.raises(AssertionError) as caught:
        run_state_machine_as_test(
            Broken,
            settings=settings(
                max_examples=20,
                stateful_step_count=5,
                phases=(Phase.generate,),
                database=None,
                deadline=None,
                derandomize=True,
                suppress_health_check=list(HealthCheck),
            ),
        )
    assert "state.fault(" in "\n".join(caught.value.__notes__)
