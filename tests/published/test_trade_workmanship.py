"""More of what the trade often forgets, line by line: common practice, no published source.

Under-driven opto, standstill current cut, enable jump, dry contact, cam overrun, fouling, loose
wires, back-feed by the serial cable, a port that resets the card, a level the wrong way round. The
other lines: test_trade_forgotten.py, test_trade_wear.py, test_trade_meter.py, test_motor_heat.py.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
import serial

import dryrig  # noqa: F401 (teaches pyserial the address)
from dryrig.faults import Injector
from dryrig.scenes import load_scene
from dryrig.sim import TICKS_PER_S, Rig

SCENE = load_scene("heron")
POSE = [0.0, 60.0, -90.0, 0.0, 30.0, 0.0]
J2, J3, J5 = 1, 2, 4


@contextmanager
def arm(*faults: str, pose: list[float] = POSE) -> Iterator[tuple[Rig, Injector]]:
    with Rig(SCENE, 3, start_pose_deg=pose) as rig:
        injector = Injector(rig)
        for fault in faults:
            injector.insert(fault)
        yield rig, injector


def wait(rig: Rig, time_s: float = 0.2) -> None:
    rig.advance(rig.now + round(time_s * TICKS_PER_S))


def turn(rig: Rig, joint: int, deg: float) -> str:
    rig.hands.turn(joint, deg)
    rig.run_until(lambda: not rig.hands.busy, rig.now + 60 * TICKS_PER_S)
    return rig.hands.feel(joint)


def jog(rig: Rig, joint: int, deg: float) -> float:
    part, before = SCENE.joint[joint], rig.truth_deg()[joint]
    rig.card.set_rate(joint, part.home.fast_deg_s * part.steps_per_deg)
    rig.card.set_acceleration(joint, part.home.acceleration_deg_s2 * part.steps_per_deg)
    rig.card.move(joint, round(deg * part.steps_per_deg) * part.direction)
    wait(rig, 1.0 + abs(deg) / part.home.fast_deg_s)
    return rig.truth_deg()[joint] - before


def test_an_under_driven_opto_is_dead_or_short_when_fast() -> None:
    """A drive made for 24 V on a 5 V card: at 2.5 times the resistor 3.85 V / 850 ohm = 4.5 mA,
    just above 4 mA; at 4 times 2.9 mA. Volts across the pair / ohms of it: the data sheet."""
    moved = {}
    for fault in ("", "dim@J5.DRIVE", "dim@J5.DRIVE,factor=4"):
        with arm(*([fault] if fault else [])) as (rig, _):
            rig.card.enable(J5, True)
            wait(rig)
            lit_v = rig.meter.volts("J5.ENA", "J5.OPTO0V")
            moved[fault] = jog(rig, J5, 10.0), (lit_v - 1.2) / rig.scene.drive.opto_ohm
    assert moved[""][0] == pytest.approx(10.0, abs=0.05)
    assert 0.5 < moved["dim@J5.DRIVE"][0] < 9.95
    assert moved["dim@J5.DRIVE,factor=4"][0] == pytest.approx(0.0, abs=0.05)


def test_a_standstill_current_cut_too_far_sags_after_stopping() -> None:
    with arm("idle@J2.DRIVE,current=0.1") as (rig, _):
        for joint in range(6):
            rig.card.enable(joint, True)
        wait(rig)
        rig.hands.set_stand(False)
        before = rig.truth_deg()[J2]
        part = SCENE.joint[J2]
        rig.card.set_rate(J2, 15 * part.steps_per_deg)
        rig.card.set_acceleration(J2, 80 * part.steps_per_deg)
        rig.card.move(J2, round(-2.0 * part.steps_per_deg) * part.direction)
        wait(rig, 0.6)  # 0.33 s of motion, and less than half a second after it
        assert rig.truth_deg()[J2] == pytest.approx(before - 2.0, abs=0.05)
        wait(rig, 3.0)
        assert rig.truth_deg()[J2] < before - 12.0


def test_enabling_jumps_by_two_full_steps_at_most() -> None:
    """A rotor seeks the field: half an electrical turn at most, 2 full steps, 40 counts."""
    counts = SCENE.joint[J5].encoder.counts / SCENE.joint[J5].motor.full_steps
    jumps = []
    for seed in range(4):
        with Rig(SCENE, seed, start_pose_deg=POSE) as rig:
            rig.hands.set_motor_supply(False)
            turn(rig, J5, 1.7 + 0.13 * seed)
            rig.hands.set_motor_supply(True)
            before = rig.card.count(J5)
            rig.card.enable(J5, True)
            wait(rig, 0.5)
            jumps.append(abs(rig.card.count(J5) - before))
    assert max(jumps) <= 2 * counts + 2
    assert max(jumps) > 2  # uncommanded all the same


def test_a_dry_contact_has_another_resistance_at_each_press_and_works_most_of_the_time() -> None:
    """Power off, ohms over repeated presses: decades apart, some of them an open circuit."""
    with arm("dry@J5.SW") as (rig, injector):
        seen, read = [], []
        for press in range(40):
            rig.hands.press(J5)
            wait(rig, 0.05)
            seen.append(rig.level(J5))
            if press < 12:
                rig.hands.set_main_supply(False)
                read.append(rig.meter.ohms("J5.SW.COM", "J5.SW.NO"))
                again = rig.meter.ohms("J5.SW.COM", "J5.SW.NO")
                assert again == read[-1] or again == pytest.approx(read[-1], rel=0.02, abs=0.3)
                rig.hands.set_main_supply(True)
            rig.hands.release(J5)
            wait(rig, 0.05)
        assert len({round(math.log10(max(ohm, 0.1))) for ohm in read if ohm < math.inf}) > 4
        assert 20 < sum(seen) < 40  # works, most of the time
        injector.clear()
        rig.hands.press(J5)
        wait(rig, 0.05)
        rig.hands.set_main_supply(False)
        assert rig.meter.ohms("J5.SW.COM", "J5.SW.NO") < 0.5


def test_a_cam_that_passes_beyond_lets_go_of_the_switch_near_the_stop() -> None:
    part = SCENE.joint[J5]
    pose = [*POSE[:4], part.home.switch_deg + 8.0, 0.0]
    levels = {}
    for fault in ("shift@J5.SW,deg=0.0", "overrun@J5.SW,deg=2"):
        with arm(fault, pose=pose) as (rig, _):
            rig.hands.set_motor_supply(False)
            seen = [rig.level(J5)]
            for _ in range(30):  # a slow hand sweep to the stop
                turn(rig, J5, -0.45)
                wait(rig, 0.02)
                if rig.level(J5) != seen[-1]:
                    seen.append(rig.level(J5))
            levels[fault] = seen
    assert list(levels.values()) == [[0, 1], [0, 1, 0]]


def test_a_fouling_cable_stalls_at_the_same_angle_and_a_hand_feels_it_there() -> None:
    with arm("bind@J3.GEAR,deg=-70") as (rig, _):
        rig.hands.set_motor_supply(False)
        assert turn(rig, J3, 30.0) == "STIFF"
        by_hand = rig.truth_deg()[J3]
        assert by_hand == pytest.approx(-72.0, abs=0.3)  # where the 4 deg about -70 begin
        turn(rig, J3, -15.0)
        rig.hands.set_motor_supply(True)
        rig.card.enable(J3, True)
        wait(rig)
        stalls = []
        for _ in range(2):
            jog(rig, J3, 30.0)
            stalls.append(rig.truth_deg()[J3])
            jog(rig, J3, -12.0)
        assert stalls == pytest.approx([by_hand, by_hand], abs=3.0)


@pytest.mark.parametrize(
    "fault", ["open@J5.SW.COM", "resist@J5.ENC.5V,ohm=400", "short@J5.ENC.A/J5.ENC.B"]
)
def test_bad_workmanship_comes_and_goes_with_a_wiggle(fault: str) -> None:
    """Broken in sound insulation, a clamped insulation, a whisker: ohms while it is wiggled."""
    red, black = {
        "open@J5.SW.COM": ("CARD.J5.SW.COM", "J5.SW.COM"),
        "resist@J5.ENC.5V,ohm=400": ("RAIL.5V", "J5.ENC.5V"),
        "short@J5.ENC.A/J5.ENC.B": ("J5.ENC.A", "J5.ENC.B"),
    }[fault]
    with arm(f"{fault},wiggle=1") as (rig, _):
        rig.hands.set_main_supply(False)
        still = rig.meter.ohms(red, black)
        rig.hands.wiggle(J5)
        moved = []
        for _ in range(40):
            wait(rig, 0.02)
            moved.append(rig.meter.ohms(red, black))
        wait(rig, 1.0)
        assert rig.meter.ohms(red, black) == pytest.approx(still, abs=0.5)
        changed = [ohm for ohm in moved if not math.isclose(ohm, still, rel_tol=0.1, abs_tol=1.0)]
        assert 0 < len(changed) < len(moved)


def ask(port: serial.SerialBase, text: str) -> str:
    port.write(f"{text}\n".encode())
    return port.readline().decode().strip()


def test_a_card_on_the_hosts_cable_answers_with_its_5_v_missing() -> None:
    """Back-feed: the link passes, each rail by itself tells."""
    url = "dryrig://heron?seed=3&rig=backfed&fault=blown@RAIL.5V"
    with (
        serial.serial_for_url(url, timeout=5) as card,
        serial.serial_for_url(f"{url}&port=hands", timeout=5) as hands,
    ):
        assert ask(card, "*IDN?").startswith("Dryrig,")
        assert ask(card, "SYST:ERR:COUN?") == "0"
        assert abs(float(ask(hands, 'MEAS:VOLT? "RAIL.5V","RAIL.0V"'))) < 0.05
        for rail, volts in (("RAIL.24V", 24.0), ("RAIL.3V3", 3.3)):
            read = float(ask(hands, f'MEAS:VOLT? "{rail}","RAIL.0V"'))
            assert read == pytest.approx(volts, rel=0.05)


def test_a_program_that_opens_the_port_resets_the_card() -> None:
    url = "dryrig://heron?seed=3&rig=opened"
    with serial.serial_for_url(f"{url}&port=teacher", timeout=5) as teacher:
        for fault, kept in (("", "4711"), ("autoreset@CARD", "0")):
            if fault:
                teacher.write(f'FAUL:INS "{fault}"\n'.encode())
            with serial.serial_for_url(url, timeout=5) as card:
                assert ask(card, "STEP:COUN 4711,(@1);COUN? (@1)") == "4711"
            with serial.serial_for_url(url, timeout=5) as card:
                assert ask(card, "STEP:COUN? (@1)") == kept


def test_a_level_the_wrong_way_round_shows_the_other_sign() -> None:
    """Contradictory evidence; reversed and averaged it is free of its own error."""
    with arm() as (rig, _):
        rig.gauges.zero_level()
        right = rig.gauges.level_deg(J5)
        rig.gauges.level_reversed = True
        rig.gauges.zero_level()
        assert rig.gauges.level_deg(J5) == pytest.approx(-right, abs=0.11)
