"""Modbus RTU against published figures.

Sources. CRC: public repository hyller/GladiatorTool, whose document works `02 07` to 1241h, sent
as 41 12; check value of "123456789" by the CRC's definition (init FFFF, polynomial A001
reflected). Gaps: a public answer that quotes MODBUS over Serial Line V1.02, page 13 (1.5 and 3.5
characters of 11 bits; 750 us and 1.750 ms above 19200 baud); the figures at 9600 and 19200 follow
from it. Sizes and the form of an exception (code + 80h): cnblogs 5296105. Exception codes 01, 02,
03 and 06: values from memory; sigrok's decoder calls them by the same names
(tests/peers/test_sigrok_modbus.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial

import pytest

from dryrig.protocol.modbus import ModbusDialect, crc16, gaps_s, with_crc
from dryrig.protocol.station import Station
from dryrig.sim.clock import TICKS_PER_S

# Any request of one unit with a reply: "how many axes" of unit 1.
REQUEST = with_crc(bytes.fromhex("01 04 0004 0001"))
REPLY = with_crc(bytes.fromhex("01 04 02 0006"))


def test_the_worked_crc() -> None:
    assert crc16(bytes.fromhex("02 07")) == 0x1241
    assert with_crc(bytes.fromhex("02 07")).hex(" ") == "02 07 41 12"
    assert crc16(b"123456789") == 0x4B37
    assert crc16(bytes.fromhex("02 07 41 12")) == 0


@pytest.mark.parametrize(
    ("baud", "within_ms", "between_ms"),
    [
        (9600, 1.719, 4.010),
        (19200, 0.859, 2.005),
        (38400, 0.750, 1.750),
        (115200, 0.750, 1.750),
    ],
)
def test_the_gaps(baud: int, within_ms: float, between_ms: float) -> None:
    assert [gap * 1e3 for gap in gaps_s(baud)] == pytest.approx([within_ms, between_ms], abs=6e-4)


class Line:
    """A unit on a line of its own, its bytes put on it at chosen times."""

    def __init__(self, station: Station, **options: int | bool) -> None:
        self.rig = station.rig
        make: Callable[..., ModbusDialect] = partial(ModbusDialect, **options)
        self.dialect = make(station.rig, lambda tick: station.rig.at(tick, self._poll))
        self.replies: list[tuple[int, bytes]] = []
        self.dialect.reset()

    def _poll(self) -> None:
        reply = self.dialect.poll()
        if reply:
            self.replies.append((self.rig.now, reply))

    def send(self, data: bytes) -> None:
        assert self.dialect.receive(data) == b""

    def after(self, microseconds: float) -> None:
        self.rig.advance(self.rig.now + round(microseconds * TICKS_PER_S / 1e6))

    def answers(self) -> list[bytes]:
        self.after(10_000)
        answers = [reply for _, reply in self.replies]
        self.replies.clear()
        return answers


@pytest.fixture(scope="module")
def station() -> Iterator[Station]:
    with Station.build("heron", seed=1) as station:
        yield station


@pytest.mark.parametrize(("baud", "end_us"), [(9600, 4010.42), (19200, 2005.21), (115200, 1750)])
def test_a_reply_follows_the_silence_that_ends_a_frame(
    station: Station, baud: int, end_us: float
) -> None:
    line = Line(station, baud=baud)
    began = line.rig.now
    line.send(REQUEST)
    assert line.dialect.busy
    line.after(end_us - 1)
    assert line.replies == []
    line.after(2)
    assert [reply for _, reply in line.replies] == [REPLY]
    assert (line.replies[0][0] - began) / TICKS_PER_S * 1e6 == pytest.approx(end_us, abs=0.1)
    assert not line.dialect.busy


@pytest.mark.parametrize(
    ("baud", "within_us", "end_us"),
    [(9600, 1718.75, 4010.42), (19200, 859.375, 2005.21), (115200, 750, 1750)],
)
def test_a_silence_within_a_frame(
    station: Station, baud: int, within_us: float, end_us: float
) -> None:
    line = Line(station, baud=baud)
    for gap_us, answered in ((within_us - 1, True), (within_us + 1, False), (end_us - 1, False)):
        line.send(REQUEST[:5])
        line.after(gap_us)
        line.send(REQUEST[5:])
        assert line.answers() == ([REPLY] if answered else [])
    # After t3.5 what follows is a frame of its own.
    line.send(REQUEST[:5])
    line.after(end_us + 1)
    line.send(REQUEST)
    assert line.answers() == [REPLY]


@pytest.mark.parametrize("baud", [9600, 19200, 115200])
def test_bytes_that_take_their_time(station: Station, baud: int) -> None:
    """On a line that delivers each byte at its end, a byte's own time is no silence."""
    line = Line(station, baud=baud, byte_times=True)
    character_us, within_us = 11e6 / baud, gaps_s(baud)[0] * 1e6
    for silence_us, answered in ((0, True), (within_us - 1, True), (within_us + 1, False)):
        for byte in REQUEST[:-1]:
            line.send(bytes([byte]))
            line.after(character_us)
        line.after(silence_us)
        line.send(REQUEST[-1:])
        assert line.answers() == ([REPLY] if answered else [])


