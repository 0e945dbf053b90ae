"""What the columns of the trade's table of symptoms say, as checks on what a person saw.

Common practice, no published source. Each takes this arm, a sound one, and the joint.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import pytest
from bench_person import JOG_DEG, TURN_DEG, Seen

from dryrig.scenes import load_scene

SCENE = load_scene("heron")
FULL_STEPS_4 = 80
"""Counts of four full steps: 200 a turn, 4000 counts a turn."""
Check = Callable[[Seen, Seen, int], None]


def per_deg(joint: int) -> float:
    one = SCENE.joint[joint - 1]
    return one.encoder.counts * one.ratio / 360


# --- encoder by hand ------------------------------------------------------------------------


def hand_counts(seen: Seen, joint: int) -> list[int]:
    return [counts[joint] for _, counts in seen.turned]


def hand_ok(seen: Seen, sound: Seen, joint: int) -> None:
    assert hand_counts(seen, joint) == pytest.approx(hand_counts(sound, joint), abs=2)


def hand_stuck(seen: Seen, sound: Seen, joint: int) -> None:
    """One channel alone goes there and back; hum on the other may add a count or two."""
    assert max(map(abs, hand_counts(seen, joint))) <= 3


def hand_backwards(seen: Seen, sound: Seen, joint: int) -> None:
    assert hand_counts(seen, joint) == pytest.approx([-n for n in hand_counts(sound, joint)], abs=2)


def hand_frozen(seen: Seen, sound: Seen, joint: int) -> None:
    assert hand_counts(seen, joint) == [0, 0]


def hand_other(seen: Seen, sound: Seen, joint: int) -> None:
    """Its own count stays, one other joint's makes what it should."""
    assert hand_counts(seen, joint) == [0, 0]
    (other,) = strayed(seen.turned[0][1], joint)
    assert hand_counts(seen, other) == pytest.approx(hand_counts(sound, joint), abs=2)


def strayed(counts: Mapping[int, int], joint: int) -> list[int]:
    """Other joints whose counts moved."""
    return [other for other, moved in counts.items() if other != joint and abs(moved) > 300]


def hand_dead_band(seen: Seen, sound: Seen, joint: int) -> None:
    """The joint turns by the play before the shaft, and with it the count, follows."""
    up, down = (abs(n) / per_deg(joint) for n in hand_counts(seen, joint))
    assert up == pytest.approx(TURN_DEG - 0.5, abs=0.05)  # from the middle of the play
    assert down == pytest.approx(TURN_DEG - 1.0, abs=0.05)


# --- switch by hand -------------------------------------------------------------------------


def levels(seen: Seen) -> tuple[int, int, int]:
    return seen.levels["rest"], seen.levels["pressed"], seen.levels["released"]


def switch_ok(seen: Seen, sound: Seen, joint: int) -> None:
    assert levels(seen) == (0, 1, 0)


def switch_dead(seen: Seen, sound: Seen, joint: int) -> None:
    """None, held or random: what it does has nothing to do with the finger."""
    assert levels(seen) != (0, 1, 0)


def switch_lingers(seen: Seen, sound: Seen, joint: int) -> None:
    assert levels(seen)[1:] == (1, 1)


def switch_let_go_by_chance(seen: Seen, sound: Seen, joint: int) -> None:
    assert levels(seen)[1:] == (1, 0)


def switch_stays_low(seen: Seen, sound: Seen, joint: int) -> None:
    assert levels(seen) == (0, 0, 0)


def switch_flickers(seen: Seen, sound: Seen, joint: int) -> None:
    """It floats up while the finger is on the lever."""
    assert levels(seen) == (0, 1, 0)


def switch_inverted(seen: Seen, sound: Seen, joint: int) -> None:
    assert levels(seen) == (1, 0, 1)


def switch_shorts(seen: Seen, sound: Seen, joint: int) -> None:
    assert seen.rail_3v3_v["rest"] > 3.2
    assert seen.rail_3v3_v["pressed"] < 1.0


