"""Faults that the trade often forgets, and what shows: common practice, no published source."""

from __future__ import annotations

import math

import pytest
import serial

import dryrig  # noqa: F401 (teaches pyserial the address)
from dryrig.faults import Injector
from dryrig.faults.line import TO_HOST, LineByte
from dryrig.scenes import load_scene
from dryrig.sim import TICKS_PER_S, Rig

SCENE = load_scene("heron")
POSE = [0.0, 60.0, -90.0, 0.0, 30.0, 0.0]
J2, J3, J5 = 1, 2, 4


def wait(rig: Rig, time_s: float = 0.2) -> None:
    rig.advance(rig.now + round(time_s * TICKS_PER_S))


# --- resonance: step rate = natural frequency; stall in one speed band; sweep speed ---------------


def natural_hz(rig: Rig, number: int) -> float:
    """Acarnley, Stepping Motors: f = sqrt(p T_h / J) / 2 pi (formula from memory; Jones' is the
    same), with all that turns with the joint, seen from the shaft, and the gear's losses."""
    joint = rig.scene.joint[number]
    inertia = rig.body.mass_matrix(rig.angles_rad())[number][number] / joint.ratio**2
    held = rig.individual.holding_n_m[number] * joint.efficiency
    return math.sqrt(joint.motor.full_steps / 4 * held / inertia) / (2 * math.pi)


def lost_full_steps(number: int, fault: str, of_natural: float) -> float:
    """Full steps short after a way of 20 deg, full steps coming at so much of that frequency."""
    with Rig(SCENE, 3, start_pose_deg=POSE) as rig:
        if fault:
            Injector(rig).insert(fault)
        joint = SCENE.joint[number]
        rig.card.enable(number, True)
        wait(rig)
        rate = of_natural * natural_hz(rig, number)
        steps = round(20 * joint.steps_per_deg)
        rig.card.set_acceleration(number, joint.home.acceleration_deg_s2 * joint.steps_per_deg)
        rig.card.set_rate(number, rate * joint.microsteps)
        before = rig.truth_deg()[number]
        rig.card.move(number, steps)
        wait(rig, steps / joint.microsteps / rate + 1.0)
        moved = (rig.truth_deg()[number] - before) * joint.direction
        return (20 - moved) * joint.steps_per_deg / joint.microsteps


def test_uneven_microsteps_stall_a_joint_in_one_band_of_speed_and_nowhere_else() -> None:
    """A swing that grows is slower than a small one: the band begins below the frequency."""
    fault = "resonance@J3.DRIVE,deg=15"
    outside = {each: lost_full_steps(J3, fault, each) for each in (0.3, 0.6, 1.2, 1.5, 2.5)}
    inside = {each: lost_full_steps(J3, fault, each) for each in (0.82, 0.9, 0.95)}
    assert {each: abs(lost) < 0.5 for each, lost in outside.items()} == dict.fromkeys(outside, True)
    assert {each: abs(lost) > 3.5 for each, lost in inside.items()} == dict.fromkeys(inside, True)
    assert abs(lost_full_steps(J3, "", 0.9)) < 0.5


def test_what_resonance_takes_is_whole_turns_of_the_field() -> None:
    """The loss quantum of torque: multiples of four full steps (caught before it fell)."""
    lost = lost_full_steps(3, "resonance@J4.DRIVE,deg=15", 0.93)
    assert abs(lost) > 3.5
    assert abs(lost / 4 - round(lost / 4)) < 0.1


# --- chopper noise: cable beside motor leads; counts only when enabled; disable drives singly -----


def counts_in(rig: Rig, number: int, time_s: float) -> int:
    before = rig.card.count(number)
    wait(rig, time_s)
    return abs(rig.card.count(number) - before)


def edges_of(rig: Rig, name: str, time_s: float) -> int:
    rig.trace.start()
    wait(rig, time_s)
    rig.trace.stop()
    return next(wave.edges for wave in rig.trace.waves([name]))


def test_a_float_beside_motor_leads_counts_only_while_its_own_drive_is_on() -> None:
    """By hand: 24 V chopped have a first harmonic of 24 x 2/pi = 15.3 V peak; half of it is left
    on a pin of 100 pF behind 100 pF, far beyond 0.8 and 2.0 V. Each cycle of 20 kHz then takes the
    pin up and down; two such pins whose tones differ in phase count up to four times that."""
    with Rig(SCENE, 3, start_pose_deg=POSE) as rig:
        injector = Injector(rig)
        for fault in ("chopper@J5.ENC", "open@J5.ENC.A", "open@J5.ENC.B"):
            injector.insert(fault)
        for number in range(6):
            rig.card.enable(number, True)
        wait(rig)
        assert rig.meter.volts_ac("CARD.J5.ENC.A", "RAIL.0V") > 1.0
        assert edges_of(rig, "J5.ENC.A", 0.01) == pytest.approx(400, abs=2)
        # Where hum has shifted one of them so that its window lies within the other's, none.
        assert 100 < counts_in(rig, J5, 0.01) < 810
        for number in range(6):  # one drive after the other: only its own makes the difference
            rig.card.enable(number, False)
            wait(rig, 0.05)
            still = counts_in(rig, J5, 0.01)
            edges = edges_of(rig, "J5.ENC.A", 0.01)
            assert (edges > 390) == (number < J5)
            assert number < J5 or still <= 4  # mains hum, as on any float


