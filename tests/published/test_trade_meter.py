"""What the trade says people get wrong with a meter: common practice, no published source.

"Meter lead in amps socket or broken; chassis taken for 0 V: contradictory evidence; repeat, prove
the meter." Figures by hand from the scene's own values stand beside each check.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
import serial

import dryrig  # noqa: F401 (teaches pyserial the address)
from dryrig.faults import Injector
from dryrig.scenes import load_scene
from dryrig.sim import TICKS_PER_S, Rig
from dryrig.study.commissioned import commissioned

SCENE = load_scene("heron")
METER, CHASSIS, UNIT = SCENE.gauges.meter, SCENE.chassis, SCENE.gauges.proving
SOURCE, FIVE, ZERO = ("PROVE.+", "PROVE.-"), "RAIL.5V", "RAIL.0V"
J5 = 4


def wait(rig: Rig, time_s: float) -> None:
    rig.advance(rig.now + round(time_s * TICKS_PER_S))


@contextmanager
def bench(fault: str = "") -> Iterator[Rig]:
    with Rig(SCENE, 3, start_pose_deg=SCENE.rest_pose_deg) as rig:
        if fault:
            Injector(rig).insert(fault)
        wait(rig, 0.2)
        yield rig


def read(rig: Rig, red: str, black: str = ZERO) -> float:
    """One reading as the port takes it: the probes touch, and a while later it is read."""
    rig.meter.touch(red, black)
    wait(rig, METER.reading_s)
    return rig.meter.volts(red, black)


def right(volts: float) -> object:
    """Within the meter's own error."""
    return pytest.approx(volts, rel=METER.percent / 100, abs=METER.counts * METER.digit_v)


def test_a_sound_meter_is_proved_by_the_known_source_and_its_probes_together() -> None:
    with bench() as rig:
        assert read(rig, *SOURCE) == right(UNIT.volts)
        assert read(rig, FIVE) == right(rig.harness.look(FIVE).volt(FIVE))
        rig.hands.set_main_supply(False)
        assert rig.meter.ohms(ZERO, ZERO) <= METER.ohm_counts * METER.digit_ohm


@pytest.mark.parametrize("lead", [1, 2])
def test_a_broken_lead_reads_near_nothing_everywhere_and_drifts(lead: int) -> None:
    """2 nA of wander into 10 Mohm: 20 mV at most; 5 nA of hum into them, 35 mV RMS less some for
    the lead's capacitance."""
    with bench(f"lead@METER,lead={lead}") as rig:
        readings = [read(rig, *pair) for pair in (SOURCE, (FIVE, ZERO)) for _ in range(5)]
        assert max(map(abs, readings)) <= METER.lead_wander_a * METER.ohm + 2 * METER.digit_v
        assert max(readings) - min(readings) > 0.005
        lag = 2 * math.pi * SCENE.supplies.mains_hz * METER.ohm * 100e-12
        hum_v = METER.lead_hum_a * METER.ohm / math.hypot(1, lag) / math.sqrt(2)
        assert rig.meter.volts_ac(FIVE, ZERO) == pytest.approx(hum_v, abs=0.004)
        rig.hands.set_main_supply(False)
        for pair in ((ZERO, ZERO), ("J3.MOTOR.A+", "J3.MOTOR.A-"), ("RAIL.24V", ZERO)):
            assert rig.meter.ohms(*pair) == math.inf
            assert not rig.meter.continuous(*pair)


def test_a_bad_lead_is_right_in_volts_and_too_high_in_ohms() -> None:
    """100 ohm before 10 Mohm take 0.001 % of the volts."""
    with bench("lead@METER,ohm=100") as rig:
        assert read(rig, *SOURCE) == right(UNIT.volts)
        rig.hands.set_main_supply(False)
        coil = SCENE.joint[2].motor.coil_ohm
        assert rig.meter.ohms("J3.MOTOR.A+", "J3.MOTOR.A-") == pytest.approx(100 + coil, rel=0.01)
        assert not rig.meter.continuous(ZERO, ZERO)


