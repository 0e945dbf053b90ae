"""The trade's table of symptoms: twenty-five faults, put into the Heron, column by column.

Common practice, no published source. Each row names the fault, what it shows by hand, in short
jogs, in a plain two-stage homing and when that is repeated, what a meter tells, and what it is
mistaken for. Everything is done and read through the card's and the hands' ports.

Rows are put on J3, whose switch is at its negative end, and which gravity loads; on J1, about the
vertical, where a row speaks of a joint without a load. Where physics says otherwise than the trade
does, the row carries a `note` with the circuit and the figures.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from dryrig.scenes import load_scene, scene_path
from dryrig.sim.harness import Harness
from dryrig.sim.individual import draw_individual

SCENE = load_scene("heron")
SOUND = "sound"
JOG_DEG, TURN_DEG = 6.0, 10.0
FULL_STEPS_4 = 80  # counts: four full steps of 200 a turn, 4000 counts a turn
NEAR_0_V, LIT_V = 0.1, 4.0
Check = Callable[[Any, Any, int], None]
"""What a column says of (this arm, a sound one, the joint)."""


def per_deg(joint: int) -> float:
    one = SCENE.joint[joint - 1]
    return one.encoder.counts * one.ratio / 360


# --- encoder by hand ------------------------------------------------------------------------


def hand_counts(seen: Any, joint: int) -> list[int]:
    return [counts[joint] for _, counts in seen.turned]


def hand_ok(seen: Any, sound: Any, joint: int) -> None:
    assert hand_counts(seen, joint) == pytest.approx(hand_counts(sound, joint), abs=2)


def hand_stuck(seen: Any, sound: Any, joint: int) -> None:
    """One channel alone goes there and back; hum on the other may add a count or two."""
    assert max(map(abs, hand_counts(seen, joint))) <= 3


def hand_backwards(seen: Any, sound: Any, joint: int) -> None:
    assert hand_counts(seen, joint) == pytest.approx([-n for n in hand_counts(sound, joint)], abs=2)


def hand_frozen(seen: Any, sound: Any, joint: int) -> None:
    assert hand_counts(seen, joint) == [0, 0]


def hand_other(seen: Any, sound: Any, joint: int) -> None:
    assert hand_counts(seen, joint) == [0, 0]
    assert hand_counts(seen, 2) == pytest.approx(hand_counts(sound, joint), abs=2)


def hand_dead_band(seen: Any, sound: Any, joint: int) -> None:
    """The joint turns by the play before the shaft, and with it the count, follows."""
    up, down = (abs(n) / per_deg(joint) for n in hand_counts(seen, joint))
    assert up == pytest.approx(TURN_DEG - 0.5, abs=0.05)  # from the middle of the play
    assert down == pytest.approx(TURN_DEG - 1.0, abs=0.05)


# --- switch by hand -------------------------------------------------------------------------


def levels(seen: Any) -> tuple[int, int, int]:
    return seen.levels["rest"], seen.levels["pressed"], seen.levels["released"]


def switch_ok(seen: Any, sound: Any, joint: int) -> None:
    assert levels(seen) == (0, 1, 0)


def switch_dead(seen: Any, sound: Any, joint: int) -> None:
    """None, held or random: what it does has nothing to do with the finger."""
    assert levels(seen) != (0, 1, 0)


def switch_lingers(seen: Any, sound: Any, joint: int) -> None:
    assert levels(seen)[1:] == (1, 1)


def switch_let_go_by_chance(seen: Any, sound: Any, joint: int) -> None:
    assert levels(seen)[1:] == (1, 0)


def switch_stays_low(seen: Any, sound: Any, joint: int) -> None:
    assert levels(seen) == (0, 0, 0)


def switch_flickers(seen: Any, sound: Any, joint: int) -> None:
    """It floats up while the finger is on the lever."""
    assert levels(seen) == (0, 1, 0)


def switch_inverted(seen: Any, sound: Any, joint: int) -> None:
    assert levels(seen) == (1, 0, 1)


def switch_shorts(seen: Any, sound: Any, joint: int) -> None:
    assert seen.rail_3v3_v["rest"] > 3.2
    assert seen.rail_3v3_v["pressed"] < 1.0


def switch_shorts_at_rest(seen: Any, sound: Any, joint: int) -> None:
    assert seen.rail_3v3_v["rest"] < 1.0
    assert seen.rail_3v3_v["pressed"] > 3.2


# --- jogs -----------------------------------------------------------------------------------


def by_eye(seen: Any, joint: int) -> list[float]:
    return [jog.eye_deg[joint] for jog in seen.jogs]


def by_count(seen: Any, joint: int) -> list[float]:
    return [jog.counts[joint] / per_deg(joint) for jog in seen.jogs]


def jog_ok(seen: Any, sound: Any, joint: int) -> None:
    assert by_eye(seen, joint) == pytest.approx([JOG_DEG, -JOG_DEG], abs=1)
    assert by_count(seen, joint) == pytest.approx([JOG_DEG, -JOG_DEG], abs=0.05)


def jog_both_negative(seen: Any, sound: Any, joint: int) -> None:
    assert by_eye(seen, joint) == pytest.approx([-JOG_DEG, -JOG_DEG], abs=1)
    assert by_count(seen, joint) == pytest.approx([-JOG_DEG, -JOG_DEG], abs=0.05)


def jog_both_positive(seen: Any, sound: Any, joint: int) -> None:
    assert by_eye(seen, joint) == pytest.approx([JOG_DEG, JOG_DEG], abs=1)
    assert by_count(seen, joint) == pytest.approx([JOG_DEG, JOG_DEG], abs=0.05)


def no_travel(seen: Any, sound: Any, joint: int) -> None:
    assert by_eye(seen, joint) == [0, 0]


def jog_stiff_none(seen: Any, sound: Any, joint: int) -> None:
    assert by_eye(seen, joint) == [0, 0]
    assert max(abs(jog.counts[joint]) for jog in seen.jogs) <= 2
    assert seen.feel == "STIFF"
    assert abs(seen.drops_deg) <= 1


def jog_limp_none(seen: Any, sound: Any, joint: int) -> None:
    """And without the stand it drops."""
    assert by_eye(seen, joint) == [0, 0]
    assert max(abs(jog.counts[joint]) for jog in seen.jogs) <= 2
    assert seen.feel == "FREE"
    assert abs(seen.drops_deg) > 5


def jog_rocks(seen: Any, sound: Any, joint: int) -> None:
    """Some full steps to and fro or a creep, and no sense in its sense: far from what was asked."""
    assert max(map(abs, by_count(seen, joint))) < JOG_DEG / 4
    assert max(map(abs, by_eye(seen, joint))) <= 1


def count_opposite(seen: Any, sound: Any, joint: int) -> None:
    assert by_count(seen, joint) == pytest.approx([-JOG_DEG, JOG_DEG], abs=0.05)


def jog_reversed(seen: Any, sound: Any, joint: int) -> None:
    assert by_eye(seen, joint) == pytest.approx([-JOG_DEG, JOG_DEG], abs=1)
    count_opposite(seen, sound, joint)


def jog_eye_right_count_still(seen: Any, sound: Any, joint: int) -> None:
    assert by_eye(seen, joint) == pytest.approx([JOG_DEG, -JOG_DEG], abs=1)
    assert max(abs(jog.counts[joint]) for jog in seen.jogs) <= 3


def jog_eye_right_count_opposite(seen: Any, sound: Any, joint: int) -> None:
    assert by_eye(seen, joint) == pytest.approx([JOG_DEG, -JOG_DEG], abs=1)
    count_opposite(seen, sound, joint)


def other_count(seen: Any, sound: Any, joint: int) -> None:
    """J3 is told, J2's count moves."""
    assert min(abs(jog.counts[2]) for jog in seen.jogs) > 1000
    assert max(abs(jog.counts[3]) for jog in seen.jogs) <= 3


