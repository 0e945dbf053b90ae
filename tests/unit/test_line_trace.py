"""The card's serial line in a trace: each bit at its tick, with or without a rate."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from dryrig.protocol.intake import Lockstep
from dryrig.protocol.station import Station
from dryrig.protocol.uart import Uart

BIT = 1250  # of 9600 baud, in ticks of 1/12,000,000 s
FRAME = 1042  # 10 bits of 115,200 baud, rounded up
LATER = 12_000


@pytest.fixture
def station() -> Iterator[Station]:
    with Station.build("heron", seed=1) as station:
        station.rig.advance(LATER)
        station.rig.trace.start()
        yield station


def edges(station: Station, wire: str) -> list[tuple[int, int]]:
    """Ticks and levels since the trace began."""
    station.rig.advance(station.rig.now + 12_000_000)
    wave = station.rig.trace.signals().wave(wire)
    return list(zip((wave.ticks - LATER).tolist(), wave.values.tolist(), strict=True))


def test_each_bit_takes_its_time(station: Station) -> None:
    """By hand: 'U' is 0x55, so start, eight bits and stop alternate; NL is 0x0A, 0 0101 0000 1."""
    card = station.ports["card"]
    card.uart = Uart(9600)
    station.rig.advance(2 * LATER)
    card.write(b"U\n")
    first = [(LATER + n * BIT, n % 2) for n in range(10)]
    second = [(LATER + n * BIT, level) for n, level in ((10, 0), (12, 1), (13, 0), (14, 1))]
    more = [(LATER + n * BIT, level) for n, level in ((15, 0), (19, 1))]
    assert edges(station, "LINE.RX") == [(0, 1), *first, *second, *more]
    assert edges(station, "LINE.TX") == [(0, 1)]


def test_in_lockstep_a_question_stands_where_its_bytes_took_time(station: Station) -> None:
    Lockstep().feed(station.ports["card"], b"*TST?\n")
    rx, tx = edges(station, "LINE.RX"), edges(station, "LINE.TX")
    starts = {n * FRAME for n in range(6)}
    assert starts <= {tick for tick, level in rx if not level}
    assert tx[1] == (6 * FRAME, 0)  # "0" is answered when the newline has come


def test_a_line_without_a_rate_is_drawn_up_to_the_arrival(station: Station) -> None:
    card, rig = station.ports["card"], station.rig
    rig.advance(rig.now + 20 * FRAME)
    card.write(b"*TST?\n")
    card.write(b"*TST?\n")  # no room before now: after the first
    rx, tx = edges(station, "LINE.RX"), edges(station, "LINE.TX")
    assert rx[1] == (14 * FRAME, 0)
    assert {(14 + n) * FRAME for n in range(12)} <= {tick for tick, level in rx if not level}
    assert tx[1] == (20 * FRAME, 0)


def test_a_trace_s_hash_is_the_arm_s_alone(station: Station) -> None:
    trace = station.rig.trace
    before = trace.edges, trace.digest()
    station.ports["card"].write(b"*IDN?\n")
    assert len(edges(station, "LINE.TX")) > 100
    assert (trace.edges, trace.digest()) == before


def test_a_byte_that_nobody_is_there_to_get_is_not_drawn(station: Station) -> None:
    card = station.ports["card"]
    card.uart = Uart(9600)
    card.write(b"*IDN?\n")
    station.rig.advance(station.rig.now + 10 * 10 * BIT)
    card.hang_up()
    (*_, (last, level)) = edges(station, "LINE.TX")
    assert (last <= 10 * 10 * BIT, level) == (True, 1)