@pytest.mark.parametrize(
    "pdu",
    [
        *("01 0065 0006", "02 0065 0006", "03 0066 000C", "04 0064 000C", "05 0069 0000"),
        *("06 025D 0000", "0F 0065 0006 01 00", "10 0066 0004 08 0000 0100 0000 0200", "2B 0E"),
    ],
)
def test_a_request_is_whole_with_its_last_byte(station: Station, pdu: str) -> None:
    """Where bytes alone move time, a port that is busy runs the rig until it is not."""
    line = Line(station)
    frame = with_crc(b"\x01" + bytes.fromhex(pdu))
    for size, byte in enumerate(frame, start=1):
        line.after(87)
        line.send(bytes([byte]))
        assert line.dialect.busy == (size == len(frame))
    assert line.rig.run_until(lambda: not line.dialect.busy, line.rig.now + TICKS_PER_S)
    assert len(line.replies) == 1


@pytest.mark.parametrize("begin", ["01 03 00", "01 03 0066", "01 10 00", "01 10 0066 0002 04 00"])
def test_a_part_whose_crc_fits_is_no_request(station: Station, begin: str) -> None:
    dialect = Line(station).dialect
    dialect.receive(with_crc(bytes.fromhex(begin)))
    assert not dialect.busy


def test_sizes(station: Station) -> None:
    """At most 256 bytes, at least an address, a function and a CRC."""
    line = Line(station)
    largest = with_crc(bytes.fromhex("01 2B") + bytes(252))
    assert len(largest) == 256
    line.send(largest)
    assert line.answers() == [with_crc(bytes.fromhex("01 AB 01"))]
    line.send(with_crc(bytes.fromhex("01 2B") + bytes(253)))
    line.send(REQUEST)
    assert line.answers() == []
    for short in (b"\x01", b"\x01\x04", with_crc(b"\x01"), with_crc(b"")):
        line.send(short)
        assert line.answers() == []
    line.send(REQUEST)
    assert line.answers() == [REPLY]


def test_who_is_addressed(station: Station) -> None:
    """Another unit, or a wrong CRC: no answer. Address 0: carried out, not answered."""
    line = Line(station, address=7)
    seven = with_crc(bytes([7]) + REQUEST[1:-2])
    line.send(REQUEST)
    assert line.answers() == []
    line.send(seven[:-1] + bytes([seven[-1] ^ 1]))
    assert line.answers() == []
    line.send(with_crc(bytes.fromhex("00 10 006E 0002 04 0000 0539")))
    assert line.answers() == []
    assert station.rig.card.rate(4) == 1337
    line.send(with_crc(bytes([0]) + REQUEST[1:-2]))
    assert line.answers() == []
    line.send(seven)
    assert line.answers() == [with_crc(bytes([7]) + REPLY[1:-2])]


@pytest.mark.parametrize("code", [0x00, 0x07, 0x08, 0x0B, 0x11, 0x16, 0x17, 0x2B, 0x7F])
def test_functions_there_are_none_of(station: Station, code: int) -> None:
    line = Line(station)
    line.send(with_crc(bytes([1, code])))
    assert line.answers() == [with_crc(bytes([1, code + 0x80, 1]))]


@pytest.mark.parametrize(
    ("request_", "reason"),
    [
        ("01 0000 0000", 3),  # none
        ("01 0065 07D1", 3),  # more than 2000 bits
        ("01 0065 0007", 2),  # beyond axis 6
        ("02 0000 0002", 2),
        ("03 0066 007E", 3),  # more than 125 registers
        ("03 0066 0001", 2),  # half a value of 32 bits
        ("03 0067 0002", 2),  # two halves
        ("03 0066 000E", 2),  # beyond axis 6
        ("03 FFFF 0002", 2),
        ("03 0066 00", 3),  # too short
        ("03 0066 0002 00", 3),  # too long
        ("04 0064 0002", 2),
        ("05 0065 0001", 3),  # neither FF00 nor 0000
        ("05 0064 FF00", 2),
        ("06 0065 0001", 2),
        ("06 0066 0001", 2),  # half a value
        ("06 0259 0004", 3),  # no such edge
        ("06 0259 FFFF", 3),
        ("0F 0065 0006 02 0000", 3),  # byte count
        ("0F 0065 0006 01", 3),
        ("0F 0065 07B1 01 00", 3),
        ("0F 0069 0003 01 00", 2),
        ("10 0066 0002 04 0000 0000", 3),  # a rate of 0
        ("10 0066 0002 04 0003 0D41", 3),  # one more than 200000 steps/s
        ("10 0066 0002 02 0000 0001", 3),
        ("10 0066 0002 04 0000 0001 00", 3),
        ("10 0066 0001 02 0001", 2),
        ("10 0192 0002 04 8000 0000", 3),  # steps reach to -2147483647
    ],
)
def test_what_is_refused(station: Station, request_: str, reason: int) -> None:
    line = Line(station)
    before = [station.rig.card.rate(axis) for axis in range(6)]
    pdu = bytes.fromhex(request_)
    line.send(with_crc(b"\x01" + pdu))
    assert line.answers() == [with_crc(bytes([1, pdu[0] + 0x80, reason]))]
    assert [station.rig.card.rate(axis) for axis in range(6)] == before


def test_many_values_are_written_all_or_none(station: Station) -> None:
    line = Line(station)
    line.send(with_crc(bytes.fromhex("01 10 0066 0004 08 0000 0100 0000 0000")))
    assert line.answers() == [with_crc(bytes.fromhex("01 90 03"))]
    assert station.rig.card.rate(0) != 256
    line.send(with_crc(bytes.fromhex("01 10 0066 0004 08 0000 0100 0000 0200")))
    assert line.answers() == [with_crc(bytes.fromhex("01 10 0066 0004"))]
    assert [station.rig.card.rate(axis) for axis in (0, 1)] == [256, 512]