def switch_shorts_at_rest(seen: Seen, sound: Seen, joint: int) -> None:
    assert seen.rail_3v3_v["rest"] < 1.0
    assert seen.rail_3v3_v["pressed"] > 3.2


# --- jogs -----------------------------------------------------------------------------------


def by_eye(seen: Seen, joint: int) -> list[float]:
    return [jog.eye_deg[joint] for jog in seen.jogs]


def by_count(seen: Seen, joint: int) -> list[float]:
    return [jog.counts[joint] / per_deg(joint) for jog in seen.jogs]


def jog_ok(seen: Seen, sound: Seen, joint: int) -> None:
    assert by_eye(seen, joint) == pytest.approx([JOG_DEG, -JOG_DEG], abs=1)
    assert by_count(seen, joint) == pytest.approx([JOG_DEG, -JOG_DEG], abs=0.05)


def jog_both_negative(seen: Seen, sound: Seen, joint: int) -> None:
    assert by_eye(seen, joint) == pytest.approx([-JOG_DEG, -JOG_DEG], abs=1)
    assert by_count(seen, joint) == pytest.approx([-JOG_DEG, -JOG_DEG], abs=0.05)


def jog_both_positive(seen: Seen, sound: Seen, joint: int) -> None:
    assert by_eye(seen, joint) == pytest.approx([JOG_DEG, JOG_DEG], abs=1)
    assert by_count(seen, joint) == pytest.approx([JOG_DEG, JOG_DEG], abs=0.05)


def no_travel(seen: Seen, sound: Seen, joint: int) -> None:
    assert by_eye(seen, joint) == [0, 0]


def jog_stiff_none(seen: Seen, sound: Seen, joint: int) -> None:
    assert by_eye(seen, joint) == [0, 0]
    assert max(abs(jog.counts[joint]) for jog in seen.jogs) <= 2
    assert seen.feel == "STIFF"
    assert abs(seen.drops_deg) <= 1


def jog_limp_none(seen: Seen, sound: Seen, joint: int) -> None:
    """And without the stand it drops."""
    assert by_eye(seen, joint) == [0, 0]
    assert max(abs(jog.counts[joint]) for jog in seen.jogs) <= 2
    assert seen.feel == "FREE"
    assert abs(seen.drops_deg) > 5


def jog_rocks(seen: Seen, sound: Seen, joint: int) -> None:
    """Some full steps to and fro or a creep, and no sense in its sense: far from what was asked."""
    assert max(map(abs, by_count(seen, joint))) < JOG_DEG / 4
    assert max(map(abs, by_eye(seen, joint))) <= 1


def count_opposite(seen: Seen, sound: Seen, joint: int) -> None:
    assert by_count(seen, joint) == pytest.approx([-JOG_DEG, JOG_DEG], abs=0.05)


def jog_reversed(seen: Seen, sound: Seen, joint: int) -> None:
    assert by_eye(seen, joint) == pytest.approx([-JOG_DEG, JOG_DEG], abs=1)
    count_opposite(seen, sound, joint)


def jog_eye_right_count_still(seen: Seen, sound: Seen, joint: int) -> None:
    assert by_eye(seen, joint) == pytest.approx([JOG_DEG, -JOG_DEG], abs=1)
    assert max(abs(jog.counts[joint]) for jog in seen.jogs) <= 3


def jog_eye_right_count_opposite(seen: Seen, sound: Seen, joint: int) -> None:
    assert by_eye(seen, joint) == pytest.approx([JOG_DEG, -JOG_DEG], abs=1)
    count_opposite(seen, sound, joint)


def other_count(seen: Seen, sound: Seen, joint: int) -> None:
    """One joint is told, another one's count moves."""
    for jog in seen.jogs:
        assert len(strayed(jog.counts, joint)) == 1
        assert abs(jog.counts[joint]) <= 3


