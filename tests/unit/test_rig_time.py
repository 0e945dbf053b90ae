"""Habits of programs written for a real port: each comes to its end in process."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from typing import Any

import pytest
import serial

import dryrig

URL = "dryrig://heron?seed=3"


@pytest.fixture
def card() -> Iterator[Any]:
    with serial.serial_for_url(URL, timeout=1) as port:
        port.write(b"STEP:RATE 1000;ACC 100000;MOVE 500,(@6)\n")  # 0.51 s
        yield port


def lines(port: Any) -> bytes:
    """Whatever is there, without waiting."""
    return bytes(port.read(port.in_waiting))


def test_polls_in_waiting(card: Any) -> None:
    card.write(b"*OPC?\n")
    while not card.in_waiting:
        pass
    assert lines(card) == b"1\n"


def test_polls_with_no_timeout(card: Any) -> None:
    card.timeout = 0
    card.write(b"*OPC?\n")
    got = b""
    while not got.endswith(b"\n"):
        got += card.read(64)
    assert got == b"1\n"


def test_polls_readline_with_a_short_timeout(card: Any) -> None:
    card.timeout = 0.01
    card.write(b"*OPC?\n")
    tries = 0
    while not (line := card.readline()):
        tries += 1
    assert (line, tries) == (b"1\n", 50)


def test_asks_again_and_again_whether_it_moves(card: Any) -> None:
    asked = 0
    while True:
        card.write(b"STEP:MOV? (@6)\n")
        asked += 1
        if card.readline() == b"0\n":
            break
    assert 1000 < asked < 5200


def test_sleeps_and_looks(card: Any) -> None:
    with dryrig.rig_time(card):
        card.write(b"*OPC?\n")
        time.sleep(0.6)
        assert lines(card) == b"1\n"


@pytest.mark.parametrize("name", ["monotonic", "perf_counter", "time"])
def test_a_deadline_on_the_hosts_clock(card: Any, name: str) -> None:
    with dryrig.rig_time(card):
        clock = getattr(time, name)
        begin = clock()
        card.write(b"*OPC?\n")
        while clock() < begin + 0.25 and not card.in_waiting:
            pass
        assert clock() - begin == pytest.approx(0.25, abs=0.002)


def test_a_loop_on_nothing_but_the_clock_ends(card: Any) -> None:
    with dryrig.rig_time(card):
        begin = time.monotonic_ns()
        reads = 0
        while time.monotonic_ns() - begin < 100_000_000:
            reads += 1
        # Each look costs 100 us.
        assert reads == 999


def test_polls_with_a_pause(card: Any) -> None:
    with dryrig.rig_time(card):
        begin = time.monotonic()
        card.write(b"*OPC?\n")
        while not card.in_waiting:
            time.sleep(0.05)
        assert time.monotonic() - begin == pytest.approx(0.51, abs=0.06)


def test_sleep_costs_no_wall_time_and_is_undone(card: Any) -> None:
    real = (time.sleep, time.monotonic, time.time, time.perf_counter_ns)
    before = time.perf_counter()
    with dryrig.rig_time(card):
        time.sleep(3600)
        time.sleep(0)
        with pytest.raises(ValueError, match=r"^sleep length must be non-negative$"):
            time.sleep(-1)
    assert (time.sleep, time.monotonic, time.time, time.perf_counter_ns) == real
    assert time.perf_counter() - before < 3600
    assert card.station.rig.now > 3600 * 12_000_000


def test_undone_after_a_failure(card: Any) -> None:
    real = time.sleep
    with pytest.raises(KeyError), dryrig.rig_time(card):
        raise KeyError
    assert time.sleep is real


def test_other_threads_keep_the_wall_clock(card: Any) -> None:
    seen: list[float] = []
    with dryrig.rig_time(card):
        here = time.monotonic()
        time.sleep(1000)
        thread = threading.Thread(target=lambda: seen.append(time.monotonic()))
        thread.start()
        thread.join()
        assert time.monotonic() - here > 1000
    assert seen[0] - here < 1000


def test_of_a_rig_without_bytes() -> None:
    with dryrig.open_rig(seed=3) as rig, dryrig.rig_time(rig):
        rig.joint("J6").move(100)
        time.sleep(2)
        assert not rig.joint("J6").moving
        assert rig.time_s >= 2