def jog_right_joint_other_count(seen: Any, sound: Any, joint: int) -> None:
    other_count(seen, sound, joint)
    assert by_eye(seen, 3) == pytest.approx([JOG_DEG, -JOG_DEG], abs=1)
    assert by_eye(seen, 2) == [0, 0]


def jog_other_joint_and_count(seen: Any, sound: Any, joint: int) -> None:
    """J2 turns by J3's steps over its own ratio and sense: 6 x 30/25 = 7.2 degrees."""
    other_count(seen, sound, joint)
    assert by_eye(seen, 3) == [0, 0]
    assert by_eye(seen, 2) == pytest.approx([-7.2, 7.2], abs=1)


def jog_half(seen: Any, sound: Any, joint: int) -> None:
    assert by_eye(seen, joint) == pytest.approx([JOG_DEG / 2, -JOG_DEG / 2], abs=1)
    assert by_count(seen, joint) == pytest.approx([JOG_DEG / 2, -JOG_DEG / 2], abs=0.05)


def eye_half(seen: Any, sound: Any, joint: int) -> None:
    assert by_eye(seen, joint) == pytest.approx([JOG_DEG / 2, -JOG_DEG / 2], abs=1)


def missing(seen: Any, joint: int) -> list[float]:
    """Counts that the jogs made too few (or too many)."""
    wanted = (JOG_DEG * per_deg(joint), -JOG_DEG * per_deg(joint))
    return [jog.counts[joint] - want for jog, want in zip(seen.jogs, wanted, strict=True)]


def jog_short_by_four_full_steps(seen: Any, sound: Any, joint: int) -> None:
    """Give or take the load angle on either side of friction."""
    lost = missing(seen, joint)
    assert max(map(abs, lost)) > FULL_STEPS_4 / 2
    for counts in lost:
        assert abs(math.remainder(counts, FULL_STEPS_4)) < FULL_STEPS_4 / 4


def eye_short(seen: Any, sound: Any, joint: int) -> None:
    assert any(
        abs(eye) < abs(right) - 0.5
        for eye, right in zip(by_eye(seen, joint), by_eye(sound, joint), strict=True)
    )


def jog_count_right_joint_short(seen: Any, sound: Any, joint: int) -> None:
    assert by_count(seen, joint) == pytest.approx([JOG_DEG, -JOG_DEG], abs=0.1)
    eye_short(seen, sound, joint)


def eye_and_count_disagree(seen: Any, sound: Any, joint: int) -> None:
    pairs = zip(by_eye(seen, joint), by_count(seen, joint), strict=True)
    assert any(abs(eye - count) > 1 for eye, count in pairs)


def jog_first_reversal_short(seen: Any, sound: Any, joint: int) -> None:
    jog_count_right_joint_short(seen, sound, joint)
    assert abs(by_eye(seen, joint)[1]) < abs(by_eye(seen, joint)[0])


# --- homing ---------------------------------------------------------------------------------


def homing_ok(seen: Any, sound: Any, joint: int) -> None:
    assert not seen.homing[0].already_on
    assert seen.homing[0].released
    assert seen.homing[0].slow.hit
    apart = seen.homing[0].slow.step - sound.homing[0].slow.step
    assert abs(apart / SCENE.joint[joint - 1].steps_per_deg) < 0.2


def homing_time_out(seen: Any, sound: Any, joint: int) -> None:
    """No edge, and it is not at its switch either."""
    fast, moved = seen.homing[0].fast
    assert not fast[joint].hit
    assert moved.at_deg[joint] > SCENE.joint[joint - 1].home.switch_deg + 10


def homing_drives_deeper(seen: Any, sound: Any, joint: int) -> None:
    one = seen.homing[0]
    assert one.fast[0][joint].hit
    assert not one.released
    assert one.backed.eye_deg[joint] <= -3


