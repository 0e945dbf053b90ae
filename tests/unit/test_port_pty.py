"""One port on a pseudo terminal, worked by hand: no loop, no waiting."""

from __future__ import annotations

import contextlib
import os
import select
import termios
from collections.abc import Iterator

import pytest

from dryrig.protocol.intake import OUTPUT_LIMIT
from dryrig.protocol.pty_port import PtyPort
from dryrig.protocol.station import Station


@pytest.fixture(scope="module")
def station() -> Iterator[Station]:
    with Station.build("heron", seed=1) as station:
        yield station


@pytest.fixture
def pty(station: Station) -> Iterator[PtyPort]:
    pty = PtyPort(station.ports["card"])
    yield pty
    pty.close()


def host(pty: PtyPort) -> int:
    """A host that opens the device as a plain program does: no flush, no settings."""
    return os.open(pty.address, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)


def turn(pty: PtyPort, times: int = 1) -> None:
    for _ in range(times):
        pty.turn()


def read(fd: int) -> bytes:
    try:
        return os.read(fd, 1 << 16)
    except BlockingIOError:
        return b""


def test_raw_before_anyone_opens_it(pty: PtyPort) -> None:
    fd = host(pty)
    lflag = termios.tcgetattr(fd)[3]
    assert not lflag & (termios.ECHO | termios.ICANON | termios.ISIG)
    os.write(fd, b"*TST?\n")
    turn(pty)
    assert read(fd) == b"0\n"
    os.close(fd)


def test_nobody_there_asks_for_no_polling(pty: PtyPort) -> None:
    turn(pty, 3)
    assert not pty.attached
    fd = host(pty)
    turn(pty)
    assert pty.attached
    os.close(fd)
    turn(pty)
    # A poll of a terminal nobody holds returns at once, for ever: it must not be polled.
    assert not pty.attached
    assert len(pty.wanted()) == 1  # the watch


def test_a_host_that_comes_and_goes_between_two_looks(pty: PtyPort) -> None:
    fd = host(pty)
    os.write(fd, b"STEP:COUN 7,(@1)\n")
    os.close(fd)
    turn(pty, 3)
    assert not pty.attached
    assert pty.port.rig.card.steps(0) == 7


def test_replies_nobody_read_do_not_reach_the_next_host(pty: PtyPort) -> None:
    fd = host(pty)
    os.write(fd, b"*IDN?\n" * 50)
    turn(pty)
    # Half of what follows is left unfinished, one reply is not even asked for yet.
    os.write(fd, b"*IDN?\nSYST:VE")
    os.close(fd)
    turn(pty, 3)
    fd = host(pty)
    turn(pty)
    assert read(fd) == b""
    os.write(fd, b"*TST?\n")
    turn(pty)
    assert read(fd) == b"0\n"
    os.close(fd)


def test_a_host_that_has_been_answered_leaves_and_the_next_asks_before_we_look(
    pty: PtyPort,
) -> None:
    first = host(pty)
    os.write(first, b"*IDN?\n" * 9)
    turn(pty)
    os.write(first, b"STEP:COUN 8,(@1)\nWAIT? 300\n*IDN?\nSYST:VE")
    os.close(first)
    second = host(pty)
    os.write(second, b"*TST?;:STEP:COUN? (@1)\n")
    turn(pty)
    assert read(second) == b"0;8\n"
    os.close(second)


def test_a_host_that_only_looks_does_not_spoil_the_next(pty: PtyPort) -> None:
    os.close(host(pty))
    second = host(pty)
    os.write(second, b"*TST?\n")
    turn(pty)
    assert read(second) == b"0\n"
    os.close(second)


@pytest.mark.parametrize("written", [b"", b"*TST?\n"])
def test_hosts_that_meet_on_one_terminal_are_parted(pty: PtyPort, written: bytes) -> None:
    first = host(pty)
    os.write(first, b"STEP:COUN 8,(@1)\n*IDN?\nSYST:VE")
    os.close(first)
    second = host(pty)
    os.write(second, written)
    turn(pty)
    with contextlib.suppress(OSError):  # an end of file, or an error where Linux says so
        assert os.read(second, 99) == b""
    os.close(second)
    third = host(pty)
    os.write(third, b"*TST?\n")
    turn(pty)
    assert read(third) == b"0\n"
    os.close(third)
    if not written:  # all bytes there were belonged to the first
        assert pty.port.rig.card.steps(0) == 8


def test_a_host_joins_another_and_both_read_the_replies(pty: PtyPort) -> None:
    first = host(pty)
    turn(pty)
    second = host(pty)
    os.write(second, b"*TST?\n")
    turn(pty)
    assert read(first) == read(second) == b"0\n"
    os.close(second)
    turn(pty)
    os.write(first, b"*TST?\n")
    turn(pty)
    assert read(first) == b"0\n"
    os.close(first)


