"""Bytes take their time on the card's line, and another rate is heard as garbage."""

from __future__ import annotations

import contextlib
import os
import termios
from collections.abc import Iterator

import pytest
import serial

import dryrig  # noqa: F401 - makes dryrig:// known to pyserial
from dryrig.protocol.intake import LINE_LIMIT, AsTheyCome, Lockstep
from dryrig.protocol.pty_port import PtyPort
from dryrig.protocol.rfc2217 import Settings
from dryrig.protocol.run_file import Recorder, Run
from dryrig.protocol.station import Station
from dryrig.protocol.uart import Uart, UartError

# A byte of 8N1 is 10 bits: 12,000,000 * 10 / 9600 ticks.
BYTE_9600 = 12_500


@pytest.fixture
def station() -> Iterator[Station]:
    with Station.build("heron", seed=1) as station:
        station.ports["card"].uart = Uart(9600, 0.002)
        yield station


def test_a_reply_comes_after_the_question_the_response_time_and_its_own_bytes(
    station: Station,
) -> None:
    card, rig = station.ports["card"], station.rig
    card.write(b"*TST?\n")
    rig.advance(6 * BYTE_9600 + 24_000 + BYTE_9600 - 1)
    assert card.output == b""
    assert card.busy
    rig.advance(rig.now + 1)
    assert card.output == b"0"
    rig.advance(rig.now + BYTE_9600)
    assert card.take(9) == b"0\n"
    assert not card.busy
    # A person has no line.
    station.ports["hands"].write(b"*TST?\n")
    assert station.ports["hands"].take(9) == b"0\n"


def test_a_host_at_another_rate_reads_and_writes_garbage(station: Station) -> None:
    card, rig = station.ports["card"], station.rig
    card.host_at(19200)
    card.write(b"*TST?\n")
    rig.advance(rig.now + 12_000_000)
    assert card.take(99) != b"0\n"
    card.connect()
    card.host_at(9600)
    card.write(b"\n*CLS\n*TST?\n")
    rig.advance(rig.now + 12_000_000)
    assert card.take(99) == b"0\n"
    card.write(b"*TST?\n")
    card.host_at(4800)  # the question has gone out right; the reply is sampled too slowly
    rig.advance(rig.now + 12_000_000)
    assert card.take(99) not in (b"", b"0\n")


def test_bytes_on_their_way_do_not_reach_the_next_host(station: Station) -> None:
    card, rig = station.ports["card"], station.rig
    card.write(b"*IDN?\n" * 50)
    rig.advance(rig.now + 20 * BYTE_9600)
    card.hang_up()
    card.connect()
    assert not card.busy
    card.write(b"*TST?\n")
    rig.advance(rig.now + 12_000_000)
    assert card.take(99) == b"0\n"


def test_a_host_that_is_faster_than_the_line_is_held_up(station: Station) -> None:
    card, intake = station.ports["card"], AsTheyCome()
    card.write(b" " * LINE_LIMIT)
    assert not intake.ready(card)
    station.rig.advance(station.rig.now + BYTE_9600)
    assert intake.ready(card)


def test_in_process_the_rate_of_the_address_must_be_the_port_s() -> None:
    url = "dryrig://heron?seed=1&baud=115200"
    with serial.serial_for_url(url, baudrate=115_200, timeout=1) as card:
        card.write(b"CLOC:TIME?\n")
        # 11 bytes at 1042 ticks, after the calls that opened the port and the write.
        assert float(card.readline()) == pytest.approx(11 * 1042 / 12e6, abs=1e-3)
        card.baudrate = 9600
        card.write(b"*TST?\n")
        assert card.readline() != b"0\n"
    with serial.serial_for_url(url, timeout=0.1) as card:  # 9600, pyserial's own
        card.write(b"*TST?\n")
        assert card.readline() != b"0\n"


def test_a_pty_starts_at_the_card_s_rate_and_a_program_s_own_is_seen(station: Station) -> None:
    pty = PtyPort(station.ports["card"], Lockstep())
    host = os.open(pty.address, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    os.write(host, b"*TST?\n")
    pty.turn()
    assert os.read(host, 99) == b"0\n"
    settings = termios.tcgetattr(host)
    settings[4:6] = [termios.B19200] * 2
    termios.tcsetattr(host, termios.TCSANOW, settings)
    os.write(host, b"*TST?\n")
    pty.turn()
    with contextlib.suppress(BlockingIOError):  # nothing that the card could make a line of
        assert os.read(host, 99) != b"0\n"
    os.close(host)
    pty.close()


def test_lockstep_takes_the_time_of_the_line(station: Station) -> None:
    card = station.ports["card"]
    for piece in (b"*T", b"ST?\n*TST?", b"\n"):
        Lockstep().feed(card, piece)
    assert card.take(99) == b"0\n0\n"
    assert station.rig.now == 2 * (6 * BYTE_9600 + 24_000 + 2 * BYTE_9600)


def test_a_log_with_a_line_replays(station: Station) -> None:
    recorder = Recorder(station, "heron")
    card = station.ports["card"]
    card.connect()
    for rate in (9600, 19200, 9600):
        card.host_at(rate)
        card.write(b"*IDN?\n")
        station.rig.advance(station.rig.now + 12_000_000)
    text = recorder.text()
    assert "\nuart 9600 0.002\n" in text
    assert " card host_at 19200\n" in text
    Run.parse(text).replay()


def test_by_rfc_2217_the_host_sets_its_end(station: Station) -> None:
    settings = Settings(station.ports["card"])
    assert settings.baudrate == 9600
    settings.baudrate = 19200
    station.ports["card"].write(b"*TST?\n")
    station.rig.advance(12_000_000)
    assert station.ports["card"].take(9) != b"0\n"


@pytest.mark.parametrize(
    ("baud", "response_s", "said"),
    [
        (50, 0.0, r"^baud 50: expected 300 to 4000000$"),
        (9600, 2.0, r"^response 2 s: expected 0 to 1 s$"),
    ],
)
def test_a_line_that_cannot_be(baud: int, response_s: float, said: str) -> None:
    with pytest.raises(UartError, match=said):
        Uart(baud, response_s)
