"""Faults every workshop meets, against the table of what the trade sees: for all six joints.

Rows CP1, CP2, CP9, CP12 and CP15 of the workshop's table of twenty-five faults: common practice,
no published source. Each fault must fail the table's check, on its own joint and on no other,
with the table's readings, and be named. The teacher's port must not have been used.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from functools import cache

import pytest
import serial

from dryrig.commission.findings import Kind
from dryrig.commission.hand import PortHand
from dryrig.commission.result import Result
from dryrig.commission.run import commission
from dryrig.scenes import scene_path

JOINTS = ("J1", "J2", "J3", "J4", "J5", "J6")
# What its card reads of a wire that hangs in the air on a 10 megohm meter: near 0 V, drifting.
NEAR_ZERO_V = 0.1
LIT_V = 4.0
METER_V = 0.002


def cp1_dir_open(seen: dict[str, float]) -> None:
    """Jog +-: both negative, size right. Meter: DIR pair 0 V both signs; card end changes."""
    assert seen["first_eye_deg"] == pytest.approx(seen["second_eye_deg"], abs=1.0)
    assert abs(seen["first_eye_deg"]) == pytest.approx(6.0, abs=1.0)
    assert max(abs(seen["DIR_pos_v"]), abs(seen["DIR_neg_v"])) < 0.01
    assert seen["card_DIR_pos_v"] > LIT_V
    assert seen["card_DIR_neg_v"] < 0.1


def cp2_dir_step_swapped(seen: dict[str, float]) -> None:
    """Jog +-: 0-2 counts at sign change. Meter: STEP pair steady, follows sign."""
    assert max(abs(seen["first_counts"]), abs(seen["second_counts"])) <= 2
    assert seen["first_eye_deg"] == seen["second_eye_deg"] == 0
    assert seen["STEP_pos_v"] > LIT_V
    assert abs(seen["STEP_neg_v"]) < 0.01
    # Energised, hence stiff.
    assert seen["ENA_v"] > LIT_V
    assert seen["supply_v"] > 22.0


def cp9_a_open(seen: dict[str, float]) -> None:
    """By hand: stuck +-1. Meter: A at card near 0, drifting; at encoder 0 or 5."""
    # Of some 2000: B's two neighbours, and what hum on the floating A adds now and then.
    assert max(abs(seen["count_up"]), abs(seen["count_down"])) <= 10
    assert abs(seen["turned_deg"]) == pytest.approx(10.0, abs=1.0)
    assert abs(seen["A_card_v"]) < NEAR_ZERO_V
    at_encoder = seen["A_part_v"]
    assert at_encoder < 0.1 or at_encoder > LIT_V
    # Driven there: the whole 5 V lies between the readings to both rails.
    assert seen["A_part_v"] + seen["A_part_below_5v_v"] == pytest.approx(5.05, abs=0.15)
    assert seen["A_card_v"] + seen["A_card_below_5v_v"] < 1.0


def cp12_encoder_0v_open(seen: dict[str, float]) -> None:
    """By hand: frozen. Meter: encoder 5 V to its 0 V 0-2; its 0 V to card 0 V 3-5."""
    assert seen["count_up"] == seen["count_down"] == 0
    assert -METER_V <= seen["pair_v"] <= 2.0
    # Its supply's own tolerance lies on top of the table's 5 V.
    assert 3.0 <= seen["minus_v"] <= 5.2
    assert seen["plus_v"] == pytest.approx(seen["rail_v"], abs=0.05)


def cp15_switch_com_open(seen: dict[str, float]) -> None:
    """Meter: at the card near 0 and drifting in both positions; COM lug 0 and 3.3."""
    assert abs(seen["rest_v"]) < NEAR_ZERO_V
    assert abs(seen["pressed_v"]) < NEAR_ZERO_V
    for state in ("rest", "pressed"):
        assert seen[f"{state}_drift_high_v"] > seen[f"{state}_drift_low_v"]
        assert abs(seen[f"{state}_drift_high_v"]) < NEAR_ZERO_V
    assert seen["rest_lug_COM_v"] < 0.01
    assert seen["pressed_lug_COM_v"] == pytest.approx(3.3, abs=0.1)


@dataclass(frozen=True)
class Row:
    """A row of the table: the fault, the checks that fail, the symptom, the readings."""

    fault: str
    checks: frozenset[str]
    kinds: tuple[Kind, ...]
    evidence: Callable[[dict[str, float]], None]


ROWS = (
    Row("open@{0}.DIR", frozenset({"jogs"}), (Kind.JOG_SAME_WAY,), cp1_dir_open),
    Row(
        "swap@{0}.DIR/{0}.STEP",
        frozenset({"jogs"}),
        (Kind.JOG_NONE,),
        cp2_dir_step_swapped,
    ),
    Row(
        "open@{0}.ENC.A",
        frozenset({"encoders", "jogs"}),
        (Kind.COUNT_DEAD,),
        cp9_a_open,
    ),
    Row(
        "open@{0}.ENC.0V",
        frozenset({"rails", "encoders", "jogs"}),
        (Kind.COUNT_DEAD, Kind.FAR_END),
        cp12_encoder_0v_open,
    ),
    Row("open@{0}.SW.COM", frozenset({"switches"}), (Kind.SWITCH_DEAD,), cp15_switch_com_open),
)


@cache
def run(fault: str, seed: int) -> tuple[Result, int]:
    """A commissioning of an arm with this fault, and how many bytes the teacher's port took."""
    url = f"dryrig://heron?seed={seed}&rig=table&fault={fault}"
    with (
        closing(serial.serial_for_url(f"{url}&port=teacher")) as teacher,
        closing(PortHand.open(f"{url}&port=hands")) as hand,
    ):
        result = commission(url, hand, scene_path("heron"))
        return result, teacher.station.ports["teacher"].received_count


@pytest.mark.parametrize("joint", JOINTS)
@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.fault.format("Jn"))
def test_the_fault_fails_the_tables_check_with_the_tables_evidence(row: Row, joint: str) -> None:
    fault = row.fault.format(joint)
    result, teacher_bytes = run(fault, seed=JOINTS.index(joint))
    assert (result.verdict, result.exit_code, result.reason) == ("findings", 1, "")
    failed = [check for check in result.checks if check.failed]
    assert {check.joint for check in failed} == {joint}
    assert {check.name for check in failed} == row.checks
    symptoms = [s for check in failed for s in check.symptoms if s.kind in row.kinds]
    assert {symptom.kind for symptom in symptoms} == set(row.kinds)
    seen: dict[str, float] = {}
    for symptom in reversed(symptoms):  # the first one's readings count
        seen |= symptom.readings
    row.evidence(seen)
    assert result.suspects[0].fault == fault
    assert result.to_json()["suspects"][0]["fault"] == fault
    assert {c.verdict for c in result.checks if c.name in ("homing", "trim")} == {"skipped"}
    assert teacher_bytes == 0
