"""The meter: load, floats, RMS, ohms through the whole harness, plugs, the switch of all supplies.

Symptoms are common practice, no published source; the RMS of a pulse train and of a sine, and the
low-pass of a resistor and a capacitor, are textbook closed forms (values from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest

from dryrig.errors import LiveCircuit, UnknownPlug, UnknownTerminal
from dryrig.faults import Injector
from dryrig.scenes import load_scene
from dryrig.sim import TICKS_PER_S, Rig

SCENE = load_scene("heron")
METER = SCENE.gauges.meter
PIN = "CARD.J5.SW.COM"
GROUND = "RAIL.0V"


@pytest.fixture
def rig() -> Iterator[Rig]:
    with Rig(SCENE, 3, start_pose_deg=SCENE.rest_pose_deg) as rig:
        yield rig


def later(rig: Rig, seconds: float) -> None:
    rig.advance(rig.now + round(seconds * TICKS_PER_S))


def dead(rig: Rig) -> Rig:
    rig.hands.set_main_supply(False)
    return rig


# --- volts -----------------------------------------------------------------------------------


def test_a_float_wanders_near_zero_and_is_pulled_there_by_the_meter_itself(rig: Rig) -> None:
    Injector(rig).insert("open@J5.SW.COM")
    bias_v = rig.harness.look(PIN).volt(PIN)
    assert bias_v > 0.1  # what its leakage alone would raise it to
    readings = []
    for _ in range(20):
        later(rig, 0.7)
        readings.append(rig.meter.volts(PIN, GROUND))
    assert max(readings) - min(readings) > 0.01  # it drifts
    assert max(map(abs, readings)) < 0.1  # 10 Mohm against 500 Mohm
    sound = [rig.meter.volts("CARD.J4.SW.COM", GROUND) for _ in range(20)]
    assert max(map(abs, sound)) <= METER.digit_v * METER.counts


def test_a_test_resistor_moves_a_float_and_not_a_sound_ground(rig: Rig) -> None:
    rail = rig.meter.volts("RAIL.3V3", GROUND)
    rig.hands.put_clip((PIN, "RAIL.3V3"))
    assert abs(rig.meter.volts(PIN, GROUND)) < 0.01
    assert rig.level(4) == 0
    Injector(rig).insert("open@J5.SW.COM")
    assert rig.meter.volts(PIN, GROUND) == pytest.approx(rail, abs=0.02)
    later(rig, 0.001)  # 10 kohm and the input's capacitance take their time
    assert rig.level(4) == 1  # the card sees what the person clipped on
    rig.hands.put_clip(None)
    assert abs(rig.meter.volts(PIN, GROUND)) < 0.1


def test_a_clip_on_nothing_is_refused_and_changes_nothing(rig: Rig) -> None:
    with pytest.raises(UnknownTerminal, match=r"did you mean 'J5.SW.COM'"):
        rig.hands.put_clip(("J5.SW.CON", GROUND))
    assert rig.hands.clip is None


def test_hum_of_a_float_is_the_rms_of_a_current_into_resistor_and_capacitor(rig: Rig) -> None:
    Injector(rig).insert("open@J5.SW.COM")
    ohm = 1 / (1 / METER.ohm + 1 / SCENE.card.input_leak_ohm)
    lag = 2 * math.pi * SCENE.supplies.mains_hz * ohm * SCENE.card.input_farad
    wanted = SCENE.card.hum_a * ohm / math.hypot(1, lag) / math.sqrt(2)
    bound = wanted * METER.ac_percent / 100 + METER.ac_counts * METER.digit_v
    assert rig.meter.volts_ac(PIN, GROUND) == pytest.approx(wanted, abs=bound)
    assert rig.meter.volts_ac("CARD.J4.SW.COM", GROUND) <= METER.ac_counts * METER.digit_v


def test_hum_of_two_floats_tied_together_is_one_of_their_sum(rig: Rig) -> None:
    injector = Injector(rig)
    injector.insert("open@J5.SW.COM")
    injector.insert("open@J4.SW.COM")
    parts = rig.harness.parts.copy()
    parts.bridge(PIN, "CARD.J4.SW.COM", 1.0)
    rig.fit(parts)
    one, other = (rig.pins[name].hum() for name in (PIN, "CARD.J4.SW.COM"))
    siemens = 1 / METER.ohm + 2 / SCENE.card.input_leak_ohm + one[1] + other[1]
    wanted = abs((one[0] + other[0]) / siemens) / math.sqrt(2)
    assert rig.meter.volts_ac(PIN, GROUND) == pytest.approx(wanted, rel=0.02, abs=0.003)


@pytest.mark.parametrize("rate", [2000.0, 20000.0, 100000.0])
def test_pulses_show_their_mean_and_the_rms_of_what_swings_about_it(rig: Rig, rate: float) -> None:
    rig.hands.plug("J4.INPUTS", False)  # nothing moves: only the pulses count
    rig.card.set_rate(3, rate)
    rig.card.set_acceleration(3, 1e6)
    rig.card.run(3, 1)
    later(rig, 0.5)
    share = rate * SCENE.card.pulse_s
    high = rig.individual.rail_volts["RAIL.5V"]
    mean, swing = high * share, high * math.sqrt(share * (1 - share))
    assert rig.meter.volts("CARD.J4.STEP", GROUND) == pytest.approx(mean, rel=0.02, abs=0.003)
    assert rig.meter.volts_ac("CARD.J4.STEP", GROUND) == pytest.approx(swing, rel=0.02, abs=0.003)


def test_hold_keeps_the_least_and_the_greatest_of_a_time(rig: Rig) -> None:
    held = rig.meter.hold(PIN, GROUND, 3.0)
    later(rig, 1.0)
    rig.hands.press(4)
    later(rig, 1.0)
    rig.hands.release(4)
    assert not held.complete
    later(rig, 1.1)
    assert held.complete
    assert (held.low_v, held.high_v) == (pytest.approx(0, abs=0.01), pytest.approx(3.3, abs=0.1))


# --- ohms ------------------------------------------------------------------------------------


@pytest.mark.parametrize("read", ["ohms", "continuous"])
def test_ohms_on_a_live_circuit_are_refused_with_the_caution(rig: Rig, read: str) -> None:
    with pytest.raises(LiveCircuit, match=r"^ohms on a live circuit: .*lock, wait, prove.*dead"):
        getattr(rig.meter, read)("J3.MOTOR.A+", "J3.MOTOR.A-")


def test_a_coil_pair_and_its_leads(rig: Rig) -> None:
    coil = SCENE.joint[2].motor.coil_ohm
    bound = coil * METER.ohm_percent / 100 + METER.ohm_counts * METER.digit_ohm
    dead(rig)
    at_motor = rig.meter.ohms("J3.MOTOR.A+", "J3.MOTOR.A-")
    assert at_motor == pytest.approx(coil, abs=bound)
    leads = sum(rig.individual.wire_ohm[f"J3.MOTOR.A{end}"] for end in "+-")
    at_drive = rig.meter.ohms("CARD.J3.MOTOR.A+", "CARD.J3.MOTOR.A-")
    assert at_drive == pytest.approx(coil + leads, abs=bound)
    assert rig.meter.ohms("CARD.J3.MOTOR.A+", "CARD.J3.MOTOR.B+") == math.inf
    assert rig.meter.ohms("CARD.J3.MOTOR.A+", GROUND) == math.inf  # an unpowered bridge blocks
    assert rig.meter.continuous("J3.MOTOR.A+", "J3.MOTOR.A-")


def test_an_open_coil_reads_open_and_crossed_coils_read_across(rig: Rig) -> None:
    injector = Injector(dead(rig))
    injector.insert("open@J3.MOTOR.A+")
    assert rig.meter.ohms("CARD.J3.MOTOR.A+", "CARD.J3.MOTOR.A-") == math.inf
    injector.clear()
    injector.insert("swap@J3.MOTOR.A-/J3.MOTOR.B-")  # CP8
    assert rig.meter.ohms("CARD.J3.MOTOR.A+", "CARD.J3.MOTOR.A-") == math.inf
    assert rig.meter.continuous("CARD.J3.MOTOR.A+", "CARD.J3.MOTOR.B-")


def test_resistance_in_a_switch_common_shows_with_the_plug_out(rig: Rig) -> None:
    Injector(dead(rig)).insert("resist@J5.SW.COM,ohm=4700")  # CP20
    rig.hands.plug("J5.SW", False)
    reading = rig.meter.ohms(PIN, "PLUG.J5.SW.COM")
    assert reading == pytest.approx(4700, rel=METER.ohm_percent / 100, abs=METER.ohm_counts)
    assert not rig.meter.continuous(PIN, "PLUG.J5.SW.COM")
    assert rig.meter.ohms(PIN, "J5.SW.COM") == math.inf


def test_ohms_over_a_rail_see_everything_on_it(rig: Rig) -> None:
    """Six encoders of 5 V / 30 mA in parallel, each behind its own two wires, and the gripper."""
    dead(rig)
    wires = rig.individual.wire_ohm
    encoder = SCENE.supplies.v5.volts / SCENE.encoder.supply_a
    siemens = sum(
        1 / (encoder + wires[f"J{n}.ENC.5V"] + wires[f"J{n}.ENC.0V"]) for n in range(1, 7)
    )
    rig.hands.plug("IO", False)
    assert rig.meter.ohms("RAIL.5V", GROUND) == pytest.approx(1 / siemens, rel=0.01, abs=0.2)
    for n in range(1, 7):
        rig.hands.plug(f"J{n}.ENC", False)
    rig.hands.plug("IO", True)
    gripper = SCENE.gripper
    assert gripper is not None
    servo = SCENE.supplies.v5.volts / gripper.idle_a
    idle = 1 / (1 / servo + 1 / gripper.pot_ohm)
    assert rig.meter.ohms("RAIL.5V", GROUND) == pytest.approx(idle, rel=0.01, abs=0.2)
    rig.hands.plug("IO", False)
    assert rig.meter.ohms("RAIL.5V", GROUND) == math.inf


def test_overload_begins_above_the_last_range(rig: Rig) -> None:
    dead(rig)
    rig.hands.plug("J5.SW", False)
    sound = rig.harness.parts
    for ohm, shown in ((METER.limit_ohm * 0.99, True), (METER.limit_ohm * 1.01, False)):
        parts = sound.copy()
        parts.bridge("J5.SW.COM", "J5.SW.NO", ohm)
        rig.fit(parts)
        assert math.isfinite(rig.meter.ohms("J5.SW.COM", "J5.SW.NO")) is shown


# --- plugs and supplies ----------------------------------------------------------------------


def test_a_plug_stays_out_while_faults_come_and_go(rig: Rig) -> None:
    injector = Injector(rig)
    rig.hands.plug("J5.SW", False)
    injector.insert("resist@J5.SW.COM,ohm=100")
    dead(rig)
    assert rig.hands.plugs_out == ["J5.SW"]
    assert rig.meter.ohms(PIN, "J5.SW.COM") == math.inf
    injector.clear()
    assert rig.meter.ohms(PIN, "J5.SW.COM") == math.inf
    rig.hands.plug("J5.SW", True)
    assert rig.meter.continuous(PIN, "J5.SW.COM")
    assert rig.hands.plugs_out == []


def test_crossed_plugs_are_pulled_at_the_part_they_sit_in(rig: Rig) -> None:
    Injector(dead(rig)).insert("swap@J2.ENC.A/J3.ENC.A")
    rig.hands.plug("J3.ENC", False)
    assert rig.meter.continuous("CARD.J2.ENC.A", "PLUG.J2.ENC.A")
    assert rig.meter.ohms("CARD.J2.ENC.A", "J3.ENC.A") == math.inf
    assert rig.meter.continuous("CARD.J3.ENC.A", "J2.ENC.A")


def test_an_encoder_without_its_plug_counts_nothing(rig: Rig) -> None:
    rig.hands.plug("J5.ENC", False)
    before = rig.card.count(4)
    rig.hands.turn(4, 5.0)
    later(rig, 2.0)
    assert abs(rig.card.count(4) - before) <= 1
    rig.hands.plug("J5.ENC", True)
    rig.hands.turn(4, -5.0)
    later(rig, 2.0)
    assert abs(rig.card.count(4) - before) == pytest.approx(5 * 18 * 4000 / 360, abs=2)


def test_a_drive_without_its_input_plug_or_supply_plug_is_limp(rig: Rig) -> None:
    for name in ("J5.INPUTS", "J5.DRIVE"):
        rig.card.enable(4, True)
        assert rig.drives[4].energised
        rig.hands.plug(name, False)
        assert not rig.drives[4].energised
        rig.hands.plug(name, True)
        assert rig.drives[4].energised


def test_there_is_no_such_plug(rig: Rig) -> None:
    with pytest.raises(UnknownPlug, match=r"^no plug 'J5.EMC': .*\(did you mean 'J5.ENC'\?\)$"):
        rig.hands.plug("J5.EMC", False)


def test_the_main_switch_takes_all_rails_and_the_card_still_answers(rig: Rig) -> None:
    rig.card.enable(4, True)
    rig.hands.set_main_supply(False)
    for rail in ("RAIL.24V", "RAIL.5V", "RAIL.3V3"):
        assert abs(rig.meter.volts(rail, GROUND)) <= METER.digit_v * METER.counts
    assert not rig.drives[4].energised
    assert rig.level(4) == 0
    assert rig.hands.motor_supply
    rig.hands.set_main_supply(True)
    assert rig.drives[4].energised
    assert rig.meter.volts("RAIL.24V", GROUND) > 23
    assert rig.meter.volts("CARD.J5.ENA", GROUND) > 4.0
