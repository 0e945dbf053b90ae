"""A rig as Python, without bytes; and one thread for each rig."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest
import serial

import dryrig
from dryrig import DryrigError
from dryrig.scenes import load_scene

REST = (0.0, 60.0, -90.0, 0.0, 30.0, 0.0)


def test_homes_a_joint_without_a_byte() -> None:
    with dryrig.open_rig("heron", seed=3, start_pose_deg=REST) as rig:
        j5 = rig.joint("J5")
        j5.enabled, j5.rate, j5.acceleration = True, 2000, 30000
        j5.halt_on("RISE")
        j5.move(30000)
        assert j5.moving
        assert rig.wait_still(timeout_s=30)
        latch = j5.latch
        assert (latch.hit, j5.level, j5.moving) == (True, 1, False)
        assert latch.step == pytest.approx(j5.steps - 67, abs=2)  # 2000² / (2 x 30000)
        # 1.25 counts a step; enabling pulls the rotor by up to two full steps, 40 counts.
        assert abs(j5.counts) == pytest.approx(1.25 * j5.steps, abs=45)
        j5.steps -= latch.step
        j5.counts = 7
        assert (j5.steps, j5.counts) == (pytest.approx(67, abs=2), 7)
        # J5's switch sits at -99 degrees, give or take its bracket.
        assert rig.truth_deg[4] == pytest.approx(-99, abs=4)


def test_pins() -> None:
    with dryrig.open_rig(seed=3, start_pose_deg=REST) as rig:
        j6 = rig.joints[5]
        assert j6.pins()["SW"] == 0
        rig.hands.press(5)
        assert rig.wait(0.1)
        j6.enabled = True
        j6.move(-1)
        assert {name: j6.pins()[name] for name in ("SW", "ENA", "DIR")} == {
            "SW": 1,
            "ENA": 1,
            "DIR": 0,
        }
        rig.wait_still(1)
        seen = set()
        for _ in range(8):
            j6.move(1)
            rig.wait_still(1)
            rig.sleep(0.05)
            seen.add((j6.pins()["ENC.A"], j6.pins()["ENC.B"]))
        # Eight microsteps are ten counts: all four states of a quadrature pair.
        assert len(seen) == 4


def test_time_moves_in_calls_only() -> None:
    with dryrig.open_rig() as rig:
        assert rig.time_s == 0
        rig.sleep(1.5)
        assert rig.time_s == pytest.approx(1.5, abs=1e-6)
        assert not rig.wait(0.5)
        assert rig.wait_still(10)
        assert rig.time_s == pytest.approx(2.0, abs=1e-6)
        j1 = rig.joint("J1")
        j1.jog(100)
        assert not rig.wait_still(0.5)
        j1.jog(0)
        assert rig.wait(1)
        assert not j1.moving
        with pytest.raises(ValueError, match=r"^sleep -1 s: expected 0 or more$"):
            rig.sleep(-1)


def test_faults_meter_and_gauges() -> None:
    with dryrig.open_rig(seed=1, faults=["open@J5.SW.COM"], start_pose_deg=REST) as rig:
        assert rig.faults.listed() == ["open@J5.SW.COM"]
        rig.faults.clear()
        assert rig.meter.volts("RAIL.5V", "RAIL.0V") == pytest.approx(5.05, rel=0.03)
        assert rig.gauges.look_deg(1) == 60
        rig.hands.press_stop(True)
        assert not rig.hands.motor_supply


def test_the_second_card_and_its_gripper() -> None:
    """Times and forces by hand: stroke by speed, the servo's own force on what it presses."""
    with dryrig.open_rig("heron", seed=3) as rig:
        io, part = rig.io, load_scene("heron").gripper
        assert part is not None
        assert list(io.inputs) == ["DI1", "DI2"]
        io.servo_width_s, io.servo_on = 2e-3, True
        rig.sleep(2)
        assert rig.gripper.gap_mm() == pytest.approx(part.stroke_mm)
        assert io.inputs["DI2"] == 1  # open
        opened_v = io.analog_v["AI1"]
        rig.gripper.put_object(20)
        io.servo_width_s = 1e-3
        assert rig.wait(2)  # the contact for open fingers lets go
        assert rig.wait(2)  # the pad's contact
        assert io.inputs == {"DI1": 1, "DI2": 0}
        rig.sleep(1)
        assert rig.gripper.force_n() == pytest.approx(part.force_n)
        assert io.analog_v["AI1"] < opened_v / 2
        io.put("DO1", True)
        assert io.outputs["DO1"]
        assert rig.gripper.lamp_lit()
        with pytest.raises(ValueError, match=r"^servo width 0.1 s: expected 0.0005 to 0.0025 s$"):
            io.servo_width_s = 0.1
        with pytest.raises(DryrigError, match=r"^no output 'DO9': expected one of DO1.* mean 'DO"):
            io.put("DO9", True)


