"""`dryrig://` with pyserial's whole interface, on simulated time alone."""

from __future__ import annotations

import io
import subprocess
import sys
import time
from collections.abc import Iterator
from typing import Any

import pytest
import serial

import dryrig
from dryrig.sim.clock import TICKS_PER_S

CALL_S = 100e-6


@pytest.fixture
def card() -> Iterator[Any]:
    with serial.serial_for_url("dryrig://heron?seed=3", timeout=1) as port:
        yield port


def now_s(port: Any) -> float:
    return float(port.station.rig.now / TICKS_PER_S)


def ask(port: Any, text: str) -> str:
    port.write(text.encode() + b"\n")
    return bytes(port.readline()).decode().rstrip("\n")


def test_registered_with_pyserial_once_and_lightly() -> None:
    assert serial.protocol_handler_packages.count("dryrig.protocol") == 1
    loaded = (
        "import sys, dryrig, dryrig.protocol.protocol_dryrig, dryrig.protocol.served;"
        "print([m for m in ('pybullet', 'numpy', 'pydantic', 'typer') if m in sys.modules])"
    )
    out = subprocess.run(
        [sys.executable, "-c", loaded], capture_output=True, text=True, check=True, timeout=60
    )
    assert out.stdout == "[]\n"


def test_lazy_names() -> None:
    assert dryrig.load_scene("heron").name == "heron"
    assert {"DryrigError", "Rig", "Station", "open_rig", "rig_time"} < set(dryrig.__all__)
    assert all(getattr(dryrig, name) is not None for name in dryrig.__all__)
    assert all(getattr(dryrig.protocol, name) is not None for name in dryrig.protocol.__all__)
    with pytest.raises(AttributeError, match=r"^module 'dryrig' has no attribute 'rig'$"):
        dryrig.rig  # noqa: B018


def test_every_call_costs_its_rig_time(card: Any) -> None:
    calls = [
        lambda: card.in_waiting,
        lambda: card.out_waiting,
        lambda: card.write(b"*CLS\n"),
        lambda: card.read(0),
        lambda: card.cts,
        lambda: card.reset_input_buffer(),
        lambda: card.reset_output_buffer(),
        lambda: card.flush(),
        lambda: card.cancel_read(),
        lambda: setattr(card, "dtr", False),
        lambda: setattr(card, "rts", False),
        lambda: setattr(card, "timeout", 0),
        lambda: card.read(10),
        lambda: card.readline(),
    ]
    for call in calls:
        before = now_s(card)
        call()
        assert now_s(card) - before == pytest.approx(CALL_S, abs=1e-12)


def test_a_read_ends_at_its_deadline_with_what_came(card: Any) -> None:
    card.write(b"*TST?\n")
    before = now_s(card)
    assert card.read(10) == b"0\n"
    assert now_s(card) - before == pytest.approx(1.0, abs=1e-9)
    assert card.read(1) == b""
    assert now_s(card) - before == pytest.approx(2.0, abs=1e-9)


def test_a_read_ends_when_the_reply_is_there(card: Any) -> None:
    card.write(b"WAIT? 0.5\n")
    started = now_s(card)
    line = card.readline()
    assert float(line) == pytest.approx(started + 0.5, abs=1e-6)
    assert now_s(card) == pytest.approx(started + 0.5, abs=1e-6)


def test_one_deadline_for_a_line_that_comes_in_parts(card: Any) -> None:
    card.write(b"*TST?\nWAIT? 0.9\nWAIT? 0.9\n")
    before = now_s(card)
    # Two waits of 0.9 s: the second reply would come after the one deadline of this call.
    assert card.read_until(b"\nx", 100).count(b"\n") == 2
    assert now_s(card) - before == pytest.approx(1.0, abs=1e-9)


def test_read_until_and_readline(card: Any) -> None:
    card.write(b"SYST:VERS?\n*TST?\n")
    assert card.read_until(b".") == b"1999."
    assert card.readline(1) == b"0"
    assert card.readline() == b"\n"
    assert card.read_until(b"\n", 1) == b"0"
    assert card.read_all() == b"\n"
    card.write(b"*TST?\n*TST?\n")
    assert card.readlines() == [b"0\n", b"0\n"]