def homing_far_stop(seen: Any, sound: Any, joint: int) -> None:
    fast, moved = seen.homing[0].fast
    assert not fast[joint].hit
    assert moved.at_deg[joint] == pytest.approx(SCENE.joint[joint - 1].stops_deg[1], abs=1)


def homing_one_early_other_at_stop(seen: Any, sound: Any, joint: int) -> None:
    """J2's steps drive J3 on its switch and into its stop; J3's own axis halts at that edge."""
    fast, moved = seen.homing[0].fast
    assert fast[3].hit
    assert not fast[2].hit
    assert moved.at_deg[3] == pytest.approx(SCENE.joint[2].stops_deg[0], abs=1)
    assert moved.at_deg[2] < SCENE.joint[1].home.switch_deg - 10


def homing_runs_past(seen: Any, sound: Any, joint: int) -> None:
    fast, moved = seen.homing[0].fast
    assert not fast[joint].hit
    assert moved.at_deg[joint] == pytest.approx(SCENE.joint[joint - 1].stops_deg[0], abs=1)


def homing_false_trip(seen: Any, sound: Any, joint: int) -> None:
    """On at the start, or an edge where the switch is not."""
    one = seen.homing[0]
    if not one.already_on:
        trip, right = one.fast[0][joint], sound.homing[0].fast[0][joint]
        assert trip.hit
        assert abs((trip.step - right.step) / SCENE.joint[joint - 1].steps_per_deg) > 0.2


def homing_already_on(seen: Any, sound: Any, joint: int) -> None:
    assert seen.homing[0].already_on


def homing_no_release(seen: Any, sound: Any, joint: int) -> None:
    assert seen.homing[0].released is False


def homing_released_by_chance(seen: Any, sound: Any, joint: int) -> None:
    assert not seen.homing[0].already_on
    assert seen.homing[0].released


def homing_backs_off_to_far_stop(seen: Any, sound: Any, joint: int) -> None:
    one = seen.homing[0]
    assert one.already_on
    assert not one.left[0].hit
    assert one.left[1].at_deg[joint] == pytest.approx(SCENE.joint[joint - 1].stops_deg[1], abs=1)


def homing_two_deg_off(seen: Any, sound: Any, joint: int) -> None:
    one, right = seen.homing[0], sound.homing[0]
    apart = (one.slow.step - right.slow.step) / SCENE.joint[joint - 1].steps_per_deg
    assert apart == pytest.approx(2.0, abs=0.2)


def homing_late_or_time_out(seen: Any, sound: Any, joint: int) -> None:
    fast, right = seen.homing[0].fast[0][joint], sound.homing[0].fast[0][joint]
    assert not fast.hit or abs(fast.step) > abs(right.step) + 50


def homing_ok_at_half_speed(seen: Any, sound: Any, joint: int) -> None:
    """The same edge after twice the steps."""
    one, right = seen.homing[0].slow, sound.homing[0].slow
    assert one.count == pytest.approx(right.count, abs=40)
    assert one.step == pytest.approx(2 * right.step, abs=60)


def homing_ok_count_differs(seen: Any, sound: Any, joint: int) -> None:
    one, right = seen.homing[0], sound.homing[0]
    assert one.released
    assert one.slow.hit
    assert abs(one.slow.count - right.slow.count) > FULL_STEPS_4
    # The joint itself is at its switch, wherever the count is.
    assert one.gauge_deg[0] == pytest.approx(right.gauge_deg[0], abs=1.0)


def homing_ok_from_one_side(seen: Any, sound: Any, joint: int) -> None:
    assert all(one.slow.hit for one in seen.homing)
    steps = [one.slow.step for one in seen.homing]
    apart = (steps[1] - steps[0]) / SCENE.joint[joint - 1].steps_per_deg
    assert abs(apart) < 0.2


# --- repeat / level -------------------------------------------------------------------------


def not_reached(seen: Any, sound: Any, joint: int) -> None:
    assert not seen.homing[0].gauge_deg


def reached_by_chance(seen: Any, sound: Any, joint: int) -> None:
    assert seen.homing[0].gauge_deg


def gauges(seen: Any) -> list[float]:
    return [value for one in seen.homing for value in one.gauge_deg]


def gauge_ok(seen: Any, sound: Any, joint: int) -> None:
    assert len(seen.homing) == 2
    assert gauges(seen) == pytest.approx(gauges(sound), abs=0.25)


def repeat_ok(seen: Any, sound: Any, joint: int) -> None:
    gauge_ok(seen, sound, joint)
    assert [one.counts for one in seen.homing] == [
        pytest.approx(one.counts, abs=40) for one in sound.homing
    ]


def repeat_count_useless(seen: Any, sound: Any, joint: int) -> None:
    gauge_ok(seen, sound, joint)
    assert max(abs(count) for one in seen.homing for count in one.counts) <= 10


def repeat_count_backwards(seen: Any, sound: Any, joint: int) -> None:
    gauge_ok(seen, sound, joint)
    assert seen.homing[0].counts == pytest.approx([-n for n in sound.homing[0].counts], abs=10)


def repeat_two_deg_off(seen: Any, sound: Any, joint: int) -> None:
    off = [mine - right for mine, right in zip(gauges(seen), gauges(sound), strict=True)]
    assert off == pytest.approx([2.0] * 4, abs=0.25)


def repeat_error_grows(seen: Any, sound: Any, joint: int) -> None:
    """Half of 10 and half of 30 degrees from home."""
    off = [mine - right for mine, right in zip(gauges(seen), gauges(sound), strict=True)]
    assert off == pytest.approx([-5.0, -15.0] * 2, abs=0.3)


