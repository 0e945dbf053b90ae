"""Strategies shrink to what a person would write down first.

Minimal examples are asserted as Hypothesis's own quality tests do (its `tests/quality`): find the
smallest example for a condition, and name it.
"""

from __future__ import annotations

import subprocess
import sys
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from smallest import QUICK, minimal

from dryrig.errors import DryrigError, FaultError
from dryrig.faults import Fault, enumerate_faults, parse_fault
from dryrig.faults.strategies import (
    PROFILE,
    Arm,
    Due,
    HandAction,
    arms,
    fault_sets,
    faults,
    hand_actions,
    line_conditions,
    round_values,
    schedules,
    start_poses,
)
from dryrig.protocol.direct import open_rig
from dryrig.scenes import load_scene

HERON = load_scene("heron")


def always(_: object) -> bool:
    return True


def test_what_is_smallest() -> None:
    assert minimal(arms(), always) == Arm("heron")
    assert minimal(arms(), lambda arm: arm.faults) == Arm("heron", 0, ("open@J1.DIR",))
    assert minimal(fault_sets(), always) == ()
    assert minimal(fault_sets()) == ("open@J1.DIR",)
    assert minimal(schedules()) == (Due("open@J1.DIR", 0.0),)
    assert minimal(start_poses(), always) == HERON.rest_pose_deg
    assert minimal(hand_actions(), always) == HandAction("PRES (@1)")
    assert minimal(line_conditions(), always) == "delay@LINE"


def test_the_fault_that_matters_is_alone_and_at_the_first_joint() -> None:
    def swapped(found: tuple[str, ...]) -> bool:
        return any(text.startswith("swap") for text in found)

    (only,) = minimal(fault_sets(max_size=3), swapped)
    assert only == "swap@J1.DIR/J1.STEP"
    assert minimal(faults(joints=["J4"]), always) == "open@J4.DIR"
    assert minimal(faults(), lambda text: "J5" in text).partition("@")[0] == "open"


def test_values_are_the_kinds_own_or_round() -> None:
    def weak(text: str) -> bool:
        return text.startswith("weak")

    assert minimal(faults(kinds=["weak"]), always) == "weak@J1.MOTOR"
    assert minimal(faults(), lambda text: weak(text) and "," in text).startswith("weak@J1.MOTOR,")
    assert minimal(line_conditions(), lambda text: "drop" in text) == "drop@LINE"
    own = parse_fault("shift@J5.SW").kind.parameters["deg"]
    assert round_values(own)[0] == own.default
    assert {2.0, -2.0, 1.0, 5.0} <= set(round_values(own))


def test_one_joint_stands_elsewhere() -> None:
    elsewhere = minimal(start_poses(joints=["J4"]), lambda pose: pose[3] != 0)
    assert elsewhere[:3] == HERON.rest_pose_deg[:3]
    # On the switch comes first: it is what routines forget.
    assert elsewhere[3] == HERON.joint[3].home.switch_deg - 2.0
    off = minimal(start_poses(joints=["J4"], on_switch=False), lambda pose: pose[3] != 0)
    assert off[3] == -10.0


@settings(parent=QUICK, max_examples=30)
@given(arm=arms(max_faults=2))
def test_every_arm_can_be_built(arm: Arm) -> None:
    with open_rig(arm.scene, **arm.options) as rig:
        assert len(rig.faults.listed()) == len(arm.faults)
        assert len(rig.joints) == 6
    assert eval(repr(arm), {"Arm": Arm}).options["faults"] in (arm.faults, list(arm.faults))


@settings(parent=QUICK, max_examples=200)
@given(text=faults())
def test_faults_are_of_the_catalogue(text: str) -> None:
    assert parse_fault(text).text == text
    assert text.partition(",")[0] in CATALOGUE


CATALOGUE = set(enumerate_faults(HERON))


@settings(parent=QUICK, max_examples=30)
@given(fault=st.from_type(Fault), action=st.from_type(HandAction))
def test_from_type(fault: Fault, action: HandAction) -> None:
    assert parse_fault(fault.text) == fault
    with open_rig() as rig:
        hands = rig.port("hands", timeout=1)
        hands.write(action.line + b"SYST:ERR?\n")
        assert hands.readline() == b'0,"No error"\n'


@pytest.mark.parametrize("first", ["hypothesis", "dryrig.faults"])
def test_from_type_whichever_is_imported_first(first: str) -> None:
    """The entry point of `hypothesis` is called here by hand: it is there once installed."""
    code = (
        f"import {first}, hypothesis, dryrig; dryrig._hypothesis_entry(); "
        "from dryrig.faults import Fault; from hypothesis.strategies import from_type; "
        "assert 'parse_fault' in repr(from_type(Fault).wrapped_strategy)"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=120)


@pytest.mark.parametrize(
    ("strategy", "error", "said"),
    [
        (faults(joints=["J9"]), FaultError, r"^no joint 'J9': .*\(did you mean 'J"),
        (faults(kinds=["opn"]), FaultError, r"^no kind 'opn': .*\(did you mean 'open'\?\)"),
        (start_poses(joints=["J9"]), DryrigError, r"^no joint 'J9': expected one of J1"),
        (schedules(until_s=-1), DryrigError, r"^until_s: got -1, expected 0 s or more"),
        (line_conditions(most_delay_s=0), DryrigError, r"^most_delay_s: got 0, expected 0.001 s"),
    ],
)
def test_options_are_checked_when_drawn(
    strategy: st.SearchStrategy[Any], error: type[Exception], said: str
) -> None:
    with pytest.raises(error, match=said):
        minimal(strategy, always)


def test_the_profile_has_no_deadline() -> None:
    assert settings.get_profile(PROFILE).deadline is None
    assert HealthCheck.too_slow in settings.get_profile(PROFILE).suppress_health_check