def test_inter_byte_timeout_counts_rig_time(card: Any) -> None:
    card.inter_byte_timeout = 0.01
    card.write(b"*TST?\n")
    before = now_s(card)
    assert card.read(10) == b"0\n"
    assert now_s(card) - before == pytest.approx(0.01 + CALL_S, abs=1e-9)


def test_a_read_that_could_wait_for_ever(card: Any) -> None:
    card.timeout = None
    card.write(b"WAIT? 300\n")
    assert card.readline() != b""
    card.write(b"*TST?")
    with pytest.raises(
        serial.SerialException,
        match=r"^this read of 'dryrig://heron\?seed=3' would wait for ever: no command waits on "
        r"the port, 0 bytes are there and no more can come; "
        r"set a timeout, or look at SYSTem:ERRor\?\n"
        r"see it again: dryrig replay \S+\.run$",
    ):
        card.read(1)


def test_an_endless_read_waits_for_an_event_that_can_come(card: Any) -> None:
    card.timeout = None
    card.write(b"EVEN:LIN ON;:STEP:MOVE 10,(@1)\n")
    assert card.readline().startswith(b"EVEN REST,1,")
    card.write(b"EVEN:LIN OFF;:STEP:MOVE 10,(@1)\n")
    with pytest.raises(serial.SerialException, match="would wait for ever"):
        card.readline()


def test_a_wait_that_ends_without_a_reply(card: Any) -> None:
    card.timeout = None
    card.write(b"STEP:MOVE 10,(@1);*WAI\n")
    with pytest.raises(serial.SerialException, match="would wait for ever"):
        card.read(1)


def test_no_wall_clock(monkeypatch: pytest.MonkeyPatch, card: Any) -> None:
    def refuse(*_: object) -> None:
        raise AssertionError("the wall clock was used")

    for name in ("sleep", "monotonic", "time", "perf_counter"):
        monkeypatch.setattr(time, name, refuse)
    monkeypatch.setattr(serial.serialutil, "Timeout", refuse)
    before = now_s(card)
    replies = [ask(card, "*TST?"), ask(card, "WAIT? 0.1"), card.read(5), card.read_until()]
    card.send_break(0.25)
    elapsed_s = now_s(card) - before
    monkeypatch.undo()
    assert replies[0] == "0"
    assert elapsed_s == pytest.approx(0.1 + 2.0 + 0.25 + 4 * CALL_S, abs=1e-6)


def test_polling_moves_time(card: Any) -> None:
    card.write(b"WAIT? 0.05\n")
    polls = 0
    while not card.in_waiting:
        polls += 1
    assert polls == 499


def test_control_lines_and_settings(card: Any) -> None:
    assert (card.cts, card.dsr, card.cd, card.ri) == (True, True, True, False)
    card.baudrate, card.parity, card.xonxoff = 115200, "E", True
    assert ask(card, "*TST?") == "0"
    with pytest.raises(io.UnsupportedOperation, match="no file descriptor"):
        card.fileno()


def test_only_bytes_are_written(card: Any) -> None:
    with pytest.raises(TypeError, match=r"^a port takes bytes, got the text '\*IDN\?': encode"):
        card.write("*IDN?")
    assert card.write(bytearray(b"*TST?\n")) == 6
    assert card.write(memoryview(b"")) == 0
    assert card.write([0x2A]) == 1


def test_a_closed_port() -> None:
    port = serial.serial_for_url("dryrig://heron?seed=3", do_not_open=True, timeout=1)
    assert not port.is_open
    for call in (port.readline, lambda: port.write(b"x"), lambda: port.in_waiting):
        with pytest.raises(serial.PortNotOpenError):
            call()
    port.open()
    with pytest.raises(serial.SerialException, match=r"^Port is already open\.$"):
        port.open()
    assert ask(port, "*TST?") == "0"
    port.close()
    port.close()
    with pytest.raises(serial.PortNotOpenError):
        port.read()


