"""The reference homing as a routine under test: all six joints, any fault, any pose.

Each example homes a whole Heron, stage by stage. To try many, over two processes:

    DRYRIG_EXAMPLES=1000 pytest -n 2 tests/plugin/test_reference.py -k six
"""

from __future__ import annotations

import os
from collections.abc import Callable

import pytest
from hypothesis import seed
from reference_homing import heron, indexed, of, says_why, sketched

EXAMPLES = int(os.environ.get("DRYRIG_EXAMPLES", "4"))
SLICES = 20 if EXAMPLES >= 100 else 1
"""Tests that processes share out."""


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


@pytest.mark.parametrize(("fault", "check"), list(says_why()), ids=[name for name, _ in says_why()])
def test_a_report_says_why(fault: str, check: Callable[[], None]) -> None:
    seed(1)(check)()


def test_the_card_is_left_as_it_was_found() -> None:
    seed(1)(sketched(settings=of(6)).leaves_the_card_as_found())()