def repeat_count_scatters(seen: Any, sound: Any, joint: int) -> None:
    """And the joint drifts away from its count as it goes."""
    one, right = seen.homing[0], sound.homing[0]
    assert one.counts == pytest.approx(right.counts, abs=40)
    drifts = [mine - its for mine, its in zip(one.gauge_deg, right.gauge_deg, strict=True)]
    assert abs(drifts[1]) > 1.0
    assert abs(drifts[1]) > abs(drifts[0])
    if len(seen.homing) > 1 and seen.homing[1].fast[0][joint].hit:
        again = seen.homing[1].fast[0][joint].count
        assert abs(again - one.fast[0][joint].count) > FULL_STEPS_4


def repeat_ok_by_gauge(seen: Any, sound: Any, joint: int) -> None:
    """Always from the same side: the same, if by half the play off."""
    assert len(seen.homing) == 2
    assert gauges(seen)[:2] == pytest.approx(gauges(seen)[2:], abs=0.15)


# --- meter ----------------------------------------------------------------------------------


def signs(bench: Any, joint: int, *pairs: tuple[str, str]) -> list[list[float]]:
    """Volts across pairs after a nudge of either sign of the card's steps."""
    found = []
    for deg in (0.5, -0.5):
        bench.move({joint: deg * SCENE.joint[joint - 1].direction})
        found.append([bench.volts(*pair) for pair in pairs])
    return found


def train(bench: Any, joint: int, *pairs: tuple[str, str]) -> list[float]:
    """Volts across pairs while some 2000 steps a second go out: a mean of 5 us pulses."""
    found = []
    for number, pair in enumerate(pairs):
        one = SCENE.joint[joint - 1]
        sign = -1 if number % 2 else 1
        bench.start({joint: 8.0 * sign}, 2000 / abs(one.steps_per_deg))
        bench.wait(0.2)
        found.append(bench.volts(*pair))
        bench.card("*OPC?")
    return found


PULSES_V = 2000 * 5e-6 * 5  # by hand: 0.05 V


def meter_normal(bench: Any, joint: int) -> None:
    """Volts at the drive, the encoder and the switch, and ohms of the coils: nothing to see."""
    name = f"J{joint}"
    bench.motors(joint)
    zero = f"{name}.OPTO0V"
    pos, neg = signs(bench, joint, (f"{name}.DIR", zero), (f"{name}.ENA", zero))
    assert pos == [pytest.approx(4.75, abs=0.3), pytest.approx(4.75, abs=0.3)]
    assert neg == [pytest.approx(0, abs=0.02), pytest.approx(4.75, abs=0.3)]
    assert bench.volts(f"{name}.DRIVE.24V", f"{name}.DRIVE.0V") == pytest.approx(24, abs=0.6)
    assert bench.volts(f"{name}.ENC.5V", f"{name}.ENC.0V") == pytest.approx(5, abs=0.25)
    for channel in "AB":
        for end in (f"CARD.{name}.ENC.{channel}", f"{name}.ENC.{channel}"):
            volts = bench.volts(end)
            assert volts < 0.1 or volts > 4.7
    switch_volts(bench, joint, solid=True)
    coil_ohm = SCENE.joint[joint - 1].motor.coil_ohm
    for coil in coils(bench, joint):
        assert coil == pytest.approx(coil_ohm, abs=1.0)


def coils(bench: Any, joint: int) -> tuple[float, float]:
    """Ohms of the two pairs at the drive's end, power off."""
    bench.hands("SUPP:MAIN OFF")
    name = f"CARD.J{joint}.MOTOR"
    return bench.ohms(f"{name}.A+", f"{name}.A-"), bench.ohms(f"{name}.B+", f"{name}.B-")


def switch_volts(bench: Any, joint: int, *, solid: bool) -> tuple[float, float]:
    """The common at the card, at rest and pressed."""
    common = f"CARD.J{joint}.SW.COM"
    rest = bench.volts(common)
    bench.hands(f"PRES (@{joint})")
    bench.wait(0.05)
    pressed = bench.volts(common)
    bench.hands(f"REL (@{joint})")
    if solid:
        assert rest == pytest.approx(0, abs=0.01)
        assert pressed == pytest.approx(3.3, abs=0.06)
    return rest, pressed


def meter_cp1(bench: Any, joint: int) -> None:
    """DIR pair 0 V both signs; card end changes."""
    bench.motors(joint)
    pos, neg = signs(bench, joint, ("J3.DIR", "J3.OPTO0V"), ("CARD.J3.DIR", "RAIL.0V"))
    assert [pos[0], neg[0]] == pytest.approx([0, 0], abs=0.01)
    assert pos[1] > LIT_V
    assert neg[1] < NEAR_0_V


def meter_cp2(bench: Any, joint: int) -> None:
    """STEP pair steady, follows sign; DIR pair pulse average."""
    bench.motors(joint)
    pos, neg = signs(bench, joint, ("J3.STEP", "J3.OPTO0V"))
    assert pos[0] > LIT_V
    assert neg[0] == pytest.approx(0, abs=0.01)
    (mean,) = train(bench, joint, ("J3.DIR", "J3.OPTO0V"))
    # STEP, steady and lit, raises the common 0 V of the three inputs by some 6 mV.
    assert mean == pytest.approx(PULSES_V - 0.006, abs=0.006)


def meter_cp3(bench: Any, joint: int) -> None:
    """STEP pair 0; at the card pulses."""
    bench.motors(joint)
    part, card = train(bench, joint, ("J3.STEP", "J3.OPTO0V"), ("CARD.J3.STEP", "RAIL.0V"))
    assert part == pytest.approx(0, abs=0.004)
    assert card == pytest.approx(PULSES_V, rel=0.15)


def meter_cp4(bench: Any, joint: int) -> None:
    """ENABLE pair 0; 24 V ok."""
    bench.motors(joint)
    assert bench.volts("J3.ENA", "J3.OPTO0V") == pytest.approx(0, abs=0.01)
    assert bench.volts("J3.DRIVE.24V", "J3.DRIVE.0V") == pytest.approx(24, abs=0.6)