def test_ports_of_the_same_rig() -> None:
    with dryrig.open_rig(seed=3, name="both") as rig:
        card = rig.port()
        card.write(b"STEP:COUN 9,(@2)\n")
        card.write(b"STEP:COUN? (@2)\n")
        assert card.readline() == b"9\n"
        assert rig.joint("J2").steps == 9
        # What the direct face does is noticed by the registers of a session too.
        card.write(b"*CLS\n")
        rig.joint("J2").move(2)
        rig.wait_still(1)
        card.write(b"STAT:OPER?\n")
        assert card.readline() == b"256\n"
        with serial.serial_for_url("dryrig://heron?rig=both&port=hands", timeout=1) as hands:
            hands.write(b"STOP?\n")
            assert hands.readline() == b"0\n"
        with pytest.raises(DryrigError, match=r"^rig 'both' is open already; close it first"):
            dryrig.open_rig(name="both")
    assert not card.is_open
    for use in (rig.port, lambda: rig.joint("J2").steps, lambda: rig.time_s):
        with pytest.raises(DryrigError, match=r"^rig 'both' is closed: open another with open_rig"):
            use()
    rig.close()


@pytest.mark.parametrize(
    ("use", "said"),
    [
        (lambda rig: rig.joint("J7"), r"^no joint 'J7': expected one of J1, .*did you mean 'J"),
        (lambda rig: rig.port("cards"), r"^no port 'cards': .*\(did you mean 'card'\?\)$"),
        (lambda rig: rig.faults.insert("opn@J1.DIR"), r"did you mean 'open'"),
    ],
)
def test_what_there_is_none_of(use: Callable[[dryrig.DirectRig], object], said: str) -> None:
    with dryrig.open_rig() as rig, pytest.raises(DryrigError, match=said):
        use(rig)


def test_a_scene_or_fault_that_cannot_be() -> None:
    with pytest.raises(DryrigError, match=r"did you mean 'heron'"):
        dryrig.open_rig("herno")
    with pytest.raises(DryrigError, match=r"no place 'J9.DIR'"):
        dryrig.open_rig(faults=["open@J9.DIR"])


def elsewhere(action: Callable[[], object]) -> BaseException | None:
    """What a second thread's call raised."""
    caught: list[BaseException] = []

    def work() -> None:
        try:
            action()
        except Exception as error:
            caught.append(error)

    thread = threading.Thread(target=work, name="reader")
    thread.start()
    thread.join()
    return caught[0] if caught else None


WAY_OUT = (
    r"this rig belongs to the thread that opened it, 'MainThread', and 'reader' may not use it: "
    r".*use all its ports in one thread, or run `dryrig serve` and open the devices it prints"
)


def test_a_second_thread_is_told_the_way_out() -> None:
    url = "dryrig://heron?rig=threads"
    with serial.serial_for_url(url, timeout=1) as card:
        for action in (
            card.readline,
            lambda: card.write(b"*TST?\n"),
            lambda: card.in_waiting,
            lambda: serial.serial_for_url(f"{url}&port=hands"),
        ):
            error = elsewhere(action)
            assert isinstance(error, serial.SerialException)
            with pytest.raises(serial.SerialException, match=WAY_OUT):
                raise error
        # Its own thread goes on as before.
        card.write(b"*TST?\n")
        assert card.readline() == b"0\n"
    with dryrig.open_rig() as rig:
        error = elsewhere(lambda: rig.sleep(1))
    assert isinstance(error, DryrigError)
    with pytest.raises(DryrigError, match=WAY_OUT):
        raise error


def test_a_rig_of_a_threads_own() -> None:
    def work() -> None:
        with dryrig.open_rig() as rig:
            rig.sleep(1)
            port = rig.port()
            port.write(b"*TST?\n")
            assert port.readline() == b"0\n"

    assert elsewhere(work) is None


def test_no_replay_is_offered_for_what_no_byte_did() -> None:
    with dryrig.open_rig() as rig:
        port = rig.port(timeout=None)
        port.write(b"*CLS\n")
        rig.joint("J1").steps = 5
        with pytest.raises(serial.SerialException, match=r"or look at SYSTem:ERRor\?$"):
            port.readline()