def jog_right_joint_other_count(seen: Seen, sound: Seen, joint: int) -> None:
    other_count(seen, sound, joint)
    assert by_eye(seen, joint) == pytest.approx([JOG_DEG, -JOG_DEG], abs=1)
    assert by_eye(seen, *strayed(seen.jogs[0].counts, joint)) == [0, 0]


def jog_other_joint_and_count(seen: Seen, sound: Seen, joint: int) -> None:
    """The other one turns by the steps over its own ratio, in its own sense."""
    other_count(seen, sound, joint)
    assert by_eye(seen, joint) == [0, 0]
    (other,) = strayed(seen.jogs[0].counts, joint)
    told, moved = SCENE.joint[joint - 1], SCENE.joint[other - 1]
    deg = JOG_DEG * told.ratio / moved.ratio * told.direction * moved.direction
    assert by_eye(seen, other) == pytest.approx([deg, -deg], abs=1)


def jog_half(seen: Seen, sound: Seen, joint: int) -> None:
    assert by_eye(seen, joint) == pytest.approx([JOG_DEG / 2, -JOG_DEG / 2], abs=1)
    assert by_count(seen, joint) == pytest.approx([JOG_DEG / 2, -JOG_DEG / 2], abs=0.05)


def eye_half(seen: Seen, sound: Seen, joint: int) -> None:
    assert by_eye(seen, joint) == pytest.approx([JOG_DEG / 2, -JOG_DEG / 2], abs=1)


def missing(seen: Seen, joint: int) -> list[float]:
    """Counts that the jogs made too few (or too many)."""
    wanted = (JOG_DEG * per_deg(joint), -JOG_DEG * per_deg(joint))
    return [jog.counts[joint] - want for jog, want in zip(seen.jogs, wanted, strict=True)]


def jog_short_by_four_full_steps(seen: Seen, sound: Seen, joint: int) -> None:
    """Give or take the load angle on either side of friction."""
    lost = missing(seen, joint)
    assert max(map(abs, lost)) > FULL_STEPS_4 / 2
    for counts in lost:
        assert abs(math.remainder(counts, FULL_STEPS_4)) < FULL_STEPS_4 / 4


def falls_short(seen: Seen, sound: Seen, joint: int) -> None:
    """By eye, or where the level tells, by level: in one of the jogs at least."""
    assert any(
        abs(jog.eye_deg[joint]) < abs(right.eye_deg[joint]) - 0.5
        or (by_level is not None and abs(by_level) < abs(right_level or 0.0) - 0.25)
        for jog, right, by_level, right_level in zip(
            seen.jogs, sound.jogs, seen.jogs_by_gauge_deg, sound.jogs_by_gauge_deg, strict=True
        )
    )


def jog_count_right_joint_short(seen: Seen, sound: Seen, joint: int) -> None:
    assert by_count(seen, joint) == pytest.approx([JOG_DEG, -JOG_DEG], abs=0.1)
    falls_short(seen, sound, joint)


def joint_and_count_disagree(seen: Seen, sound: Seen, joint: int) -> None:
    levels = [
        jog.eye_deg[joint] if by_level is None else by_level
        for jog, by_level in zip(seen.jogs, seen.jogs_by_gauge_deg, strict=True)
    ]
    pairs = zip(levels, by_count(seen, joint), strict=True)
    assert any(abs(level - count) > 0.25 for level, count in pairs)


def jog_first_reversal_short(seen: Seen, sound: Seen, joint: int) -> None:
    jog_count_right_joint_short(seen, sound, joint)
    assert abs(by_eye(seen, joint)[1]) < abs(by_eye(seen, joint)[0])


# --- homing ---------------------------------------------------------------------------------


def homing_ok(seen: Seen, sound: Seen, joint: int) -> None:
    assert not seen.homing[0].already_on
    assert seen.homing[0].released
    assert seen.homing[0].slow.hit
    apart = seen.homing[0].slow.step - sound.homing[0].slow.step
    assert abs(apart / SCENE.joint[joint - 1].steps_per_deg) < 0.2


