"""Who stopped a homing, and what is said of it: joints told to stand, shaken ones, steps lost.

What properties of a whole homing reach seldom (`tests/plugin/mutants.md`). A window of following
error is two loads of 1.1 deg of the motor (common practice, no published source): 24.4 counts of
4000 a turn, 6.1 of 1000. Four full steps of 200 are 80 counts of 4000.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import pytest

from dryrig.commission.arm import Joint, load_arm
from dryrig.commission.client import Card
from dryrig.commission.findings import Kind
from dryrig.commission.homing_failed import HomingFailed, left, out_of_step, strayed
from dryrig.commission.homing_methods import Run
from dryrig.scenes import Axis, Sketch

AXES = (Axis(), Axis(counts=1000), Axis(), Axis(ratio=10.0, direction=-1))
FINE, COARSE, OTHER, BACK = load_arm(Sketch(AXES).path).joints


class Told(Card):
    """A card of which only following errors and switch levels are asked."""

    def __init__(self, errors: Mapping[Joint, float], level: int = 0) -> None:
        self._errors = {joint.channel: error for joint, error in errors.items()}
        self._level = level

    def following_error(self, channels: Iterable[int]) -> dict[int, float]:
        return {channel: self._errors.get(channel, 0.0) for channel in channels}

    def levels(self, channels: Iterable[int]) -> dict[int, int]:
        return dict.fromkeys(channels, self._level)


@pytest.mark.parametrize(
    ("errors", "first", "expected"),
    [
        # Seen first and out of step now: it was that one, however far out another is since.
        ({FINE: 500.0, OTHER: 30.0}, [OTHER], OTHER),
        ({COARSE: -7.0, OTHER: 30.0}, [FINE, OTHER], OTHER),
        ({FINE: 30.0, COARSE: -70.0}, [FINE, COARSE], FINE),
        # Only shaken, while others have lost their places: the furthest out, by its own window.
        ({FINE: 24.0, OTHER: -90.0, BACK: 30.0}, [FINE], OTHER),
        ({FINE: 80.0, COARSE: -40.0}, [OTHER], COARSE),
        ({FINE: -160.0, COARSE: 30.0}, [OTHER], FINE),
        ({FINE: 30.0, OTHER: 45.0}, [COARSE], OTHER),
        # Nobody has: the one seen first.
        ({FINE: 24.0, COARSE: 6.0, OTHER: -24.0}, [OTHER, COARSE], COARSE),
        ({}, [OTHER], OTHER),
    ],
)
def test_who_stopped_all(errors: dict[Joint, float], first: list[Joint], expected: Joint) -> None:
    joints, channels = [FINE, COARSE, OTHER, BACK], [joint.channel for joint in first]
    assert out_of_step(Told(errors), joints, channels) is expected


def test_one_that_was_told_to_stand_has_gone() -> None:
    """10 to 1 and 4000 counts a turn, mirrored: 111.1 counts for -1 deg."""
    with pytest.raises(HomingFailed) as raised:
        strayed(Told({BACK: 200.0}), BACK, [FINE, OTHER])
    assert str(raised.value) == (
        "J4: told to stand while J1, J3 moved, it went -1.80 deg by count: it does not hold, or "
        "was pushed"
    )
    assert raised.value.symptom.kind == Kind.SINKS
    assert raised.value.symptom.readings["count_deg"] == pytest.approx(-1.8)


@pytest.mark.parametrize("error", [-24.0, 24.0])
def test_one_that_was_only_shaken_does_hold(error: float) -> None:
    with pytest.raises(HomingFailed) as raised:
        strayed(Told({BACK: error}), BACK, [FINE, OTHER])
    assert str(raised.value) == (
        "J4: the motion of J1, J3 was stopped by a following error of it that has gone since"
    )
    assert raised.value.symptom.kind == Kind.HOME_LOST
    assert raised.value.symptom.readings == {"missing_counts": 0.0}


OFF = Run("leave", 5.0, 20.0)
MADE = FINE.steps(5.0)


@pytest.mark.parametrize(
    ("error", "level", "made", "kind", "said"),
    [
        (24.0, 1, MADE, Kind.HOME_NO_RELEASE, "backed off 5.0 deg and the switch input still"),
        (-40.0, 1, MADE, Kind.HOME_NO_RELEASE, "still reads 1; -40 counts of following error: a"),
        (-80.0, 1, MADE // 2, Kind.HOME_LOST, "error: 1 x 4 full steps: .*; the switch .* reads 1"),
        (160.0, 0, MADE // 2, Kind.HOME_LOST, r"was halted; \+160 counts .*; the .* reads 0$"),
        # Cut short by a following error that has gone: a switch that reads 1 is no wonder.
        (0.0, 1, MADE // 2, Kind.HOME_LOST, "backing off was stopped by a following error of it"),
        (0.0, 0, MADE - 1, Kind.HOME_LOST, "backing off was stopped by a following error of it"),
    ],
)
def test_backing_off_failed(error: float, level: int, made: int, kind: Kind, said: str) -> None:
    with pytest.raises(HomingFailed, match=said) as raised:
        left(Told({FINE: error}, level), FINE, OFF, made)
    assert raised.value.symptom.kind == kind
    lost = raised.value.symptom.readings.get("missing_counts", 0.0)
    assert lost == (-error if kind == Kind.HOME_LOST else 0.0)


def test_backing_off_the_other_way_is_cut_short_too() -> None:
    with pytest.raises(HomingFailed, match="backing off was stopped by a following error of it"):
        left(Told({}, 1), FINE, Run("leave", -5.0, 20.0), -MADE // 2)


@pytest.mark.parametrize("error", [-24.0, 0.0, 24.0])
def test_backed_off_with_no_step_lost(error: float) -> None:
    left(Told({FINE: error}), FINE, OFF, MADE)
