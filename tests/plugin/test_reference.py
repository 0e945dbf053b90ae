"""The reference homing as a routine under test: all six joints, any fault, any pose.

Each example homes a whole Heron, stage by stage. To try many, over two processes:

    DRYRIG_EXAMPLES=1000 pytest -n 2 tests/plugin/test_reference.py -k six
"""

from __future__ import annotations

import os

import pytest
from hypothesis import HealthCheck, Phase, seed, settings
from reference_homing import (
    ALONE_REASONS,
    BLIND_REASONS,
    REASONS,
    SLOW_REASONS,
    STOP_REASONS,
    alone,
    heron,
    indexed,
    sketched,
)

EXAMPLES = int(os.environ.get("DRYRIG_EXAMPLES", "4"))
SLICES = 20 if EXAMPLES >= 100 else 1
"""Tests that processes share out."""


def of(examples: int) -> settings:
    return settings(
        max_examples=examples,
        database=None,
        deadline=None,
        phases=(Phase.generate,),
        suppress_health_check=list(HealthCheck),
    )


@pytest.mark.parametrize("number", range(SLICES))
def test_six_joints_end_homed_or_with_a_report(number: int) -> None:
    homing = heron(settings=of(EXAMPLES // SLICES))
    seed(number)(homing.never_wrong_and_silent(0.3))()


def test_sound_arms_are_homed() -> None:
    seed(1)(heron(settings=of(2)).homes_a_sound_arm(0.3))()
    seed(1)(sketched("J1", settings=of(3)).homes_a_sound_arm(0.05))()
    seed(1)(sketched("J2", settings=of(3)).homes_a_sound_arm(0.8))()
    seed(1)(indexed("J2", settings=of(3)).homes_a_sound_arm(0.1))()
    seed(1)(indexed(settings=of(3)).twice_agrees(0.1))()


def test_a_report_says_why() -> None:
    seed(1)(indexed(settings=of(8)).reports_when_impossible(saying=REASONS))()
    seed(1)(sketched(settings=of(8)).reports_when_impossible(saying=STOP_REASONS))()
    seed(1)(alone(settings=of(4)).reports_when_impossible(saying=ALONE_REASONS))()
    blind = sketched(looks=False, settings=of(2))
    seed(1)(blind.reports_when_impossible(saying=BLIND_REASONS))()
    wrist = heron("J4", "J5", settings=of(2), limit_s=200.0)
    seed(1)(wrist.reports_when_impossible(saying=SLOW_REASONS))()


def test_the_card_is_left_as_it_was_found() -> None:
    seed(1)(sketched(settings=of(6)).leaves_the_card_as_found())()
