"""Suspects from evidence given by hand: who comes first, and who stands beside.

The rules are common practice, no published source.
"""

from __future__ import annotations

import pytest

from dryrig.commission.arm import load_arm
from dryrig.commission.findings import Check, Kind, Symptom
from dryrig.commission.loss import classify, power_of_two
from dryrig.commission.suspects import rank
from dryrig.faults import parse_fault
from dryrig.scenes import scene_path


def faults(*symptoms: Symptom) -> list[str]:
    checks = [Check("some", symptom.joint, "fail", "", (symptom,)) for symptom in symptoms]
    return [suspect.fault for suspect in rank(checks)]


def drive(**volts: float) -> dict[str, float]:
    """Readings across a sound drive's inputs, but for those given."""
    return {
        "DIR_pos_v": 4.78,
        "DIR_neg_v": 0.0,
        "STEP_pos_v": 0.0,
        "STEP_neg_v": 0.0,
        "card_DIR_pos_v": 4.8,
        "card_DIR_neg_v": 0.0,
        "ENA_v": 4.78,
        "card_ENA_v": 4.8,
        "supply_v": 24.0,
        "train_card_v": 0.02,
        "train_part_v": 0.019,
    } | volts


@pytest.mark.parametrize(
    ("volts", "first"),
    [
        ({"DIR_pos_v": 0.0, "card_DIR_pos_v": 5.05}, "open@J3.DIR"),
        ({"DIR_pos_v": 0.0, "card_DIR_pos_v": 0.01}, "short@J3.DIR/J3.OPTO0V"),
        ({"STEP_pos_v": 4.78, "DIR_pos_v": 0.0}, "swap@J3.DIR/J3.STEP"),
        ({"train_part_v": 0.0}, "open@J3.STEP"),
        ({"ENA_v": 0.0, "card_ENA_v": 5.05}, "open@J3.ENA"),
        ({"ENA_v": 0.0, "card_ENA_v": 0.0}, "short@J3.ENA/J3.OPTO0V"),
        ({"ENA_v": 0.0, "DIR_pos_v": 0.0}, "open@J3.OPTO0V"),
        ({"ENA_v": 0.0, "DIR_neg_v": 4.78}, "swap@J3.DIR/J3.ENA"),
        ({"ENA_v": -4.8}, "swap@J3.ENA/J3.OPTO0V"),
        ({"ENA_v": 2.4, "DIR_pos_v": 2.4}, "resist@J3.OPTO0V"),
        ({"supply_v": 0.0}, "open@J3.DRIVE.24V"),
    ],
)
def test_a_joint_that_does_not_move(volts: dict[str, float], first: str) -> None:
    assert faults(Symptom(Kind.JOG_NONE, "J3", drive(**volts)))[0] == first


@pytest.mark.parametrize(
    ("detail", "expected"),
    [
        ("RAIL.24V J1.SW", ["short@J1.SW.COM/RAIL.24V", "short@J1.SW.NC/RAIL.24V"]),
        ("RAIL.5V J3.DRIVE", ["short@J3.DRIVE.0V/RAIL.5V"]),
        ("RAIL.3V3 J2.INPUTS", ["short@J2.OPTO0V/RAIL.3V3"]),
        (
            "RAIL.5V J4.ENC",
            ["short@J4.ENC.5V/J4.ENC.0V", "short@J4.ENC.5V/RAIL.0V", "short@J4.ENC.0V/RAIL.5V"],
        ),
        (
            "RAIL.24V",
            ["short@RAIL.24V/RAIL.0V", "short@STOP.21/RAIL.24V", "short@STOP.22/RAIL.24V"],
        ),
    ],
)
def test_a_shorted_rail_is_looked_for_behind_the_plug_with_which_it_goes(
    detail: str, expected: list[str]
) -> None:
    joint = detail.partition(" ")[2].partition(".")[0] or None
    assert faults(Symptom(Kind.SHORTED, joint, {"card_ohm": 0.3}, detail)) == expected
    for fault in expected:
        parse_fault(fault)