def test_a_lead_in_the_amps_socket_pulls_the_rail_down_until_the_fuse_blows() -> None:
    """5 V gives 2 A at most: 0.2 V over 0.1 ohm. 2 A is four times 0.5 A; its wire melts at
    0.2 A2.s / (2 A)^2 = 50 ms (IEC 60127-2: 10 to 300 ms at four times; value from memory)."""
    with bench("amps@METER") as rig:
        held = SCENE.supplies.v5.limit_a * METER.amps_ohm
        melts_s = METER.fuse_a2s / SCENE.supplies.v5.limit_a**2
        assert 0.01 < melts_s < 0.3
        rig.trace.start()
        before = rig.harness.look(FIVE).volt(FIVE)
        rig.meter.touch(FIVE, ZERO)
        assert rig.harness.look(FIVE).volt(FIVE) == pytest.approx(held, rel=0.01)
        wait(rig, melts_s - 0.001)
        assert not rig.meter.fuse_blown
        assert rig.harness.look(FIVE).volt(FIVE) == pytest.approx(held, rel=0.01)
        wait(rig, 0.002)
        assert rig.meter.fuse_blown
        assert rig.harness.look(FIVE).volt(FIVE) == pytest.approx(before, abs=1e-6)
        # From now on it reads nothing, does nothing, and is not proved.
        for pair in ((FIVE, ZERO), SOURCE, ("RAIL.24V", ZERO)):
            assert abs(read(rig, *pair)) < 0.03
        assert rig.harness.look(FIVE).volt(FIVE) == pytest.approx(before, abs=1e-6)


def test_with_it_on_24_v_the_drives_let_go_and_what_the_card_counts_stays() -> None:
    with bench("amps@METER") as rig:
        rig.card.enable(J5, True)
        wait(rig, 0.2)
        assert rig.drives[J5].energised
        rig.meter.touch("RAIL.24V", ZERO)
        assert not rig.drives[J5].energised
        wait(rig, 0.1)  # 8 A melt the fuse within 4 ms
        assert rig.drives[J5].energised
        assert rig.meter.fuse_blown


def test_a_rail_that_gives_less_than_the_fuse_minds_stays_down_for_the_whole_reading() -> None:
    """3.3 V gives 0.6 A: 1.2 times the fuse's rating, which it carries for an hour."""
    with bench("amps@METER") as rig:
        rig.meter.touch("RAIL.3V3", ZERO)
        wait(rig, METER.reading_s - 0.001)
        assert rig.harness.look("RAIL.3V3").volt("RAIL.3V3") == pytest.approx(0.06, rel=0.01)
        wait(rig, 0.002)
        assert rig.harness.look("RAIL.3V3").volt("RAIL.3V3") > 3.2
        assert not rig.meter.fuse_blown


def test_the_lead_put_right_the_meter_is_as_it_was() -> None:
    with bench() as rig:
        injector = Injector(rig)
        injector.insert("amps@METER")
        rig.meter.touch(FIVE, ZERO)
        injector.remove("amps@METER")
        assert rig.harness.look(FIVE).volt(FIVE) > 4.9
        injector.insert("amps@METER")
        read(rig, FIVE)
        assert rig.meter.fuse_blown
        injector.remove("amps@METER")
        assert read(rig, *SOURCE) == right(UNIT.volts)
        injector.insert("amps@METER")
        assert not rig.meter.fuse_blown  # who put the lead right looked at the fuse