def stop_deg(joint: int, *, far: bool = False) -> float:
    """The hard stop behind the switch, or the far one."""
    one = SCENE.joint[joint - 1]
    return one.stops_deg[int((one.home.end == "positive") != far)]


def homing_time_out(seen: Seen, sound: Seen, joint: int) -> None:
    """No edge, and it is not at its switch either."""
    fast, moved = seen.homing[0].fast
    assert not fast[joint].hit
    assert abs(moved.at_deg[joint] - SCENE.joint[joint - 1].home.switch_deg) > 10


def homing_drives_deeper(seen: Seen, sound: Seen, joint: int) -> None:
    one = seen.homing[0]
    assert one.fast[0][joint].hit
    assert not one.released
    assert one.backed.eye_deg[joint] <= -3


def homing_far_stop(seen: Seen, sound: Seen, joint: int) -> None:
    fast, moved = seen.homing[0].fast
    assert not fast[joint].hit
    assert moved.at_deg[joint] == pytest.approx(stop_deg(joint, far=True), abs=1)


def homing_one_early_other_at_stop(seen: Seen, sound: Seen, joint: int) -> None:
    """The steps of the one drive the other onto its switch, which halts the other's axis and so
    leaves the one where it is; and on into its stop.
    """
    fast, moved = seen.homing[0].fast
    (driven,) = (number for number, latch in fast.items() if latch.hit)
    (early,) = fast.keys() - {driven}
    assert moved.at_deg[driven] == pytest.approx(stop_deg(driven), abs=1)
    assert abs(moved.at_deg[early] - SCENE.joint[early - 1].home.switch_deg) > 5


def homing_both_leave(seen: Seen, sound: Seen, joint: int) -> None:
    """Where the two have opposite senses: both go away from their switches."""
    fast, moved = seen.homing[0].fast
    for number, latch in fast.items():
        assert not latch.hit
        towards = 1 if SCENE.joint[number - 1].home.end == "positive" else -1
        assert moved.eye_deg[number] * towards < -10


def homing_runs_past(seen: Seen, sound: Seen, joint: int) -> None:
    fast, moved = seen.homing[0].fast
    assert not fast[joint].hit
    assert moved.at_deg[joint] == pytest.approx(stop_deg(joint), abs=1)


def homing_false_trip(seen: Seen, sound: Seen, joint: int) -> None:
    """On at the start, or an edge where the switch is not."""
    one = seen.homing[0]
    if not one.already_on:
        trip, right = one.fast[0][joint], sound.homing[0].fast[0][joint]
        assert trip.hit
        assert abs((trip.step - right.step) / SCENE.joint[joint - 1].steps_per_deg) > 0.2


def homing_already_on(seen: Seen, sound: Seen, joint: int) -> None:
    assert seen.homing[0].already_on


def homing_no_release(seen: Seen, sound: Seen, joint: int) -> None:
    assert seen.homing[0].released is False


def homing_released_by_chance(seen: Seen, sound: Seen, joint: int) -> None:
    assert not seen.homing[0].already_on
    assert seen.homing[0].released


def homing_backs_off_to_far_stop(seen: Seen, sound: Seen, joint: int) -> None:
    one = seen.homing[0]
    assert one.already_on
    assert not one.left[0].hit
    assert one.left[1].at_deg[joint] == pytest.approx(stop_deg(joint, far=True), abs=1)


def homing_two_deg_off(seen: Seen, sound: Seen, joint: int) -> None:
    one, right = seen.homing[0], sound.homing[0]
    apart = (one.slow.step - right.slow.step) / SCENE.joint[joint - 1].steps_per_deg
    assert apart == pytest.approx(2.0, abs=0.2)