def test_a_sound_drive_leaves_the_whole_class_of_its_motor() -> None:
    found = faults(Symptom(Kind.JOG_NONE, "J3", drive()))
    assert set(found[:4]) == {f"open@J3.MOTOR.{end}" for end in ("A+", "A-", "B+", "B-")}
    assert "open@J3.STEP" not in found


def test_a_meter_that_shows_no_pulses_anywhere_cannot_clear_step() -> None:
    found = faults(Symptom(Kind.JOG_NONE, "J3", drive(train_card_v=0.0, train_part_v=0.0)))
    assert found[0] == "open@J3.STEP"


def far(**volts: float) -> dict[str, float]:
    return {"pair_v": 0.0, "rail_v": 5.05} | volts


@pytest.mark.parametrize(
    ("volts", "first"),
    [
        (far(plus_v=5.05, minus_v=5.04), "open@J1.ENC.0V"),
        (far(plus_v=0.01, minus_v=0.0), "open@J1.ENC.5V"),
        (far(plus_v=0.0, minus_v=5.05, pair_v=-5.05), "swap@J1.ENC.5V/J1.ENC.0V"),
        (far(plus_v=1.6, minus_v=1.5, rail_v=3.1), "short@J1.ENC.5V/J1.ENC.0V"),
        (far(plus_v=0.02, minus_v=0.0, rail_v=3.1), "short@J1.ENC.5V/RAIL.0V"),
    ],
)
def test_a_supply_that_does_not_arrive(volts: dict[str, float], first: str) -> None:
    assert faults(Symptom(Kind.FAR_END, "J1", volts, "ENC"))[0] == first


def channel(name: str, part: float, card: float, *, held: bool = True) -> dict[str, float]:
    return {
        f"{name}_part_v": part,
        f"{name}_part_below_5v_v": 5.0 - part,
        f"{name}_card_v": card,
        f"{name}_card_below_5v_v": 5.0 - card if held else 0.1,
        f"{name}_turned_low_v": 0.0,
        f"{name}_turned_high_v": 5.0,
    }


def test_a_channel_held_at_the_encoder_alone_is_open() -> None:
    volts = channel("A", 0.01, -0.02, held=False) | channel("B", 5.0, 5.0)
    assert faults(Symptom(Kind.COUNT_DEAD, "J4", volts)) == ["open@J4.ENC.A"]


def test_a_channel_that_never_moves_is_shorted() -> None:
    stuck = channel("A", 0.0, 0.0) | channel("B", 5.0, 5.0) | {"A_turned_high_v": 0.02}
    assert faults(Symptom(Kind.COUNT_DEAD, "J4", stuck)) == ["short@J4.ENC.A/J4.ENC.0V"]


def test_two_dead_channels_point_at_the_supply_and_the_rails_split_the_class() -> None:
    dead = channel("A", 5.0, 5.0) | channel("B", 5.0, 5.0)
    dead |= {"A_turned_low_v": 5.0, "B_turned_low_v": 5.0}
    count = Symptom(Kind.COUNT_DEAD, "J4", dead)
    assert faults(count) == ["open@J4.ENC.0V", "open@J4.ENC.5V"]
    rails = Symptom(Kind.FAR_END, "J4", far(plus_v=0.0, minus_v=0.0), "ENC")
    assert faults(count, rails)[0] == "open@J4.ENC.5V"


def switch(rest_lug: float, pressed_lug: float) -> dict[str, float]:
    return {
        "rest_v": 0.01,
        "pressed_v": 0.02,
        "rest_to_3v3_v": 0.06,
        "rail_pressed_v": 3.3,
        "rest_lug_COM_v": rest_lug,
        "pressed_lug_COM_v": pressed_lug,
    }


def test_a_common_alive_at_the_switch_alone_is_open() -> None:
    assert faults(Symptom(Kind.SWITCH_DEAD, "J5", switch(0.0, 3.3)))[0] == "open@J5.SW.COM"


def test_a_second_homing_that_disagrees_is_told_apart_by_the_count_at_the_edge() -> None:
    past = faults(Symptom(Kind.REPEAT, "J3", {"apart_deg": -1.05, "past_motor": 1.0}))
    lost = faults(Symptom(Kind.REPEAT, "J3", {"apart_deg": -1.05, "past_motor": 0.0}))
    assert {"slip@J3.COUPLING", "play@J3.GEAR"} <= set(past)
    assert "weak@J3.MOTOR" in lost
    assert not set(past) & set(lost)