def meter_cp5(bench: Any, joint: int) -> None:
    """Drive supply 0, rail 24."""
    bench.motors(joint)
    assert bench.volts("J3.DRIVE.24V", "J3.DRIVE.0V") == pytest.approx(0, abs=0.01)
    assert bench.volts("RAIL.24V") == pytest.approx(24, abs=0.6)


def meter_cp6(bench: Any, joint: int) -> None:
    """Off: one pair open."""
    one, other = coils(bench, joint)
    assert one > 1e30
    assert other == pytest.approx(SCENE.joint[joint - 1].motor.coil_ohm, abs=1.0)


def meter_cp8(bench: Any, joint: int) -> None:
    """Off: each drive pair open, cross-pair reads coil."""
    assert min(coils(bench, joint)) > 1e30
    coil_ohm = pytest.approx(SCENE.joint[joint - 1].motor.coil_ohm, abs=1.0)
    name = f"CARD.J{joint}.MOTOR"
    assert bench.ohms(f"{name}.A+", f"{name}.B-") == coil_ohm
    assert bench.ohms(f"{name}.B+", f"{name}.A-") == coil_ohm


def meter_cp9(bench: Any, joint: int) -> None:
    """A at card near 0, drifting; at encoder 0/5."""
    bench.hands("SUPP:MOT OFF")
    at_card, at_part = [], []
    for _ in range(8):
        at_card.append(bench.volts("CARD.J3.ENC.A"))
        at_part.append(bench.volts("J3.ENC.A"))
        bench.turn(joint, 0.37)
        bench.wait(0.5)
    assert max(map(abs, at_card)) < NEAR_0_V
    assert len(set(at_card)) > 1
    assert not bench.held("CARD.J3.ENC.A", "RAIL.5V")
    assert min(at_part) < 0.1
    assert max(at_part) > 4.7


def meter_cp11(bench: Any, joint: int) -> None:
    """At encoder below 0.5 V (back-fed more); card 5 V."""
    assert bench.volts("J3.ENC.5V", "J3.ENC.0V") < 0.5
    assert bench.volts("RAIL.5V") == pytest.approx(5, abs=0.25)


def meter_cp12(bench: Any, joint: int) -> None:
    """Encoder 5 V to its 0 V: 0-2; its 0 V to card 0 V: 3-5.

    The 5 V of this rail are 5.05 V and 1 %.
    """
    assert 0 <= bench.volts("J3.ENC.5V", "J3.ENC.0V") + 0.002 <= 2
    assert 3 <= bench.volts("J3.ENC.0V") <= 5.11
    assert min(bench.volts(f"CARD.J3.ENC.{channel}") for channel in "AB") > 2.0  # frozen high


def meter_cp15(bench: Any, joint: int) -> None:
    """Card: near 0 drifting both positions; COM lug 0/3.3."""
    rest, pressed = switch_volts(bench, joint, solid=False)
    assert max(abs(rest), abs(pressed)) < NEAR_0_V
    assert not bench.held("CARD.J3.SW.COM", "RAIL.3V3")
    bench.wait(0.05)
    assert bench.volts("J3.SW.COM") == pytest.approx(0, abs=0.01)
    bench.hands("PRES (@3)")
    bench.wait(0.05)
    assert bench.volts("J3.SW.COM") == pytest.approx(3.3, abs=0.06)


def meter_cp16(bench: Any, joint: int) -> None:
    """Rest near 0 drifting, fails 10 kohm test; pressed 3.3."""
    rest, pressed = switch_volts(bench, joint, solid=False)
    bench.wait(0.05)
    assert abs(rest) < NEAR_0_V
    assert not bench.held("CARD.J3.SW.COM", "RAIL.3V3")
    assert pressed == pytest.approx(3.3, abs=0.06)


def meter_cp17(bench: Any, joint: int) -> None:
    """Rest solid 0; pressed drifting."""
    rest, pressed = switch_volts(bench, joint, solid=False)
    bench.wait(0.05)
    assert rest == pytest.approx(0, abs=0.005)
    assert bench.held("CARD.J3.SW.COM", "RAIL.3V3")
    assert abs(pressed) < NEAR_0_V
    bench.hands("PRES (@3)")
    bench.wait(0.05)
    assert not bench.held("CARD.J3.SW.COM", "RAIL.3V3")


def meter_cp18(bench: Any, joint: int) -> None:
    """Rest 3.3, pressed 0."""
    rest, pressed = switch_volts(bench, joint, solid=False)
    assert rest == pytest.approx(3.3, abs=0.06)
    assert pressed == pytest.approx(0, abs=0.01)


def meter_cp19(bench: Any, joint: int) -> None:
    """Rest 0; pressed rail collapses."""
    assert bench.volts("CARD.J3.SW.COM") == pytest.approx(0, abs=0.01)
    bench.hands("PRES (@3)")
    bench.wait(0.05)
    assert bench.volts("RAIL.3V3") < 1.0


def meter_cp19_at_rest(bench: Any, joint: int) -> None:
    assert bench.volts("RAIL.3V3") < 1.0
    bench.hands("PRES (@3)")
    bench.wait(0.05)
    assert bench.volts("RAIL.3V3") == pytest.approx(3.3, abs=0.06)


def meter_cp20(bench: Any, joint: int) -> None:
    """Volts normal; off, plug out: 4.7 kohm."""
    switch_volts(bench, joint, solid=True)
    bench.hands("SUPP:MAIN OFF")
    bench.hands('PLUG OUT,"J3.SW"')
    assert bench.ohms("CARD.J3.SW.COM", "PLUG.J3.SW.COM") == pytest.approx(4700, rel=0.02)


