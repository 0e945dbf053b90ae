"""Evidence of a commissioning taken apart, the spread over sound arms, work over processes."""

from __future__ import annotations

import pytest

from dryrig.commission.findings import Check
from dryrig.commission.result import JointResult, Result
from dryrig.study.evidence import Evidence, Spread, evidence_of
from dryrig.study.executor import in_processes


def test_words_and_readings_of_a_result() -> None:
    check = Check("jogs", "J3", "pass", "+6 deg asked: -5.98 by count (J3, 3.3 V, 2e-3)")
    result = Result(
        "pass",
        "an arm",
        checks=[check],
        joints=[JointResult("J3", "level", "deg", 0.1, trim_deg=-0.5)],
    )
    evidence = evidence_of(result)
    assert evidence.words["jogs J3"] == "pass: # deg asked: # by count (J3, # V, #)"
    assert evidence.readings["jogs J3 1"] == (6.0, 1.0)
    assert evidence.readings["jogs J3 2"] == (-5.98, pytest.approx(0.01))
    assert evidence.readings["J3 trim_deg"] == (-0.5, 1e-3)
    assert "J3 residue_deg" not in evidence.readings
    assert evidence.words["verdict"] == "pass"


def arm(value: float, words: str = "fine") -> Evidence:
    return Evidence({"check": words}, {"volts": (value, 0.01)})


def test_an_arm_is_beyond_the_spread_by_words_or_by_a_reading_far_out() -> None:
    spread = Spread.over([arm(5.0), arm(5.2), arm(5.1, "well")])
    for value in (5.0, 5.2, 4.91, 5.29):  # half of 0.2 V beyond either end
        assert spread.beyond(arm(value)) == []
    assert spread.beyond(arm(4.89)) == ["volts: 4.89, sound 5 to 5.2"]
    assert spread.beyond(arm(5.1, "well")) == []
    assert spread.beyond(arm(5.1, "bad")) == ["check: other words"]
    # Arms that are all alike leave room for two digits.
    alike = Spread.over([arm(5.0), arm(5.0)])
    assert alike.beyond(arm(5.02)) == []
    assert alike.beyond(arm(5.03)) == ["volts: 5.03, sound 5 to 5"]


def doubled(number: int) -> int:
    return 2 * number


@pytest.mark.parametrize("processes", [1, 2])
def test_work_comes_back_with_its_task(processes: int) -> None:
    # What a new process can import: a function of a library.
    work = doubled if processes == 1 else abs
    done = dict(in_processes(work, [-3, -2, -1], processes))
    assert done == {task: work(task) for task in (-3, -2, -1)}
