"""Held against the truth: no commissioning hangs, lies or leans on a stop, whatever is broken.

Every fault of the catalogue on an arm of its own seed. DRYRIG_TRUTH=0:1 (start and stride in the
catalogue) tries them all instead of a few; `dryrig faults truth heron` does so on several cores.
"""

from __future__ import annotations

import os
from dataclasses import replace

import pytest

from dryrig.commission.homing import PRESS_LIMIT_S
from dryrig.commission.result import Result
from dryrig.faults import enumerate_faults
from dryrig.scenes import load_scene
from dryrig.study import truth
from dryrig.study.truth import BEYOND_DEG, Held, held_to_truth, study_truth

FAULTS = list(enumerate_faults(load_scene("heron")))
START, _, STRIDE = os.environ.get("DRYRIG_TRUTH", "7:71").partition(":")
SEED = 30_000


@pytest.mark.parametrize("number", range(int(START), len(FAULTS), int(STRIDE)))
def test_no_fault_makes_a_commissioning_break_its_word(number: int) -> None:
    held = held_to_truth("heron", SEED + number, FAULTS[number])
    assert held.wrongs == [], FAULTS[number]
    assert held.verdict in ("pass", "findings", "could not run")


def test_what_must_not_be_is_told() -> None:
    fine = Held("", 1, Result("pass", "Heron"), -0.05, {"J1": 0.0, "J2": 0.1}, 0, 240.0)
    assert fine.wrongs == []
    assert replace(fine, off_deg=BEYOND_DEG + 0.01).wrongs == [
        "passed with a joint 0.21 deg beyond its stated bound"
    ]
    assert replace(fine, pressed={"J2": PRESS_LIMIT_S + 0.5}).wrongs == [
        "J2 pressed a hard stop for 1.50 s, longer than 1 s"
    ]
    assert replace(fine, teacher_bytes=3).wrongs == ["3 bytes went to the teacher"]


def test_a_run_that_does_not_end_is_ended_and_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(truth, "LIMIT_S", 20.0)
    held = held_to_truth("heron", 3)
    assert held.verdict == "hung"
    assert held.wrongs == ["was not at its end after 20 s of rig time"]
    assert 20.0 <= held.rig_time_s < 25.0


def test_a_joint_that_meets_its_stop_is_seen_there() -> None:
    """A switch that never closes: the search ends at the stop, and only by the following error."""
    tally = study_truth("heron", ["open@J4.SW.COM", "overrun@J1.SW"], seed=11, processes=1)
    assert [one.wrongs for one in tally.held] == [[], []]
    assert tally.wrong == []


def test_a_joint_that_falls_out_of_step_stops_those_that_move_with_it() -> None:
    """On its way to a pose this elbow drops on its stop, and throws the wrist out of step."""
    held = held_to_truth("heron", 1454, "resonance@J3.DRIVE")
    assert held.wrongs == []
    assert held.pressed_s < 0.1
