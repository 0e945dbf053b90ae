"""Warm motors: peak taken for RMS "slips or hot; amps, temperature" (trade practice, unpublished).

Copper's resistance rises by 0.393 % of its value at 20 deg C for each kelvin (IEC 60028, annealed
copper). Thermal figures of the Heron's motors and drives are values from memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import pytest
import serial
from scipy.integrate import solve_ivp

import dryrig  # noqa: F401 (teaches pyserial the address)
from dryrig.errors import UnknownTerminal
from dryrig.faults import Injector
from dryrig.scenes import load_scene
from dryrig.sim import TICKS_PER_S, Rig
from dryrig.sim.heating import COPPER_PER_K, Warm

SCENE = load_scene("heron")
J2, J5 = 1, 4
AMBIENT_C = SCENE.ambient_c
HALF_AN_HOUR_S = 1800.0


@pytest.fixture
def rig() -> Iterator[Rig]:
    with Rig(SCENE, 3, start_pose_deg=SCENE.rest_pose_deg) as rig:
        yield rig


def wait(rig: Rig, time_s: float) -> None:
    rig.advance(rig.now + round(time_s * TICKS_PER_S))


def case_c(rig: Rig, number: int) -> float:
    return rig.heating.motors[number].celsius(rig.now)


def steady_c(number: int, share: float = 1.0) -> float:
    """By hand: W = I2 R at 20 deg C, a rise of W Rth / (1 - W Rth x 0.393 %), air at 20 deg C."""
    motor = SCENE.joint[number].motor
    rise = (share * motor.current_a) ** 2 * motor.coil_ohm * motor.warming[0]
    return AMBIENT_C + rise / (1 - rise * COPPER_PER_K)


@pytest.mark.parametrize("watts", [0.0, 2.8, 8.0, 40.0])
def test_the_closed_form_is_what_an_integrator_finds(watts: float) -> None:
    """scipy's DOP853 on C dT/dt = W (1 + a (T - 20)) - (T - Ta) / Rth; heated, then left alone.
    At 40 W copper warms faster than air cools: the same formula runs away."""
    kelvin_per_watt, joule_per_kelvin = 11.0, 160.0
    body = Warm(AMBIENT_C, kelvin_per_watt, joule_per_kelvin, COPPER_PER_K)
    times = np.linspace(0.0, 600.0, 7)
    start, now = AMBIENT_C, 0
    for heat in (watts, 0.5 * watts, 0.0):

        def slope(_t: float, c: np.ndarray, heat: float = heat) -> np.ndarray:
            loss = (c - AMBIENT_C) / kelvin_per_watt
            return (heat * (1 + 0.00393 * (c - 20.0)) - loss) / joule_per_kelvin

        body.heat(now, heat)
        found = solve_ivp(slope, (0.0, 600.0), [start], "DOP853", times, rtol=1e-11, atol=1e-10).y[
            0
        ]
        ours = [body.celsius(now + round(t * TICKS_PER_S)) for t in times]
        assert ours == pytest.approx(found.tolist(), abs=1e-6)
        for t, celsius in zip(times[1:], found[1:], strict=True):
            if abs(celsius - start) > 1e-3:
                assert body.reaches_s(now, float(celsius)) == pytest.approx(t, rel=1e-6)
        start, now = found[-1], now + round(600.0 * TICKS_PER_S)
    assert body.reaches_s(now, 500.0) == math.inf


def test_motors_that_hold_come_to_their_steady_heat_and_cool_again(rig: Rig) -> None:
    for number in (J2, J5):
        rig.card.enable(number, True)
    wait(rig, 4 * 3600.0)
    # Conductors that are not quite nominal make the current 0.1 % less.
    assert case_c(rig, J5) == pytest.approx(steady_c(J5), abs=0.3)
    assert steady_c(J5) == pytest.approx(55.2, abs=0.1)  # 2.8 W into 11.1 K/W
    assert case_c(rig, J2) == pytest.approx(steady_c(J2), abs=0.3)
    assert case_c(rig, 0) == AMBIENT_C
    rig.card.enable(J5, False)
    time_s = math.prod(SCENE.joint[J5].motor.warming)
    wait(rig, time_s)
    cooled = AMBIENT_C + (steady_c(J5) - AMBIENT_C) / math.e
    assert case_c(rig, J5) == pytest.approx(cooled, abs=0.3)


def test_a_peak_taken_for_rms_loses_no_step_and_gets_far_too_hot(rig: Rig) -> None:
    """1.414 times the current is twice the heat; with copper's own rise more than twice."""
    Injector(rig).insert("strong@J5.MOTOR")
    joint = SCENE.joint[J5]
    rig.card.enable(J5, True)
    wait(rig, 0.2)
    before = rig.truth_deg()[J5]
    rig.card.set_rate(J5, joint.home.fast_deg_s * joint.steps_per_deg)
    rig.card.set_acceleration(J5, joint.home.acceleration_deg_s2 * joint.steps_per_deg)
    rig.card.move(J5, round(20 * joint.steps_per_deg))
    wait(rig, 2.0)
    moved = (rig.truth_deg()[J5] - before) * joint.direction
    assert moved == pytest.approx(20.0, abs=0.1)
    wait(rig, 4 * 3600.0)
    assert case_c(rig, J5) == pytest.approx(steady_c(J5, 1.414), abs=0.5)
    rises = [steady_c(J5, share) - AMBIENT_C for share in (1.0, 1.414)]
    assert rises[1] / rises[0] > 2.2
    gauge = SCENE.gauges.thermometer
    off = gauge.accuracy_c + gauge.resolution_c
    assert rig.gauges.case_c(J5) == pytest.approx(steady_c(J5, 1.414), abs=off)