def test_against_the_chassis_rails_read_low_and_hum_and_between_terminals_all_is_right() -> None:
    """5.05 V x 10/(10 + 1) Mohm = 4.59 V. 10 uA of hum into 1 Mohm with 10 nF: 2.1 V RMS."""
    with bench("chassis@METER") as rig:
        share = METER.ohm / (METER.ohm + CHASSIS.ohm)
        wander_v = 2 * CHASSIS.wander_a * CHASSIS.ohm
        for rail in (FIVE, "RAIL.24V"):
            volts = rig.harness.look(rail).volt(rail)
            assert read(rig, rail) == pytest.approx(volts * share, rel=0.005, abs=wander_v)
            assert read(rig, rail, "J1.OPTO0V") == right(volts)  # the same reading again
        readings = [(wait(rig, 1.0), read(rig, FIVE))[1] for _ in range(8)]
        assert max(readings) - min(readings) > 0.01
        omega = 2 * math.pi * SCENE.supplies.mains_hz
        siemens = complex(1 / CHASSIS.ohm + 1 / METER.ohm, omega * CHASSIS.farad)
        hum_v = CHASSIS.hum_a / abs(siemens) / math.sqrt(2)
        assert hum_v == pytest.approx(2.1, abs=0.1)
        assert rig.meter.volts_ac(FIVE, ZERO) == pytest.approx(hum_v, rel=0.02)
        assert read(rig, *SOURCE) == right(UNIT.volts)  # proved, and still wrong: repeat
        rig.hands.set_main_supply(False)
        assert rig.meter.ohms("J1.OPTO0V", ZERO) == pytest.approx(CHASSIS.ohm, rel=0.02)


def test_a_conductor_on_the_chassis_takes_it_along_and_shows_nowhere_else() -> None:
    """A first short to metal that is not bonded: the chassis reads what the conductor has."""
    with bench() as rig:
        before = read(rig, "CHASSIS")
        assert abs(before) < 0.06
        Injector(rig).insert("short@J5.ENC.5V/CHASSIS")
        volts = rig.harness.look("J5.ENC.5V").volt("J5.ENC.5V")
        assert read(rig, "CHASSIS") == right(volts)
        assert rig.meter.volts_ac("CHASSIS", ZERO) < 0.01
        assert read(rig, FIVE) == right(rig.harness.look(FIVE).volt(FIVE))


def test_over_the_port_a_meter_in_the_amps_socket_costs_the_card_its_settings() -> None:
    """A card that hangs on 5 V falls into reset by the very reading that was to prove 5 V."""
    address = "dryrig://heron?seed=3&rig=amps"
    with (
        serial.serial_for_url(f"{address}&port=teacher", timeout=5) as teacher,
        serial.serial_for_url(address, timeout=5) as card,
        serial.serial_for_url(f"{address}&port=hands", timeout=5) as hands,
    ):
        teacher.write(b'FAUL:INS "amps@METER";INS "reset@CARD"\n')
        card.write(b"STEP:COUN 4711,(@1);COUN? (@1)\n")
        assert card.readline() == b"4711\n"
        hands.write(b'MEAS:VOLT? "RAIL.5V","RAIL.0V"\n')
        assert abs(float(hands.readline())) < 0.03
        card.write(b"STEP:COUN? (@1)\n")
        assert card.readline() == b"0\n"


@pytest.mark.parametrize(
    ("fault", "suspects", "told"),
    [
        ("lead@METER", ["lead@METER", "amps@METER"], "its leads together read open"),
        ("lead@METER,ohm=20", ["lead@METER"], r"it reads 9\.\d\d V; .* (19|20)\.\d ohm"),
        ("amps@METER", ["lead@METER", "amps@METER"], r"of a source of 9 V it reads -?0\.0"),
        ("chassis@METER", ["chassis@METER"], r"5 V reads 4\.\d\d V against RAIL\.0V, 5\.0\d V"),
    ],
)
def test_a_commissioning_proves_the_meter_before_it_believes_what_looks_bad(
    fault: str, suspects: list[str], told: str
) -> None:
    """Every coil of the arm open at once, every rail low at once: it is the meter."""
    result = commissioned("heron", 0, fault)
    failed = [check for check in result.checks if check.failed]
    assert len(failed) == 1
    assert re.search(told, failed[0].evidence)
    assert [suspect.fault for suspect in result.suspects] == suspects
    after = [check for check in result.checks if check.verdict == "skipped"]
    assert {check.evidence for check in after} == {
        "not done: the meter is not proved: no reading counts"
    }


@pytest.mark.parametrize("fault", ["open@J3.MOTOR.A+", "brownout@RAIL.5V", "blown@RAIL.5V"])
def test_what_is_bad_by_a_proved_meter_is_a_finding_of_the_arm(fault: str) -> None:
    result = commissioned("heron", 0, fault)
    assert not any("METER" in suspect.fault for suspect in result.suspects)
    assert any(check.failed for check in result.checks)
