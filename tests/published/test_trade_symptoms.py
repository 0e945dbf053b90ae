"""The trade's table of symptoms: twenty-five faults, put into the Heron, column by column.

Common practice, no published source. Each row names the fault, what it shows by hand, in short
jogs, in a plain two-stage homing and when that is repeated, what a meter tells, and what it is
mistaken for. Everything is done and read through the card's and the hands' ports.

The trade's arm has its switches at the negative ends and takes an unlit DIR for minus: so has J1,
about the vertical. What gravity loads is J3, whose switch is at its positive end. Where physics
says otherwise than the trade does, the row carries a `note` with the circuit and the figures.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest
from bench_person import JOG_DEG, Bench, Seen, at_bench, examine
from trade_columns import (
    SCENE,
    Check,
    by_eye,
    count_opposite,
    eye_half,
    falls_short,
    gauge_ok,
    hand_backwards,
    hand_dead_band,
    hand_frozen,
    hand_ok,
    hand_other,
    hand_stuck,
    homing_already_on,
    homing_backs_off_to_far_stop,
    homing_both_leave,
    homing_drives_deeper,
    homing_false_trip,
    homing_far_stop,
    homing_late_or_time_out,
    homing_no_release,
    homing_ok,
    homing_ok_at_half_speed,
    homing_ok_count_differs,
    homing_ok_from_one_side,
    homing_one_early_other_at_stop,
    homing_released_by_chance,
    homing_runs_past,
    homing_time_out,
    homing_two_deg_off,
    jog_both_negative,
    jog_both_positive,
    jog_count_right_joint_short,
    jog_eye_right_count_opposite,
    jog_eye_right_count_still,
    jog_first_reversal_short,
    jog_half,
    jog_limp_none,
    jog_ok,
    jog_other_joint_and_count,
    jog_reversed,
    jog_right_joint_other_count,
    jog_rocks,
    jog_short_by_four_full_steps,
    jog_stiff_none,
    joint_and_count_disagree,
    no_travel,
    not_reached,
    other_count,
    reached_by_chance,
    repeat_count_backwards,
    repeat_count_scatters,
    repeat_count_useless,
    repeat_error_grows,
    repeat_ok,
    repeat_ok_by_gauge,
    repeat_two_deg_off,
    switch_dead,
    switch_flickers,
    switch_inverted,
    switch_let_go_by_chance,
    switch_lingers,
    switch_ok,
    switch_shorts,
    switch_shorts_at_rest,
    switch_stays_low,
)
from trade_meter import (
    meter_cp1,
    meter_cp2,
    meter_cp3,
    meter_cp4,
    meter_cp5,
    meter_cp6,
    meter_cp8,
    meter_cp9,
    meter_cp11,
    meter_cp12,
    meter_cp14,
    meter_cp15,
    meter_cp16,
    meter_cp17,
    meter_cp18,
    meter_cp19,
    meter_cp19_at_rest,
    meter_cp20,
    meter_cp22,
    meter_normal,
)

from dryrig.scenes import scene_path
from dryrig.sim.harness import Harness
from dryrig.sim.individual import draw_individual

SOUND = "sound"
LEVEL = ((3, -60.0),)
"""A forearm that lies level, where gravity loads J3 most."""


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
    meter: Callable[[Bench, int], None]
    mistaken: dict[str, tuple[Check, ...]] = field(default_factory=dict)
    joints: tuple[int, ...] = (3,)
    how: dict[str, Any] = field(default_factory=dict)
    seeds: tuple[int, ...] = (3,)
    note: str = ""


FAR = {"pose_deg": ((1, 130.0),)}
"""Near enough to the far stop to reach it within the bounds of a search."""
ROLLS = {"pose_deg": ((4, -100.0), (6, -140.0))}
DEAD: tuple[Check, ...] = (hand_ok, switch_ok, no_travel, homing_time_out, not_reached)
CP6_NOTE = (
    "One coil makes a torque Th cos(phase) sin(rotor) that changes sign every half electrical "
    "turn: nothing tells the rotor which way. Rested, it stays; with the speed it has it may go on "
    "by some full steps more than two; and twice a turn it has no torque at all, so a joint that "
    "gravity loads (J3) falls where no stand carries it."
)
CP8_NOTE = (
    "With A+ and B+ exchanged each coil lies between legs of two bridges and gets (iA + iB)/2: a "
    "field that stands at 45 degrees and pulsates, |cos + sin|/sqrt 2 of the set current, zero "
    "twice a turn. J1 stays where it is in a slow jog; a joint that gravity loads (J3) falls "
    "where no stand carries it. It is also two fields of half the torque that turn against each "
    "other: near its own frequency a rotor may run with either."
)
CP14_NOTE = (
    "It takes two joints of one sense: J4 and J6. J2 and J3 turn in opposite senses for the same "
    "steps, so with their plugs crossed both leave their switches. Normal but for one thing: ohms "
    "of J4's pairs are 4.6 instead of 2.8, J6's coils."
)
CP19_NOTE = (
    "3.3 V over some 0.5 ohm of wires: the supply is at its limit of 0.6 A and the rail at 0.33 V, "
    "for every switch of the arm. The Heron's card does not reset: its logic lives on the host's "
    "cable."
)
CP25_NOTE = (
    "Where a load outweighs friction (J3 level: 5.0 N.m against 0.4) it keeps the gear on one "
    "flank, and no reversal is short."
)
CP22_NOTE = (
    "J1 hurried, at 8 x 100 deg/s2, with a tenth of its current; at 100 deg/s2 it loses nothing. "
    "What lifts a load and slips falls as far as it can, not by a few wells: no damping of a motor "
    "is modelled, and nothing catches it."
)
FLOAT_NOTE = (
    "An input that nothing holds has 500 Mohm of leak, up to 2 nA of bias and 5 nA of wander: 0 to "
    "1 V and 2.5 V either way, so it takes either level, for seconds. A meter of 10 Mohm leaves "
    "0.07 V of that: near 0, drifting. What homing makes of it is a matter of chance."
)
CHANCE = tuple(range(7))
ONCE = {"homings": 1, "feel": False}
# fmt: off
ROWS = (
    Row(
        SOUND, "", hand_ok, switch_ok, jog_ok, homing_ok, repeat_ok, meter_normal,
    ),
    Row(
        "CP1", "open@J1.DIR", hand_ok, switch_ok, jog_both_negative, homing_drives_deeper,
        not_reached, meter_cp1, joints=(1,),
    ),
    Row(
        "CP2", "swap@J3.DIR/J3.STEP", hand_ok, switch_ok, jog_stiff_none, homing_time_out,
        not_reached, meter_cp2, {"CP3": DEAD},
    ),
    Row(
        "CP3", "open@J3.STEP", hand_ok, switch_ok, jog_stiff_none, homing_time_out, not_reached,
        meter_cp3, {"CP4": DEAD, "CP5": DEAD},
    ),
    Row(
        "CP4", "open@J3.ENA", hand_ok, switch_ok, jog_limp_none, homing_time_out, not_reached,
        meter_cp4, {"CP5": (*DEAD, jog_limp_none)},
    ),
    Row(
        "CP5", "open@J3.DRIVE.24V", hand_ok, switch_ok, jog_limp_none, homing_time_out,
        not_reached, meter_cp5, {"CP4": (*DEAD, jog_limp_none)},
    ),
    Row(
        "CP6", "open@J1.MOTOR.A+", hand_ok, switch_ok, jog_rocks, homing_time_out, not_reached,
        meter_cp6, {"CP22": (hand_ok, switch_ok, falls_short, homing_late_or_time_out)}, (1,),
        note=CP6_NOTE,
    ),
    Row(
        "CP7", "swap@J1.MOTOR.A+/J1.MOTOR.A-", hand_ok, switch_ok, jog_reversed, homing_far_stop,
        not_reached, meter_normal, {"CP10": (switch_ok, count_opposite)}, (1,),
        how=FAR,
    ),
    Row(
        "CP8", "swap@J1.MOTOR.A+/J1.MOTOR.B+", hand_ok, switch_ok, jog_rocks, homing_time_out,
        not_reached, meter_cp8, {"CP6": (hand_ok, switch_ok, jog_rocks, homing_time_out)}, (1,),
        note=CP8_NOTE,
    ),
    Row(
        "CP9", "open@J3.ENC.A", hand_stuck, switch_ok, jog_eye_right_count_still, homing_ok,
        repeat_count_useless, meter_cp9, {"CP24": (switch_ok, joint_and_count_disagree)},
    ),
    Row(
        "CP10", "swap@J3.ENC.A/J3.ENC.B", hand_backwards, switch_ok, jog_eye_right_count_opposite,
        homing_ok, repeat_count_backwards, meter_normal, {"CP7": (switch_ok, count_opposite)},
    ),
    Row(
        "CP11", "open@J3.ENC.5V", hand_frozen, switch_ok, jog_eye_right_count_still, homing_ok,
        repeat_count_useless, meter_cp11, {"CP12": (hand_frozen, jog_eye_right_count_still)},
    ),
    Row(
        "CP12", "open@J3.ENC.0V", hand_frozen, switch_ok, jog_eye_right_count_still, homing_ok,
        repeat_count_useless, meter_cp12, {"CP11": (hand_frozen, jog_eye_right_count_still)},
    ),
    Row(
        "CP13", "cross@J2.ENC/J3.ENC", hand_other, switch_ok, jog_right_joint_other_count,
        homing_ok, gauge_ok, meter_normal, {"CP14": (switch_ok, other_count)},
    ),
    Row(
        "CP14", "cross@J4.MOTOR/J6.MOTOR", hand_ok, switch_ok, jog_other_joint_and_count,
        homing_one_early_other_at_stop, not_reached, meter_cp14,
        {"CP13": (switch_ok, other_count)}, (4, 6), ROLLS, note=CP14_NOTE,
    ),
    Row(
        "CP15", "open@J3.SW.COM", hand_ok, switch_dead, jog_ok,
        (homing_runs_past, homing_false_trip), not_reached, meter_cp15,
        how=ONCE, seeds=CHANCE, note=FLOAT_NOTE,
    ),
    Row(
        "CP16", "open@J3.SW.NC", hand_ok, (switch_lingers, switch_let_go_by_chance), jog_ok,
        (homing_already_on, homing_no_release, homing_released_by_chance),
        (not_reached, reached_by_chance), meter_cp16,
        {"sticky@J3.SW": (hand_ok, jog_ok, homing_no_release)}, how=ONCE, seeds=(1, *CHANCE),
        note=FLOAT_NOTE,
    ),
    Row(
        "CP17", "open@J3.SW.NO", hand_ok, (switch_stays_low, switch_flickers), jog_ok,
        (homing_runs_past, homing_false_trip, homing_released_by_chance),
        (not_reached, reached_by_chance), meter_cp17, how=ONCE, seeds=CHANCE, note=FLOAT_NOTE,
    ),
    Row(
        "CP18", "swap@J1.SW.NC/J1.SW.NO", hand_ok, switch_inverted, jog_ok,
        homing_backs_off_to_far_stop, not_reached, meter_cp18, joints=(1,), how=FAR,
    ),
    Row(
        "CP19", "swap@J3.SW.COM/J3.SW.NC", hand_ok, switch_shorts, jog_ok, homing_runs_past,
        not_reached, meter_cp19, note=CP19_NOTE,
    ),
    Row(
        "CP19 at rest", "swap@J3.SW.COM/J3.SW.NO", hand_ok, switch_shorts_at_rest, jog_ok,
        (homing_already_on, homing_no_release, homing_released_by_chance),
        (not_reached, reached_by_chance), meter_cp19_at_rest, how=ONCE, seeds=CHANCE,
        note=FLOAT_NOTE,
    ),
    Row(
        "CP20", "resist@J3.SW.COM,ohm=4700", hand_ok, switch_ok, jog_ok, homing_ok, repeat_ok,
        meter_cp20, {SOUND: (hand_ok, switch_ok, jog_ok, homing_ok, repeat_ok)},
    ),
    Row(
        "CP21", "shift@J3.SW,deg=2", hand_ok, switch_ok, jog_ok, homing_two_deg_off,
        repeat_two_deg_off, meter_normal,
    ),
    Row(
        "CP22", "weak@J1.MOTOR,current=0.1", hand_ok, switch_ok, jog_short_by_four_full_steps,
        homing_late_or_time_out, not_reached, meter_cp22,
        {"CP24": (hand_ok, switch_ok, falls_short)}, (1,),
        {"feel": False, "jog_deg_s": 20.0, "haste": 8.0}, note=CP22_NOTE,
    ),
    Row(
        "CP23", "microsteps@J3.DRIVE,factor=2", hand_ok, switch_ok, jog_half,
        homing_ok_at_half_speed, repeat_error_grows, meter_normal,
        {"pulley@J3.GEAR,factor=2": (switch_ok, eye_half)},
    ),
    Row(
        "CP24", "slip@J3.COUPLING,n_m=0.08", hand_ok, switch_ok, jog_count_right_joint_short,
        homing_ok_count_differs, repeat_count_scatters, meter_normal,
        {"CP22": (hand_ok, switch_ok, falls_short)}, how={"jog_deg_s": 15.0},
    ),
    Row(
        "CP25", "play@J1.GEAR,deg=1", hand_dead_band, switch_ok, jog_first_reversal_short,
        homing_ok_from_one_side, repeat_ok_by_gauge, meter_normal,
        {"CP22": (switch_ok, falls_short)}, (1,), note=CP25_NOTE,
    ),
)
# fmt: on
BY_KEY = {row.key: row for row in ROWS}
COLUMNS = ("hand", "switch", "jog", "homing", "repeat")


def look(key: str, seed: int) -> tuple[Seen, Seen, int]:
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
def test_a_column(row: Row, column: str) -> None:
    says = getattr(row, column)
    arms = [look(row.key, seed) for seed in row.seeds]
    if callable(says):
        for arm in arms:
            says(*arm)
        return
    # Each arm does one of these things, and each is done by some arm.
    done = [{check.__name__ for check in says if holds(check, *arm)} for arm in arms]
    assert all(done), done
    assert set.union(*done) == {check.__name__ for check in says}


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.key)
def test_the_meter(row: Row) -> None:
    with at_bench((row.fault,) if row.fault else (), 3, {}, "heron") as bench:
        row.meter(bench, row.joints[0])


PAIRS = [(row, other) for row in ROWS for other in row.mistaken]


@pytest.mark.parametrize(("row", "other"), PAIRS, ids=lambda it: getattr(it, "key", it))
def test_what_it_is_mistaken_for(row: Row, other: str) -> None:
    """Both share the symptoms; another column or the meter tells them apart."""
    for key in (row.key, other):
        for check in row.mistaken[other]:
            check(*look(key, row.seeds[0]))


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


def test_cp1_where_an_unlit_dir_means_positive(another: Callable[[str, str], str]) -> None:
    """Never reaches the switch. On J3, whose switch is at the positive end, with unlit negative."""
    scene = another("direction_lit = 1 ", "direction_lit = -1 ")
    for seen, joint, jogs in (
        (examine(("open@J1.DIR",), (1,), scene=scene), 1, jog_both_positive),
        (examine(("open@J3.DIR",)), 3, jog_both_negative),
    ):
        jogs(seen, seen, joint)
        homing_time_out(seen, seen, joint)


def test_cp14_of_two_joints_with_opposite_senses() -> None:
    seen = examine(("cross@J2.MOTOR/J3.MOTOR",), (3, 2), pose_deg=((2, 90.0),))
    jog_other_joint_and_count(seen, seen, 3)
    homing_both_leave(seen, seen, 3)


def test_cp4_where_unlit_means_enabled(another: Callable[[str, str], str]) -> None:
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
def test_a_faulty_coil_holds_no_load(fault: str) -> None:
    """CP6 and CP8 on J3: on the stand, which carries its weight, a jog moves nothing; without, the
    arm drops."""
    seen = examine((fault,), homings=0, feel=False, pose_deg=LEVEL)
    jog_rocks(seen, seen, 3)
    with at_bench((fault,), 3, dict(LEVEL)) as bench:
        bench.motors(1, 2, 3, 4, 5, 6)
        bench.wait(0.5)
        before = bench.eyes_deg()[3]
        bench.hands("STAN OFF")
        bench.wait(0.5)
        bench.card("STEP:MOVE 600,(@3)")
        bench.wait(2.0)
        assert bench.eyes_deg()[3] < before - 10


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


def test_cp22_makes_all_of_a_slow_jog_and_lifts_no_load() -> None:
    """On the stand a lift comes to nothing and lowering goes well; without, the arm falls."""
    slow = examine(("weak@J1.MOTOR,current=0.1",), (1,), homings=0, feel=False, jog_deg_s=2.0)
    jog_ok(slow, slow, 1)
    weak = ("weak@J3.MOTOR,current=0.25",)
    lifted, lowered = by_eye(examine(weak, homings=0, feel=False, pose_deg=LEVEL), 3)
    assert lifted == pytest.approx(0.0, abs=1.0)
    assert lowered == pytest.approx(-JOG_DEG, abs=1.0)
    with at_bench(weak, 3, dict(LEVEL)) as bench:
        bench.motors(1, 2, 3, 4, 5, 6)
        before = bench.eyes_deg()[3]
        bench.hands("STAN OFF")
        bench.wait(0.5)
        assert bench.eyes_deg()[3] < before - 10


def test_cp25_depends_on_the_side_of_approach() -> None:
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


def test_cp25_under_a_load_does_not_show_in_jogs() -> None:
    """J3's weight keeps the gear on one flank: no reversal is short (sound to 0.1 degree)."""
    seen = examine(("play@J3.GEAR,deg=1",), homings=0, pose_deg=LEVEL)
    jog_ok(seen, None, 3)