def meter_cp22(bench: Any, joint: int) -> None:
    """Volts normal, supply amps low: by the drop along the drive's 0 V conductor."""
    meter_normal(bench, joint)
    bench.hands("SUPP:MAIN ON")
    bench.motors(joint)
    drop_v = bench.volts(f"J{joint}.DRIVE.0V")
    one = SCENE.joint[joint - 1]
    wire_ohm = SCENE.harness.wires["DRIVE.0V"].ohm_per_m * one.cable_m + 2 * SCENE.harness.crimp_ohm
    assert drop_v / wire_ohm < 0.3 * SCENE.drive.load_a


# --- the table ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Row:
    """One fault and what its columns say; several things, where chance decides among them.

    `mistaken`: what shares which symptoms with it. `how`: what the person does otherwise.
    """

    key: str
    fault: str
    hand: Check
    switch: Check | tuple[Check, ...]
    jog: Check
    homing: Check | tuple[Check, ...]
    repeat: Check | tuple[Check, ...]
    meter: Callable[[Any, int], None]
    mistaken: dict[str, tuple[Check, ...]] = field(default_factory=dict)
    joints: tuple[int, ...] = (3,)
    how: dict[str, Any] = field(default_factory=dict)
    seeds: tuple[int, ...] = (3,)
    note: str = ""