def test_the_supply_shows_it_at_once(rig: Rig) -> None:
    """By hand: what copper turns into heat doubles, 0.3 A of the drive's 0.35 A."""
    read = []
    injector = Injector(rig)
    for fault in ("", "strong@J2.MOTOR"):
        if fault:
            injector.insert(fault)
        for on in (False, True):
            rig.card.enable(J2, on)
            wait(rig, 0.2)
            read.append(rig.gauges.supply_a("RAIL.24V"))
    drive = SCENE.drive
    copper_a = drive.load_a - drive.idle_a
    assert read[1] - read[0] == pytest.approx(copper_a, abs=0.02)
    assert read[3] - read[2] == pytest.approx(2 * copper_a, abs=0.02)
    with pytest.raises(UnknownTerminal, match=r"^no supply 'RAIL.0V': expected one of RAIL.24V"):
        rig.gauges.supply_a("RAIL.0V")


def test_warm_coils_read_more_ohms(rig: Rig) -> None:
    """35.2 K above 20 deg C: 13.8 % more; the drive's current does not mind while it is on."""
    motor, meter = SCENE.joint[J5].motor, SCENE.gauges.meter
    rig.card.enable(J5, True)
    wait(rig, 4 * 3600.0)
    torque = rig.drives[J5].torque_n_m
    assert torque == pytest.approx(rig.individual.holding_n_m[J5], rel=1e-2)
    rig.hands.set_main_supply(False)
    warm_ohm = motor.coil_ohm * (1 + 0.00393 * (steady_c(J5) - 20.0))
    assert warm_ohm / motor.coil_ohm == pytest.approx(1.138, abs=0.001)
    bound = warm_ohm * meter.ohm_percent / 100 + meter.ohm_counts * meter.digit_ohm
    read = rig.meter.ohms("J5.MOTOR.A+", "J5.MOTOR.A-")
    assert read == pytest.approx(warm_ohm, abs=bound)
    assert read > motor.coil_ohm + bound


def cut_out_s(amps: float) -> float:
    """By hand: 70 s x ln(rise / (rise - what is left to the limit)), rise = 0.3 ohm I2 x 35 K/W."""
    drive = SCENE.drive
    rise = drive.bridge_ohm * amps**2 * drive.kelvin_per_watt
    left = rise - (drive.trip_c - AMBIENT_C)
    return drive.kelvin_per_watt * drive.joule_per_kelvin * math.log(rise / left)


def test_a_drive_near_its_limit_cuts_out_and_comes_back_when_it_has_cooled(rig: Rig) -> None:
    Injector(rig).insert("strong@J2.MOTOR")
    off_s = cut_out_s(1.414 * SCENE.joint[J2].motor.current_a)
    assert off_s == pytest.approx(109, abs=1)
    back_s = 70.0 * math.log((SCENE.drive.trip_c - 20) / (SCENE.drive.restart_c - 20))
    began = rig.now
    rig.card.enable(J2, True)
    assert rig.pending()
    rig.advance(began + round((off_s - 1e-4) * TICKS_PER_S))
    assert rig.drives[J2].energised
    wait(rig, 2e-4)
    assert not rig.drives[J2].energised
    wait(rig, back_s - 2e-4)
    assert not rig.drives[J2].energised
    wait(rig, 2e-4)
    assert rig.drives[J2].energised
    wait(rig, 35.0)
    assert not rig.drives[J2].energised  # and so on, every 44 s
    rig.card.enable(J2, False)
    assert rig.drives[J2].hot
    wait(rig, 60.0)
    rig.card.enable(J2, True)
    assert rig.drives[J2].energised  # cooled meanwhile, and not asked for


def test_without_the_stand_what_it_holds_comes_down(rig: Rig) -> None:
    Injector(rig).insert("strong@J2.MOTOR")
    for number in range(6):
        rig.card.enable(number, True)
    wait(rig, 0.5)
    rig.hands.set_stand(False)
    before = rig.truth_deg()[J2]
    wait(rig, 107.0)
    assert rig.truth_deg()[J2] == pytest.approx(before, abs=0.01)
    wait(rig, 5.0)
    assert rig.truth_deg()[J2] < before - 10.0


def test_a_sound_arm_has_nothing_to_wait_for(rig: Rig) -> None:
    for number in range(6):
        rig.card.enable(number, True)
    wait(rig, 2.0)
    assert not rig.pending()
    for drive in rig.heating.drives:
        assert drive.reaches_s(rig.now, SCENE.drive.trip_c) == math.inf


def test_over_the_port() -> None:
    address = "dryrig://heron?seed=3&rig=warm"
    with (
        serial.serial_for_url(address, timeout=5) as card,
        serial.serial_for_url(f"{address}&port=hands", timeout=4000) as hands,
    ):
        card.write(b"DRIV:ENAB ON,(@5)\n*OPC?\n")
        card.readline()
        hands.write(b"MEAS:TEMP? (@5)\n")
        cold = float(hands.readline())
        assert cold == pytest.approx(AMBIENT_C, abs=2.5)
        hands.write(b"WAIT? 3600\n")
        hands.readline()
        hands.write(b"MEAS:TEMP? (@5)\n")
        assert float(hands.readline()) > cold + 25
