"""The stop circuit as wires: a button, a contactor, and what breaks between them.

An open wire must stop the arm (fail-safe), a bridged contact must be found before motion; common
practice, no published source. Terminals 11-12 and 21-22 are numbered as EN 50005 numbers opening
contacts. Circuits against ngspice: tests/peers.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from dryrig.commission.result import Result
from dryrig.errors import FaultError, SceneError, StopPressed
from dryrig.faults import Injector, enumerate_faults
from dryrig.scenes import load_scene
from dryrig.scenes.stop import StopPart
from dryrig.sim import TICKS_PER_S, Rig
from dryrig.study.commissioned import commissioned

SCENE = load_scene("heron")
STOP = SCENE.stop
J5 = 4


@pytest.fixture
def rig() -> Iterator[Rig]:
    with Rig(SCENE, 3, start_pose_deg=SCENE.rest_pose_deg) as rig:
        for number in range(6):
            rig.card.enable(number, True)
        wait(rig)
        yield rig


def wait(rig: Rig, time_s: float = 0.1) -> None:
    rig.advance(rig.now + round(time_s * TICKS_PER_S))


def volts(rig: Rig, terminal: str) -> float:
    return rig.harness.volts_between(terminal, "RAIL.0V", SCENE.gauges.meter.ohm)


def live(rig: Rig) -> bool:
    on = {drive.energised for drive in rig.drives}
    assert len(on) == 1
    return on.pop()


def test_sound_the_coil_has_its_volts_and_the_button_takes_them(rig: Rig) -> None:
    """5 V behind 10 ohm, 125 ohm of coil, two conductors: 5 x 125 / 135.4 = 4.6 V."""
    wires = sum(rig.individual.wire_ohm[f"STOP.{pin}"] for pin in ("11", "12"))
    whole = STOP.source_ohm + STOP.coil_ohm + STOP.contact_ohm + wires
    coil_v = STOP.volts * STOP.coil_ohm / whole
    assert coil_v == pytest.approx(4.6, abs=0.03)
    assert volts(rig, "CARD.STOP.12") == pytest.approx(coil_v, rel=1e-4)
    assert volts(rig, "CARD.STOP.21") == pytest.approx(0.0, abs=1e-3)
    assert live(rig)
    rig.hands.press_stop(True)
    assert volts(rig, "CARD.STOP.12") == pytest.approx(0.0, abs=1e-3)
    assert volts(rig, "CARD.STOP.11") == pytest.approx(STOP.volts, rel=1e-3)
    assert volts(rig, "CARD.STOP.21") == pytest.approx(STOP.logic_v, rel=1e-2)
    assert not live(rig)
    assert rig.card.stop_open
    with pytest.raises(StopPressed):
        rig.hands.set_motor_supply(True)
    rig.hands.press_stop(False)
    assert not live(rig)  # nothing comes back by itself
    assert not rig.card.stop_open
    rig.hands.set_motor_supply(True)
    assert live(rig)


OPEN = ("open@STOP.11", "open@STOP.12", "resist@STOP.11", "resist@STOP.12", "unplug@STOP",
        "short@STOP.11/RAIL.0V", "short@STOP.12/STOP.22", "swap@STOP.12/STOP.21")  # fmt: skip


@pytest.mark.parametrize("fault", OPEN)
def test_a_line_of_the_coil_that_breaks_stops_the_arm_at_once(rig: Rig, fault: str) -> None:
    injector = Injector(rig)
    injector.insert(fault)
    assert not live(rig)
    rig.hands.set_motor_supply(True)
    assert not live(rig)
    injector.clear()
    assert not live(rig)
    rig.hands.set_motor_supply(True)
    assert live(rig)


def test_a_loose_wire_takes_the_power_while_its_cable_is_moved_and_it_stays_away(rig: Rig) -> None:
    Injector(rig).insert("open@STOP.11,duty=0.5,from=1")
    assert live(rig)
    wait(rig, 3.0)
    assert not live(rig)
    assert not rig.hands.motor_supply


def test_an_open_line_to_the_card_reads_as_a_button_that_is_in(rig: Rig) -> None:
    Injector(rig).insert("open@STOP.22")
    assert rig.card.stop_open
    assert live(rig)  # only told: the contactor has its own contact


@pytest.mark.parametrize(
    ("fault", "coil_v"),
    [
        ("short@STOP.11/STOP.12", 4.6),
        ("short@STOP.12/RAIL.5V", 5.0),
        ("short@STOP.12/RAIL.3V3", 3.3),
        ("short@STOP.12/RAIL.24V", 24.0),  # it holds itself
    ],
)
def test_a_bridged_contact_makes_the_button_useless_for_the_power(
    rig: Rig, fault: str, coil_v: float
) -> None:
    Injector(rig).insert(fault)
    rig.hands.press_stop(True)
    assert live(rig)
    assert rig.card.stop_open  # and yet the card is told
    assert volts(rig, "CARD.STOP.12") == pytest.approx(coil_v, rel=0.03)


def test_a_contact_that_is_bridged_on_the_other_side_tells_the_card_nothing(rig: Rig) -> None:
    Injector(rig).insert("short@STOP.21/STOP.22")
    rig.hands.press_stop(True)
    assert not live(rig)
    assert not rig.card.stop_open


def test_welded_contacts_keep_the_power_on_whatever_the_coil_has(rig: Rig) -> None:
    Injector(rig).insert("weld@CONTACTOR")
    rig.hands.press_stop(True)
    assert live(rig)
    assert volts(rig, "CARD.STOP.12") == pytest.approx(0.0, abs=1e-3)
    rig.hands.press_stop(False)
    rig.hands.set_motor_supply(False)
    assert live(rig)
    rig.hands.set_main_supply(False)
    assert not live(rig)


def test_a_coil_with_too_few_volts_holds_what_is_in_and_pulls_nothing_in(rig: Rig) -> None:
    """3.3 V: above the 1.5 V it holds with, below the 3.75 V that it needs."""
    Injector(rig).insert("short@STOP.12/RAIL.3V3")
    rig.hands.set_motor_supply(True)
    assert live(rig)
    rig.hands.set_motor_supply(False)
    rig.hands.set_motor_supply(True)
    assert not live(rig)


def found(fault: str) -> tuple[Result, set[str]]:
    result = commissioned("heron", 0, fault)
    assert result.verdict == "findings"
    return result, {suspect.fault for suspect in result.suspects}


@pytest.mark.parametrize(
    "fault",
    ["short@STOP.11/STOP.12", "short@STOP.12/RAIL.5V", "short@STOP.12/RAIL.24V", "weld@CONTACTOR",
     "short@STOP.21/STOP.22", "short@STOP.21/RAIL.0V", "open@STOP.21", "open@STOP.22",
     "resist@STOP.21"],
)  # fmt: skip
def test_the_check_before_motion_finds_it_and_nothing_moves(fault: str) -> None:
    result, suspects = found(fault)
    failed = [check.name for check in result.checks if check.failed]
    assert failed == ["stop"]
    assert fault in suspects
    jogs = [check for check in result.checks if check.name == "jogs"]
    assert [check.verdict for check in jogs] == ["skipped"]
    assert "stop circuit is not proved" in jogs[0].evidence


@pytest.mark.parametrize("fault", ["open@STOP.11", "open@STOP.12", "resist@STOP.12", "unplug@STOP"])
def test_power_that_stays_away_is_followed_along_the_line_of_the_coil(fault: str) -> None:
    result, suspects = found(fault)
    assert next(check.name for check in result.checks if check.failed) == "rails"
    assert fault in suspects
    assert result.suspects[0].fault in (fault, "open@STOP.11", "open@STOP.12")
    rails = next(check for check in result.checks if check.name == "rails" and not check.joint)
    assert "CARD.STOP.12 0." in rails.evidence


def test_a_scene_says_its_own_and_nothing_that_cannot_be() -> None:
    with pytest.raises(ValueError, match=r"hold_v 4.0 must lie below close_v 3.75"):
        StopPart(hold_v=4.0)
    with pytest.raises(ValueError, match=r"wires: got .*expected exactly 11 from card"):
        StopPart(wires={"11": STOP.wires["11"]})
    assert StopPart() == STOP
    with pytest.raises(SceneError, match="stop"):
        load_scene("stop")


def test_a_plug_of_the_whole_arm_fits_its_own_socket_only(rig: Rig) -> None:
    listed = list(enumerate_faults(SCENE))
    assert "unplug@STOP" in listed
    assert not any(fault.startswith("cross@") and "STOP" in fault for fault in listed)
    with pytest.raises(FaultError, match="plugs of two sorts do not fit"):
        Injector(rig).insert("cross@IO/STOP")
    rig.hands.plug("STOP", False)
    assert not live(rig)
    assert rig.card.stop_open
    rig.hands.plug("STOP", True)
    assert not rig.card.stop_open