def test_a_host_that_does_not_read_does_not_stop_the_other(pty: PtyPort) -> None:
    first = host(pty)
    turn(pty)
    second = host(pty)
    for _ in range(400):
        os.write(second, b"*IDN?\n" * 10)
        turn(pty)
        assert read(second).count(b"\n") == 10
    os.close(first)
    os.close(second)


def test_one_of_two_hosts_leaves(pty: PtyPort) -> None:
    first = host(pty)
    turn(pty)
    second = host(pty)
    turn(pty)
    os.write(first, b"*TST?\n")
    os.close(first)
    turn(pty)
    assert read(second) == b"0\n"
    os.close(second)


def test_hosts_that_leave_together_are_not_counted_on(pty: PtyPort) -> None:
    first = host(pty)
    turn(pty)
    second = host(pty)
    turn(pty)
    os.close(first)
    os.close(second)
    turn(pty)
    assert not pty.attached
    test_a_host_that_has_been_answered_leaves_and_the_next_asks_before_we_look(pty)


def test_half_a_line_is_not_finished_by_a_host_that_comes_and_goes(pty: PtyPort) -> None:
    fd = host(pty)
    os.write(fd, b"STEP:COUN 1")
    turn(pty)
    os.close(fd)
    turn(pty)
    fd = host(pty)
    os.write(fd, b"0,(@2)\nSTEP:COUN 3,(@1)\n")
    os.close(fd)
    turn(pty)
    assert pty.port.rig.card.steps(0) == 3
    assert pty.port.rig.card.steps(1) == 0


def test_without_a_watch_the_terminal_itself_tells(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("dryrig.protocol.watch.ctypes.CDLL", lambda *_, **__: object())
    pty = PtyPort(station.ports["card"])
    fd = host(pty)
    os.write(fd, b"*IDN?\n" * 9)
    turn(pty)
    os.close(fd)
    turn(pty, 2)
    assert not pty.attached
    assert pty.wanted() == []
    fd = host(pty)
    os.write(fd, b"*TST?\n")
    turn(pty)
    assert read(fd) == b"0\n"
    os.close(fd)
    pty.close()


def test_a_wait_of_a_host_that_left_does_not_hold_the_next(pty: PtyPort) -> None:
    fd = host(pty)
    os.write(fd, b"WAIT? 300\n*IDN?\n")
    turn(pty)
    assert pty.port.busy
    os.close(fd)
    turn(pty)
    fd = host(pty)
    turn(pty)
    assert not pty.port.busy
    os.write(fd, b"*TST?\n")
    turn(pty)
    assert read(fd) == b"0\n"
    os.close(fd)


def test_what_a_host_sent_whole_is_still_carried_out(pty: PtyPort) -> None:
    fd = host(pty)
    os.write(fd, b"STEP:COUN 1,(@1)\nWAIT? 0.1\nSTEP:COUN 2,(@1)\n")
    os.close(fd)
    turn(pty, 3)
    rig = pty.port.rig
    assert rig.card.steps(0) == 1
    rig.advance(rig.now + 12_000_000)
    assert rig.card.steps(0) == 2
    assert not pty.port.output


def test_settings_a_host_left_behind_are_undone(pty: PtyPort) -> None:
    fd = host(pty)
    turn(pty)
    settings = termios.tcgetattr(fd)
    settings[3] |= termios.ECHO | termios.ICANON
    termios.tcsetattr(fd, termios.TCSANOW, settings)
    os.close(fd)
    turn(pty)
    fd = host(pty)
    assert not termios.tcgetattr(fd)[3] & (termios.ECHO | termios.ICANON)
    os.close(fd)


def test_a_host_that_never_reads_blocks_nothing(pty: PtyPort) -> None:
    pty.port.dialect.receive(b"*CLS\n")
    fd = host(pty)
    sent = 0
    for _ in range(400):
        with contextlib.suppress(BlockingIOError):
            sent += os.write(fd, b"*IDN?\n" * 100)
        turn(pty)
        assert len(pty.port.output) < 2 * OUTPUT_LIMIT
    assert sent > 20_000
    os.close(fd)
    turn(pty, 400)
    fd = host(pty)
    turn(pty)
    os.write(fd, b"SYST:ERR?\n")
    turn(pty)
    assert read(fd) == b'-430,"Query DEADLOCKED;replies were not read and are lost"\n'
    os.close(fd)


def test_a_reply_longer_than_the_terminal_holds(pty: PtyPort) -> None:
    fd = host(pty)
    question = ";".join(["*IDN?"] * 600).encode()
    os.write(fd, question + b"\n")
    turn(pty, 2)
    reply = b""
    while piece := read(fd):
        reply += piece
        turn(pty)
    assert reply.count(b";") == 599
    assert reply.endswith(b"\n")
    os.close(fd)


def test_the_host_sees_the_end(station: Station) -> None:
    pty = PtyPort(station.ports["hands"])
    fd = host(pty)
    turn(pty)
    pty.close()
    poller = select.poll()
    poller.register(fd, select.POLLIN)
    assert dict(poller.poll(0))[fd] & select.POLLHUP
    os.close(fd)