@pytest.mark.parametrize(
    ("url", "said"),
    [
        (
            "dryrig://heorn",
            "no scene 'heorn': expected one of heron, heron_brake, heron_track or the path of a "
            r"TOML file \(did you mean 'heron'\?\)",
        ),
        ("dryrig://heron?fault=open@J3.DRI", r"fault 'open@J3\.DRI': no place 'J3\.DRI' .*"),
        ("dryrig://heron?start=1,2", "start pose: got 2 angles, expected 6.*"),
        ("dryrig://heron?start=0,0,0,0,0,999", "start pose: 999.0 deg for J6 lies outside .*"),
        ("dryrig://heron?speed=1", r"'dryrig://heron\?speed=1': 'speed=1': expected .*"),
    ],
)
def test_a_port_that_cannot_be_opened(url: str, said: str) -> None:
    with pytest.raises(serial.SerialException, match=rf"^could not open port '.*': {said}$"):
        serial.serial_for_url(url)


def test_a_missing_package_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "dryrig.protocol.in_process", None)
    with pytest.raises(serial.SerialException, match=r"^could not open port .* not installed here"):
        serial.serial_for_url("dryrig://heron")


def test_ports_join_one_rig() -> None:
    url = "dryrig://heron?rig=joined"
    with (
        serial.serial_for_url(f"{url}&seed=3&fault=open@J3.DIR", timeout=1) as card,
        serial.serial_for_url(f"{url}&port=hands", timeout=1) as hands,
    ):
        assert card.station is hands.station
        assert ask(hands, "SUPP:MOT OFF;MOT?") == "0"
        assert ask(hands, "PRES (@2);:WAIT? 0.01") != ""
        assert ask(card, "SWIT:LEV? (@1:2)") == "0,1"
        assert not card.station.ports["teacher"].received
        with serial.serial_for_url(f"{url}&port=teacher", timeout=1) as teacher:
            assert ask(teacher, "FAUL:LIST?") == '"open@J3.DIR"'
        assert card.station.ports["teacher"].received_count == 11


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ("", "the card port of rig 'busy' is open already; close it first or use another rig="),
        ("&port=hands&seed=4", "rig 'busy' has seed 3, not 4; leave seed= out to join it"),
        ("&port=hands&fault=open@J3.DIR", "rig 'busy' runs already: fault= counts only for"),
        ("&port=hands&start=0,0,0,0,0,0", "rig 'busy' runs already: start= counts only for"),
    ],
)
def test_joining_what_does_not_fit(more: str, said: str) -> None:
    with (
        serial.serial_for_url("dryrig://heron?rig=busy&seed=3"),
        pytest.raises(serial.SerialException, match=said),
    ):
        serial.serial_for_url(f"dryrig://heron?rig=busy{more}")


def test_a_named_rig_ends_with_its_last_port() -> None:
    card = serial.serial_for_url("dryrig://heron?rig=brief&seed=3", timeout=1)
    hands = serial.serial_for_url("dryrig://heron?rig=brief&port=hands", timeout=1)
    assert ask(card, "STEP:COUN 5;COUN? (@1)") == "5"
    card.write(b"*TST?\nSTEP:CO")
    first = card.station
    card.close()
    # The next host finds the port clean and the card as it was left.
    card.open()
    assert card.station is first
    assert card.in_waiting == 0
    assert ask(card, "STEP:COUN? (@1)") == "5"
    card.close()
    hands.close()
    card.open()
    assert card.station is not first
    assert ask(card, "STEP:COUN? (@1)") == "0"
    card.close()


def test_same_seed_and_timed_bytes_give_the_same_replies() -> None:
    def session(seed: int) -> list[str]:
        url = f"dryrig://heron?seed={seed}&rig=twin"
        with (
            serial.serial_for_url(url, timeout=5) as card,
            serial.serial_for_url(f"{url}&port=teacher", timeout=5) as teacher,
        ):
            ask(teacher, "TRAC:STAR;HASH?")
            replies = [ask(card, "DRIV:ENAB ON;:STEP:RATE 2000;MOVE 1500;*OPC?;:ENC:COUN?")]
            replies += [ask(card, "CLOC:TIME?"), ask(teacher, "TRAC:HASH?")]
            return replies

    assert session(3) == session(3)
    assert session(3) != session(4)