def test_a_driven_input_beside_motor_leads_counts_nothing() -> None:
    """By hand: 24 V x 2/pi through 100 pF at 20 kHz is 0.19 mA, over 100 ohm 19 mV peak."""
    with Rig(SCENE, 3, start_pose_deg=POSE) as rig:
        Injector(rig).insert("chopper@J5.ENC")
        rig.card.enable(J5, True)
        wait(rig)
        assert counts_in(rig, J5, 0.5) == 0
        volts = rig.meter.volts_ac("CARD.J5.ENC.A", "RAIL.0V")
        assert volts == pytest.approx(0.192e-3 * 100.4 / math.sqrt(2), abs=0.004)


def test_an_output_that_is_pulled_up_weakly_loses_to_the_chopper() -> None:
    """100 kohm against 0.19 mA: while the output is high it is the chopper that drives the pin."""
    with Rig(SCENE, 3, start_pose_deg=POSE) as rig:
        injector = Injector(rig)
        for fault in ("chopper@J5.ENC", "slow@J5.ENC"):
            injector.insert(fault)
        wait(rig)
        rig.hands.set_motor_supply(False)
        rig.hands.turn(J5, 0.02)
        wait(rig, 0.5)
        while rig.card.count(J5) % 4 != 2 and rig.counters[J5].levels != (1, 1):
            rig.hands.turn(J5, 360 / 18 / 4000)
            wait(rig, 0.5)
        assert edges_of(rig, "J5.ENC.A", 0.01) == 0
        rig.hands.set_motor_supply(True)
        rig.card.enable(J5, True)
        wait(rig)
        assert edges_of(rig, "J5.ENC.A", 0.01) + edges_of(rig, "J5.ENC.B", 0.01) > 100
        rig.card.enable(J5, False)
        wait(rig)
        assert edges_of(rig, "J5.ENC.A", 0.01) == 0


# --- loose base: mounting; level moves when pushed; push ------------------------------------------


def test_a_loose_base_moves_the_level_when_it_is_pushed_and_the_eye_sees_nothing() -> None:
    """By hand: 12 N.m at 0.05 deg per N.m lean it by 0.6 deg, forward as the arm looks."""
    for fault, lean_deg in (("", 0.0), ("loose@BASE", 0.6)):
        with Rig(SCENE, 3, start_pose_deg=POSE) as rig:
            if fault:
                Injector(rig).insert(fault)
            rig.gauges.zero_level()
            levels, looks = {}, {}
            for way in (None, "FORWARD", "BACK", "LEFT", None):
                rig.hands.push(way)
                levels[way], looks[way] = rig.gauges.level_deg(J5), rig.gauges.look_deg(J5)
            assert levels["FORWARD"] - levels[None] == pytest.approx(-lean_deg, abs=0.06)
            assert levels["BACK"] - levels[None] == pytest.approx(lean_deg, abs=0.06)
            assert levels["LEFT"] - levels[None] == pytest.approx(0.0, abs=0.06)
            assert len(set(looks.values())) == 1


def test_a_loose_base_leans_the_more_the_further_the_arm_reaches() -> None:
    """The upper arm does not move, and yet its level does: by the weight's moment at its foot."""
    with Rig(SCENE, 3, start_pose_deg=POSE) as rig:
        Injector(rig).insert("loose@BASE,deg=0.1")
        rig.gauges.zero_level()
        before, weighed = rig.gauges.level_deg(J2), rig.body.overhang_n_m(rig.angles_rad())
        rig.hands.set_motor_supply(False)
        rig.hands.turn(J3, 90.0)
        wait(rig, 5.0)
        more_n_m = rig.body.overhang_n_m(rig.angles_rad())[0] - weighed[0]
        assert more_n_m < -2  # folded up, it reaches out less
        assert rig.gauges.level_deg(J2) - before == pytest.approx(-0.1 * more_n_m, abs=0.06)


def test_the_weights_moment_is_mass_times_way_out() -> None:
    """By hand: with J1 turned by half a turn it is the same the other way; stretched out level the
    moment at J2 is that about the base, less what lies before J2's axis: none of the Heron's."""
    with Rig(SCENE, 3, start_pose_deg=POSE) as rig:
        ahead, behind = (
            rig.body.overhang_n_m([math.radians(deg) for deg in (turn, 0, 0, 0, 0, 0)])
            for turn in (0, 180)
        )
        assert behind[0] == pytest.approx(-ahead[0], rel=1e-6)
        still = [0.0] * 6
        torque = rig.body.inverse_dynamics(still, still, still)[J2]
        assert abs(torque) == pytest.approx(ahead[0], rel=0.05)


# --- back-EMF: arm falls, joint spun; 24 V rises, supply trips; max hold -------------------------