FAR = {"pose_deg": ((3, -15.0),)}
"""Near enough to the far stop to reach it within the bounds of a search."""
BOTH = {"pose_deg": ((2, 100.0),)}
DEAD: tuple[Check, ...] = (hand_ok, switch_ok, no_travel, homing_time_out, not_reached)
CP6_NOTE = (
    "One coil makes a torque Th cos(phase) sin(rotor) that changes sign every half electrical "
    "turn: nothing tells the rotor which way. Rested, it stays; with the speed it has it may go on "
    "by some full steps more than two; and twice a turn it has no torque at all, so a joint that "
    "gravity loads (J3) falls."
)
CP8_NOTE = (
    "With A+ and B+ exchanged each coil lies between legs of two bridges and gets (iA + iB)/2: a "
    "field that stands at 45 degrees and pulsates, |cos + sin|/sqrt 2 of the set current, zero "
    "twice a turn. J1 stays where it is in a slow jog; a joint that gravity loads (J3) falls. "
    "It is also two fields of half the torque that turn against each other: near its own "
    "frequency a rotor may run with either."
)
FLOAT_NOTE = (
    "An input that nothing holds has 500 Mohm of leak, up to 2 nA of bias and 5 nA of wander: 0 to "
    "1 V and 2.5 V either way, so it takes either level, for seconds. A meter of 10 Mohm leaves "
    "0.07 V of that: near 0, drifting. What homing makes of it is a matter of chance."
)
CHANCE = tuple(range(7))
ROWS = (
    Row(SOUND, "", hand_ok, switch_ok, jog_ok, homing_ok, repeat_ok, meter_normal),
    Row(
        "CP1",
        "open@J3.DIR",
        hand_ok,
        switch_ok,
        jog_both_negative,
        homing_drives_deeper,
        not_reached,
        meter_cp1,
    ),
    Row(
        "CP2",
        "swap@J3.DIR/J3.STEP",
        hand_ok,
        switch_ok,
        jog_stiff_none,
        homing_time_out,
        not_reached,
        meter_cp2,
        {"CP3": DEAD},
    ),
    Row(
        "CP3",
        "open@J3.STEP",
        hand_ok,
        switch_ok,
        jog_stiff_none,
        homing_time_out,
        not_reached,
        meter_cp3,
        {"CP4": DEAD, "CP5": DEAD},
    ),
    Row(
        "CP4",
        "open@J3.ENA",
        hand_ok,
        switch_ok,
        jog_limp_none,
        homing_time_out,
        not_reached,
        meter_cp4,
        {"CP5": (*DEAD, jog_limp_none)},
    ),
    Row(
        "CP5",
        "open@J3.DRIVE.24V",
        hand_ok,
        switch_ok,
        jog_limp_none,
        homing_time_out,
        not_reached,
        meter_cp5,
        {"CP4": (*DEAD, jog_limp_none)},
    ),
    Row(
        "CP6",
        "open@J1.MOTOR.A+",
        hand_ok,
        switch_ok,
        jog_rocks,
        homing_time_out,
        not_reached,
        meter_cp6,
        {"CP22": (hand_ok, switch_ok, eye_short, homing_late_or_time_out)},
        (1,),
        note=CP6_NOTE,
    ),
    Row(
        "CP7",
        "swap@J3.MOTOR.A+/J3.MOTOR.A-",
        hand_ok,
        switch_ok,
        jog_reversed,
        homing_far_stop,
        not_reached,
        meter_normal,
        {"CP10": (switch_ok, count_opposite)},
        how=FAR,
    ),
    Row(
        "CP8",
        "swap@J1.MOTOR.A+/J1.MOTOR.B+",
        hand_ok,
        switch_ok,
        jog_rocks,
        homing_time_out,
        not_reached,
        meter_cp8,
        {"CP6": (hand_ok, switch_ok, jog_rocks, homing_time_out)},
        (1,),
        note=CP8_NOTE,
    ),
    Row(
        "CP9",
        "open@J3.ENC.A",
        hand_stuck,
        switch_ok,
        jog_eye_right_count_still,
        homing_ok,
        repeat_count_useless,
        meter_cp9,
        {"CP24": (switch_ok, eye_and_count_disagree)},
    ),
    Row(
        "CP10",
        "swap@J3.ENC.A/J3.ENC.B",
        hand_backwards,
        switch_ok,
        jog_eye_right_count_opposite,
        homing_ok,
        repeat_count_backwards,
        meter_normal,
        {"CP7": (switch_ok, count_opposite)},
    ),
    Row(
        "CP11",
        "open@J3.ENC.5V",
        hand_frozen,
        switch_ok,
        jog_eye_right_count_still,
        homing_ok,
        repeat_count_useless,
        meter_cp11,
        {"CP12": (hand_frozen, jog_eye_right_count_still)},
    ),
    Row(
        "CP12",
        "open@J3.ENC.0V",
        hand_frozen,
        switch_ok,
        jog_eye_right_count_still,
        homing_ok,
        repeat_count_useless,
        meter_cp12,
        {"CP11": (hand_frozen, jog_eye_right_count_still)},
    ),
    Row(
        "CP13",
        "cross@J2.ENC/J3.ENC",
        hand_other,
        switch_ok,
        jog_right_joint_other_count,
        homing_ok,
        gauge_ok,
        meter_normal,
        {"CP14": (switch_ok, other_count)},
    ),
    Row(
        "CP14",
        "cross@J2.MOTOR/J3.MOTOR",
        hand_ok,
        switch_ok,
        jog_other_joint_and_count,
        homing_one_early_other_at_stop,
        not_reached,
        meter_normal,
        {"CP13": (switch_ok, other_count)},
        (3, 2),
    ),
    Row(
        "CP15",
        "open@J3.SW.COM",
        hand_ok,
        switch_dead,
        jog_ok,
        (homing_runs_past, homing_false_trip),
        (not_reached, reached_by_chance),
        meter_cp15,
        seeds=CHANCE,
        note=FLOAT_NOTE,
    ),
    Row(
        "CP16",
        "open@J3.SW.NC",
        hand_ok,
        (switch_lingers, switch_let_go_by_chance),
        jog_ok,
        (homing_already_on, homing_no_release, homing_released_by_chance),
        (not_reached, reached_by_chance),
        meter_cp16,
        {"sticky@J3.SW": (hand_ok, jog_ok, homing_no_release)},
        seeds=(1, *CHANCE),
        note=FLOAT_NOTE,
    ),
    Row(
        "CP17",
        "open@J3.SW.NO",
        hand_ok,
        (switch_stays_low, switch_flickers),
        jog_ok,
        (homing_runs_past, homing_false_trip, homing_released_by_chance),
        (not_reached, reached_by_chance),
        meter_cp17,
        seeds=CHANCE,
        note=FLOAT_NOTE,
    ),
    Row(
        "CP18",
        "swap@J3.SW.NC/J3.SW.NO",
        hand_ok,
        switch_inverted,
        jog_ok,
        homing_backs_off_to_far_stop,
        not_reached,
        meter_cp18,
        how=FAR,
    ),
    Row(
        "CP19",
        "swap@J3.SW.COM/J3.SW.NC",
        hand_ok,
        switch_shorts,
        jog_ok,
        homing_runs_past,
        not_reached,
        meter_cp19,
    ),
    Row(
        "CP19 at rest",
        "swap@J3.SW.COM/J3.SW.NO",
        hand_ok,
        switch_shorts_at_rest,
        jog_ok,
        (homing_already_on, homing_no_release, homing_released_by_chance),
        (not_reached, reached_by_chance),
        meter_cp19_at_rest,
        seeds=CHANCE,
        note=FLOAT_NOTE,
    ),
    Row(
        "CP20",
        "resist@J3.SW.COM,ohm=4700",
        hand_ok,
        switch_ok,
        jog_ok,
        homing_ok,
        repeat_ok,
        meter_cp20,
        {SOUND: (hand_ok, switch_ok, jog_ok, homing_ok, repeat_ok)},
    ),
    Row(
        "CP21",
        "shift@J3.SW,deg=2",
        hand_ok,
        switch_ok,
        jog_ok,
        homing_two_deg_off,
        repeat_two_deg_off,
        meter_normal,
    ),
    Row(
        "CP22",
        "weak@J1.MOTOR,current=0.05",
        hand_ok,
        switch_ok,
        jog_short_by_four_full_steps,
        homing_late_or_time_out,
        not_reached,
        meter_cp22,
        {"CP24": (hand_ok, switch_ok, eye_short)},
        (1,),
        {"feel": False, "jog_deg_s": 20.0},
    ),
    Row(
        "CP23",
        "micro@J3.DRIVE,factor=2",
        hand_ok,
        switch_ok,
        jog_half,
        homing_ok_at_half_speed,
        repeat_error_grows,
        meter_normal,
        {"pulley@J3.GEAR,factor=2": (switch_ok, eye_half)},
    ),
    Row(
        "CP24",
        "slip@J3.COUPLING,n_m=0.13",
        hand_ok,
        switch_ok,
        jog_count_right_joint_short,
        homing_ok_count_differs,
        repeat_count_scatters,
        meter_normal,
        {"CP22": (hand_ok, switch_ok, eye_short)},
    ),
    Row(
        "CP25",
        "play@J1.GEAR,deg=1",
        hand_dead_band,
        switch_ok,
        jog_first_reversal_short,
        homing_ok_from_one_side,
        repeat_ok_by_gauge,
        meter_normal,
        {"CP22": (switch_ok, eye_short)},
        (1,),
    ),
)
BY_KEY = {row.key: row for row in ROWS}
COLUMNS = ("hand", "switch", "jog", "homing", "repeat")


def look(examine: Callable[..., Any], key: str, seed: int) -> tuple[Any, Any, int]:
    """An arm with the row's fault (or another one), a sound one, and the joint."""
    row = BY_KEY.get(key)
    fault = row.fault if row else key
    joints, how = (row.joints, row.how) if row else ((3,), {})
    sound = examine((), (joints[0],), seed=seed, **how)
    return examine((fault,) if fault else (), joints, seed=seed, **how), sound, joints[0]


def holds(check: Check, *what: Any) -> bool:
    try:
        check(*what)
    except AssertionError:
        return False
    return True


