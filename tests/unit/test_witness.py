"""Eye against count: what a loose coupling, a weak motor or play in a gear shows to the routine.

Limits and order of the checks: common practice, no published source.
"""

from __future__ import annotations

import pytest

from dryrig.commission.arm import Joint, load_arm
from dryrig.commission.findings import Kind
from dryrig.commission.witness import NOT_WITH_SHAFT, WITH_SHAFT, Went, after_failure, sunk
from dryrig.scenes import scene_path
from dryrig.study.truth import held_to_truth


@pytest.fixture(scope="module")
def joints() -> tuple[Joint, ...]:
    return load_arm(scene_path("heron")).joints


def test_what_sinks_as_the_stand_goes_is_a_finding(joints: tuple[Joint, ...]) -> None:
    holds, falls, slips = (
        Went(joints[0], 1.0, 0.0),
        Went(joints[1], -9.0, -9.4),
        Went(joints[2], -9.0, 0.1),
    )
    checks = sunk([holds, falls, slips])
    assert [check.joint for check in checks] == ["J2", "J3"]
    assert [check.symptoms[0].kind for check in checks] == [Kind.SINKS, Kind.LOOSE]
    assert WITH_SHAFT in checks[0].evidence
    assert NOT_WITH_SHAFT in checks[1].evidence


def test_another_joint_that_hangs_loose_is_told_of(joints: tuple[Joint, ...]) -> None:
    went = [Went(joints[0], -38.0, -38.0), Went(joints[4], 125.0, 0.0)]
    words, symptoms = after_failure(went, joints[0])
    assert words.startswith("since it was energised it went -38 deg by eye and -38 by count")
    assert "J5 too: it went +125 deg by eye" in words
    assert [(one.kind, one.joint) for one in symptoms] == [(Kind.LOOSE, "J5")]


def test_another_joint_that_went_untold_is_told_of(joints: tuple[Joint, ...]) -> None:
    went = [
        Went(joints[0], -38.0, -38.0, -45.0),
        Went(joints[2], -120.0, -120.2, -120.0),  # homed: where it was sent
        Went(joints[3], 3.0, 0.0, 0.0),  # the eye errs, or it hangs loose: no shaft has moved
        Went(joints[4], -35.0, -34.6, 0.0),
        Went(joints[5], -35.0, -34.6, None),  # somebody else moved it
    ]
    words, symptoms = after_failure(went, joints[0])
    assert "J5 was told +0 deg: it went -35 deg by eye and -35 by count" in words
    assert "J3" not in words
    assert "J6" not in words
    assert [(one.kind, one.joint) for one in symptoms] == [(Kind.LOOSE, "J4"), (Kind.SINKS, "J5")]


@pytest.mark.parametrize(
    ("fault", "seed", "kind"),
    [
        # Each threw another joint out of step, and that one was named.
        ("idle@J3.DRIVE", 51018, Kind.HOME_LOST),
        ("idle@J2.DRIVE", 77001, Kind.HOME_LOST),
        ("resonance@J3.DRIVE", 51004, Kind.HOME_LOST),
        ("idle@J5.DRIVE", 77002, Kind.SINKS),  # it stands while others are homed
    ],
)
def test_the_joint_that_is_first_out_of_step_stops_all_and_is_named(
    fault: str, seed: int, kind: Kind
) -> None:
    held = held_to_truth("heron", seed, fault)
    assert held.wrongs == []
    assert held.result is not None
    (failed,) = [check for check in held.result.checks if check.failed]
    assert failed.joint == fault.partition("@")[2][:2]
    assert failed.symptoms[0].kind is kind


def test_a_joint_that_falls_through_its_coupling_is_not_jogged_back() -> None:
    held = held_to_truth("heron", 31118, "slip@J3.COUPLING")
    assert held.wrongs == []
    assert held.result is not None
    failed = [check for check in held.result.checks if check.failed]
    assert [check.symptoms[0].kind for check in failed][:1] == [Kind.LOOSE]
    assert failed[0].evidence.count("asked:") == 1
    assert held.result.suspects[0].fault == "slip@J3.COUPLING"


def test_a_coupling_that_slips_when_lifting_shows_in_both_jogs() -> None:
    """Lowered first it follows, lifted it does not: the shaft did both."""
    held = held_to_truth("heron", 31119, "slip@J2.COUPLING")
    assert held.wrongs == []
    assert held.result is not None
    failed = [check for check in held.result.checks if check.failed]
    assert [check.symptoms[0].kind for check in failed] == [Kind.LOOSE]
    assert failed[0].evidence.count("asked:") == 2
    assert held.result.suspects[0].fault == "slip@J2.COUPLING"


def test_a_motor_too_weak_to_back_off_is_not_taken_for_a_switch_that_sticks() -> None:
    held = held_to_truth("heron", 61020, "weak@J3.MOTOR")
    assert held.result is not None
    (failed,) = (check for check in held.result.checks if check.failed)
    assert failed.evidence.startswith("J3: backing off was halted")
    assert "the switch input reads 1" in failed.evidence
    assert failed.symptoms[0].kind is Kind.HOME_LOST
    assert held.result.suspects[0].fault == "weak@J3.MOTOR"


def test_play_shows_from_the_other_side() -> None:
    """Play of 1 deg: the same step reads 1 deg away."""
    held = held_to_truth("heron", 30000, "play@J1.GEAR")
    assert held.result is not None
    (failed,) = [check for check in held.result.checks if check.failed]
    assert (failed.name, failed.joint) == ("trim", "J1")
    assert failed.symptoms[0].kind is Kind.TRIM_SIDES
    assert abs(failed.symptoms[0].readings["apart_deg"]) == pytest.approx(1.0, abs=0.15)
    assert held.result.suspects[0].fault == "play@J1.GEAR"