def homing_late_or_time_out(seen: Seen, sound: Seen, joint: int) -> None:
    fast, right = seen.homing[0].fast[0][joint], sound.homing[0].fast[0][joint]
    assert not fast.hit or abs(fast.step) > abs(right.step) + 50


def homing_ok_at_half_speed(seen: Seen, sound: Seen, joint: int) -> None:
    """The same edge after twice the steps."""
    one, right = seen.homing[0].slow, sound.homing[0].slow
    assert one.count == pytest.approx(right.count, abs=40)
    assert one.step == pytest.approx(2 * right.step, abs=60)


def homing_ok_count_differs(seen: Seen, sound: Seen, joint: int) -> None:
    one, right = seen.homing[0], sound.homing[0]
    assert one.released
    assert one.slow.hit
    assert abs(one.slow.count - right.slow.count) > FULL_STEPS_4
    # The joint itself is at its switch, wherever the count is.
    assert one.gauge_deg[0] == pytest.approx(right.gauge_deg[0], abs=1.0)


def homing_ok_from_one_side(seen: Seen, sound: Seen, joint: int) -> None:
    assert all(one.slow.hit for one in seen.homing)
    steps = [one.slow.step for one in seen.homing]
    apart = (steps[1] - steps[0]) / SCENE.joint[joint - 1].steps_per_deg
    assert abs(apart) < 0.2


# --- repeat / level -------------------------------------------------------------------------


def not_reached(seen: Seen, sound: Seen, joint: int) -> None:
    assert not seen.homing[0].gauge_deg


def reached_by_chance(seen: Seen, sound: Seen, joint: int) -> None:
    assert seen.homing[0].gauge_deg


def gauges(seen: Seen) -> list[float]:
    return [value for one in seen.homing for value in one.gauge_deg]


def gauge_ok(seen: Seen, sound: Seen, joint: int) -> None:
    assert len(seen.homing) == 2
    assert gauges(seen) == pytest.approx(gauges(sound), abs=0.25)


def repeat_ok(seen: Seen, sound: Seen, joint: int) -> None:
    gauge_ok(seen, sound, joint)
    assert [one.counts for one in seen.homing] == [
        pytest.approx(one.counts, abs=40) for one in sound.homing
    ]


def repeat_count_useless(seen: Seen, sound: Seen, joint: int) -> None:
    gauge_ok(seen, sound, joint)
    assert max(abs(count) for one in seen.homing for count in one.counts) <= 10


def repeat_count_backwards(seen: Seen, sound: Seen, joint: int) -> None:
    gauge_ok(seen, sound, joint)
    assert seen.homing[0].counts == pytest.approx([-n for n in sound.homing[0].counts], abs=10)


def repeat_two_deg_off(seen: Seen, sound: Seen, joint: int) -> None:
    off = [mine - right for mine, right in zip(gauges(seen), gauges(sound), strict=True)]
    assert off == pytest.approx([2.0] * 4, abs=0.25)


def repeat_error_grows(seen: Seen, sound: Seen, joint: int) -> None:
    """Half of 10 and half of 30 degrees from home."""
    off = [mine - right for mine, right in zip(gauges(seen), gauges(sound), strict=True)]
    assert off == pytest.approx([5.0, 15.0] * 2, abs=0.3)


def repeat_count_scatters(seen: Seen, sound: Seen, joint: int) -> None:
    """Homed, the joint is right; then it drifts from its count until it is homed again, if it
    can be: what slips lifts the load no further than it slips.
    """
    assert gauges(seen)[0] == pytest.approx(gauges(sound)[0], abs=0.25)
    first, second = (one.fast[0][joint] for one in seen.homing)
    assert not second.hit or abs(second.count - first.count) > FULL_STEPS_4


def repeat_ok_by_gauge(seen: Seen, sound: Seen, joint: int) -> None:
    """Always from the same side: the same, if by half the play off."""
    assert len(seen.homing) == 2
    assert gauges(seen)[:2] == pytest.approx(gauges(seen)[2:], abs=0.15)