@pytest.mark.parametrize("column", COLUMNS)
@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.key)
def test_a_column(row: Row, column: str, examine: Callable[..., Any]) -> None:
    says = getattr(row, column)
    arms = [look(examine, row.key, seed) for seed in row.seeds]
    if callable(says):
        for arm in arms:
            says(*arm)
        return
    # Each arm does one of these things, and each is done by some arm.
    done = [{check.__name__ for check in says if holds(check, *arm)} for arm in arms]
    assert all(done), done
    assert set.union(*done) == {check.__name__ for check in says}


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.key)
def test_the_meter(row: Row, at_bench: Callable[..., Any]) -> None:
    with at_bench((row.fault,) if row.fault else (), 3, {}, "heron") as bench:
        row.meter(bench, row.joints[0])


PAIRS = [(row, other) for row in ROWS for other in row.mistaken]


@pytest.mark.parametrize(("row", "other"), PAIRS, ids=lambda it: getattr(it, "key", it))
def test_what_it_is_mistaken_for(row: Row, other: str, examine: Callable[..., Any]) -> None:
    """Both share the symptoms; another column or the meter tells them apart."""
    for key in (row.key, other):
        for check in row.mistaken[other]:
            check(*look(examine, key, row.seeds[0]))


# --- variants, and what the notes say -------------------------------------------------------


@pytest.fixture(scope="module")
def another(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, str], str]:
    """The Heron with one line of its scene changed; the path of the new scene."""

    def change(line: str, into: str) -> str:
        folder = tmp_path_factory.mktemp("scene")
        text = scene_path("heron").read_text()
        assert line in text
        (folder / "other.toml").write_text(text.replace(line, into))
        (folder / SCENE.urdf).write_text(SCENE.urdf_path.read_text())
        return str(folder / "other.toml")

    return change


def test_cp1_where_an_unlit_dir_means_positive(
    examine: Callable[..., Any], another: Callable[[str, str], str]
) -> None:
    """Never reaches the switch."""
    scene = another("direction_lit = 1 ", "direction_lit = -1 ")
    seen = examine(("open@J3.DIR",), scene=scene, pose_deg=((3, -60.0),))
    jog_both_positive(seen, None, 3)
    fast, moved = seen.homing[0].fast
    assert not fast[3].hit
    assert moved.eye_deg[3] > 60


def test_cp4_where_unlit_means_enabled(
    at_bench: Callable[..., Any], another: Callable[[str, str], str]
) -> None:
    """Stiff, cannot be released: as long as the motor supply is on. Off, it is limp as all are."""
    scene = another("enable_lit = true ", "enable_lit = false")
    for faults, feels in (((), ["FREE", "STIFF"]), (("open@J3.ENA",), ["STIFF", "STIFF"])):
        with at_bench(faults, 3, {}, scene) as bench:
            felt = []
            for lit in (1, 0):
                bench.card(f"DRIV:ENAB {lit},(@3)")
                bench.wait(0.2)
                felt.append(bench.turn(3, 2.0))
            assert felt == feels
            bench.hands("SUPP:MOT OFF")
            bench.wait(0.2)
            assert bench.turn(3, 2.0) == "FREE"


@pytest.mark.parametrize("fault", ["open@J3.MOTOR.A+", "swap@J3.MOTOR.A+/J3.MOTOR.B+"])
def test_a_faulty_coil_lets_a_loaded_joint_down(fault: str, examine: Callable[..., Any]) -> None:
    """CP6 and CP8 on J3: it creeps or falls with its load, and up it does not go."""
    seen = examine((fault,), homings=0, feel=False)
    assert max(by_eye(seen, 3)) < JOG_DEG / 4
    assert min(by_eye(seen, 3)) < -2


def test_cp8_gives_both_coils_half_of_each_current() -> None:
    """The circuit of the note: each coil lies between legs of two bridges."""
    harness = Harness(SCENE, draw_individual(SCENE, 3), 3)
    parts = harness.parts.copy()
    parts.permute("J1.MOTOR.A+", "J1.MOTOR.B+")
    harness.fit(parts)
    (aa, ab), (ba, bb) = harness.coil_currents(SCENE.joint[0])
    assert [aa, ab, ba, bb] == pytest.approx([0.5] * 4, abs=0.01)
    # Equal currents at any phase: the field stands; its size is |cos + sin|/sqrt 2.
    peak = max(
        math.hypot(aa * math.cos(p) + ab * math.sin(p), ba * math.cos(p) + bb * math.sin(p))
        for p in (math.radians(deg) for deg in range(360))
    )
    assert peak == pytest.approx(1.0, abs=0.02)


def test_cp22_lifting_loses_multiples_of_four_full_steps(examine: Callable[..., Any]) -> None:
    """J3 at a quarter of its current holds what it has not to lift."""
    seen = examine(("weak@J3.MOTOR,current=0.25",), homings=0, feel=False)
    jog_short_by_four_full_steps(seen, None, 3)
    slow = examine(("weak@J1.MOTOR,current=0.05",), (1,), homings=0, feel=False, jog_deg_s=2.0)
    jog_ok(slow, None, 1)  # and J1 that loses all of a fast jog makes all of a slow one


def test_cp25_depends_on_the_side_of_approach(at_bench: Callable[..., Any]) -> None:
    """By as much as the play, by the mark; the count is the same."""
    for faults, apart in (((), 0.0), (("play@J1.GEAR,deg=1",), 1.0)):
        with at_bench(faults, 3, {1: 0.0}, "heron") as bench:
            bench.motors(1)
            marks, counts = [], []
            for deg in (2.0, 2.0, -2.0):
                bench.move({1: deg})
                marks.append(bench.gauge_deg(1))
                counts.append(bench.counts()[1])
            assert marks[2] - marks[0] == pytest.approx(apart, abs=0.15)
            assert counts[2] == pytest.approx(counts[0], abs=6)


def test_cp25_under_a_load_does_not_show_in_jogs(examine: Callable[..., Any]) -> None:
    """J3's weight keeps the gear on one flank: no reversal is short (sound to 0.1 degree)."""
    seen = examine(("play@J3.GEAR,deg=1",), homings=0)
    jog_ok(seen, None, 3)