def test_a_common_dead_at_the_switch_leaves_a_class() -> None:
    found = faults(Symptom(Kind.SWITCH_DEAD, "J5", switch(0.0, 0.0)))
    assert found[:3] == ["open@J5.SW.NO", "open@J5.SW.NC", "open@J5.SW.COM"]


@pytest.mark.parametrize(
    ("symptom", "first"),
    [
        (Symptom(Kind.COUNT_BACKWARDS, "J2"), "swap@J2.ENC.A/J2.ENC.B"),
        (Symptom(Kind.COUNT_ELSEWHERE, "J3", detail="J2"), "cross@J2.ENC/J3.ENC"),
        (Symptom(Kind.COUNT_CLIMBS, "J2", {"counts": 90}), "open@J2.ENC.0V"),
        (Symptom(Kind.JOG_REVERSED, "J2"), "swap@J2.MOTOR.A+/J2.MOTOR.A-"),
        (Symptom(Kind.JOG_OTHER_JOINT, "J2", detail="J3"), "cross@J2.MOTOR/J3.MOTOR"),
        (Symptom(Kind.SWITCH_INVERTED, "J2", switch(3.3, 0)), "swap@J2.SW.NC/J2.SW.NO"),
        (Symptom(Kind.SWITCH_FLOATS_AT_REST, "J2", switch(0, 3.3)), "open@J2.SW.NC"),
        (Symptom(Kind.SWITCH_FLOATS_PRESSED, "J2", switch(0, 0)), "open@J2.SW.NO"),
        (
            Symptom(Kind.SWITCH_SHORTS, "J2", {"rail_pressed_v": 2.9, "pressed_v": 0.0}),
            "swap@J2.SW.COM/J2.SW.NC",
        ),
        (
            Symptom(Kind.SWITCH_SHORTS, "J2", {"pressed_v": 3.3}, "at rest"),
            "swap@J2.SW.COM/J2.SW.NO",
        ),
        (Symptom(Kind.RAIL, None, {"volts": 0.1}, "RAIL.5V"), "short@RAIL.5V/RAIL.0V"),
        (Symptom(Kind.HOME_LOST, "J2", {"missing_counts": 160}), "weak@J2.MOTOR"),
        (Symptom(Kind.LINK, None), "drop@LINE"),
    ],
)
def test_first_suspect(symptom: Symptom, first: str) -> None:
    assert faults(symptom)[0] == first


def test_every_suspect_says_why_in_the_grammar_of_faults() -> None:
    check = Check("jogs", "J3", "fail", "", (Symptom(Kind.JOG_NONE, "J3", drive()),))
    for suspect in rank([check]):
        assert suspect.because
        assert str(parse_fault(suspect.fault))


def test_loss_by_its_quantum() -> None:
    joint = load_arm(scene_path("heron")).joints[0]
    # 4 full steps of 200 are 80 of 4000 counts; one of 3200 microsteps is 1.25.
    assert classify(joint, -160.0) == "2 x 4 full steps: the motor slipped under torque"
    assert classify(joint, 2.5) == "about 2 microsteps: step signals lost"
    assert classify(joint, 850) == "no multiple of 4 full steps: mechanics or signals"


@pytest.mark.parametrize(
    ("ratio", "exponent"), [(1.0, None), (0.5, -1), (2.01, 1), (15.9, 4), (3.0, None), (0.0, None)]
)
def test_power_of_two(ratio: float, exponent: int | None) -> None:
    assert power_of_two(ratio) == exponent


def test_a_sweep_that_was_free_does_not_blame_the_gear() -> None:
    assert faults(Symptom(Kind.SWEEP_BINDS, "J3", {"felt_at_deg": 20.0})) == ["bind@J3.GEAR"]
    freely = faults(Symptom(Kind.SWEEP_BINDS, "J3", {"count_off_deg": -78.0}))
    assert freely == ["open@J3.ENC.A", "open@J3.ENC.B"]