def come_down(rig: Rig) -> list[float]:
    """Let the arm come down and hold the least and greatest of 24 V: both, and what it is then."""
    wait(rig)
    held = rig.meter.hold("RAIL.24V", "RAIL.0V", 2.0)
    rig.hands.set_stand(False)
    wait(rig, 2.1)
    assert held.complete
    return [held.low_v, held.high_v, rig.meter.volts("RAIL.24V", "RAIL.0V")]


def test_a_falling_arm_raises_24_v_where_the_supply_takes_nothing_back() -> None:
    with Rig(SCENE, 3, start_pose_deg=POSE) as sound:
        low, high, after = come_down(sound)
        assert high - low < 0.3
        assert after == pytest.approx(24, abs=0.6)
    with Rig(SCENE, 3, start_pose_deg=POSE) as rig:
        Injector(rig).insert("surge@RAIL.24V,volts=200")
        low, high, after = come_down(rig)
        assert high > 26
        assert after == pytest.approx(24, abs=0.6)
        assert rig.hands.motor_supply
    with Rig(SCENE, 3, start_pose_deg=POSE) as rig:
        Injector(rig).insert("surge@RAIL.24V,volts=26")
        low, high, after = come_down(rig)
        assert high > 26
        assert abs(after) < 0.1
        assert not rig.hands.motor_supply
        rig.hands.set_motor_supply(True)  # switched on again it is there again
        wait(rig)
        assert rig.meter.volts("RAIL.24V", "RAIL.0V") == pytest.approx(24, abs=0.6)


def test_back_emf_is_the_torque_for_each_ampere_times_the_speed() -> None:
    """By hand, SI units: Ke = Kt = T_h / I. J2: 1.8 N.m at 2.8 A is 0.643 V s; a shaft at 25 times
    90 deg/s makes 25.2 V, less two diodes 23.8 V: below a rail of 24 V, above one of 20 V."""
    for factor, rises in ((1.0, False), (20 / 24, True)):
        with Rig(SCENE, 3, start_pose_deg=POSE) as rig:
            injector = Injector(rig)
            injector.insert("surge@RAIL.24V,volts=200")
            if factor < 1:
                injector.insert(f"brownout@RAIL.24V,factor={factor}")
            wait(rig)
            rest = rig.meter.volts("RAIL.24V", "RAIL.0V")
            held = rig.meter.hold("RAIL.24V", "RAIL.0V", 1.0)
            rig.hands.turn(J2, -50.0, 90.0)
            wait(rig, 1.1)
            peak = rig.individual.holding_n_m[J2] / 2.8 * 25 * math.radians(90) - 1.4
            if rises:
                # Over 0.9 ohm of coil into some 0.25 A of drives that are off.
                assert held.high_v == pytest.approx(peak - 0.9 * 0.25, abs=0.3)
            else:
                assert held.high_v < rest + 0.1 + max(0.0, peak - rest)


# --- host: reply off by one; plausible nonsense; identify, echo, known move -----------------------


def asked(port: serial.SerialBase, *questions: str) -> list[str]:
    replies = []
    for question in questions:
        port.write(f"{question}\n".encode())
        replies.append(port.readline().decode().strip())
    return replies


def test_a_converter_that_is_one_reply_behind_gives_plausible_nonsense() -> None:
    address = "dryrig://heron?seed=3&rig=behind"
    with (
        serial.serial_for_url(f"{address}&port=teacher", timeout=5) as teacher,
        serial.serial_for_url(address, timeout=5) as card,
    ):
        questions = "*IDN?", "STEP:COUN? (@1)", "SWIT:LEV? (@1)", "SYST:ERR:COUN?", "*IDN?"
        card.write(b"STEP:COUN 4711,(@1)\n")
        right = asked(card, *questions)
        assert right[1:4] == ["4711", "0", "0"]
        teacher.write(b'FAUL:INS "behind@LINE"\n')
        assert asked(card, *questions) == [right[0], *right[:4]]
        # A program that throws away what it had not asked for yet is none the wiser.
        card.reset_input_buffer()
        assert asked(card, "STEP:COUN? (@1)") == [right[4]]
        teacher.write(b"FAUL:CLE\n")
        assert asked(card, *questions) == right


def test_noise_after_or_before_it_spoils_each_byte_once() -> None:
    """The two filters in either order; one bit of each byte, not two."""
    for order in (("noise@LINE,per=1", "behind@LINE"), ("behind@LINE", "noise@LINE,per=1")):
        with Rig(SCENE, 3) as rig:
            injector = Injector(rig)
            for fault in order:
                injector.insert(fault)
            line = injector.line
            assert line is not None
            sent = [LineByte(5, value, TO_HOST, str(value)) for value in b"ok"]
            first, held = line(sent, {})
            out, _ = line([LineByte(9, value, TO_HOST, f"{value}+") for value in b"no"], held)
            assert [byte.tick for byte in first] == [5, 5]
            assert [byte.tick for byte in out] == [9, 9]
            for byte, was in zip(out, b"ok", strict=True):
                assert (byte.value ^ was).bit_count() == 1
