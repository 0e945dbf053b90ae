"""A bad serial line: pure functions of timed bytes, and what a host then sees."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import pytest
import serial

from dryrig.faults import Injector, parse_fault
from dryrig.faults.line import TO_CARD, TO_HOST, BadLine, LineByte, Way, sampled
from dryrig.protocol.station import Station
from dryrig.scenes import load_scene
from dryrig.sim import TICKS_PER_S, Rig

SCENE = load_scene("heron")
TEXT = b"STEP:COUN? (@1:6)\n"


def sent(data: bytes, way: Way = TO_HOST, first: int = 0, tick: int = 0) -> list[LineByte]:
    return [LineByte(tick, value, way, str(first + n)) for n, value in enumerate(data)]


def through(fault: str, data: Sequence[LineByte], key: str = "1") -> list[LineByte]:
    parsed = parse_fault(fault)
    assert parsed.kind.line is not None
    come, _ = BadLine(((parsed.kind.line, parsed.values, key),))(tuple(data), {})
    return [
        replace(byte, value=value, ratio=1.0) for byte, heard in sampled(come) for value in heard
    ]


def text(data: Sequence[LineByte]) -> bytes:
    return bytes(byte.value for byte in data)


@pytest.mark.parametrize(
    "fault",
    ["drop", "double", "noise", "delay", "stall", "baud", "cut"],
)
def test_the_same_bytes_come_out_the_same_however_they_are_bundled(fault: str) -> None:
    per = ",per=0.2" if fault in ("drop", "double", "noise") else ""
    data = sent(TEXT * 20)
    whole = through(f"{fault}@LINE{per}", data)
    assert through(f"{fault}@LINE{per}", data) == whole
    if fault not in ("baud", "stall"):  # what a burst or a held byte does to those after it
        parts = [b for at in range(0, len(data), 7) for b in through(
            f"{fault}@LINE{per}", data[at : at + 7]
        )]  # fmt: skip
        assert parts == whole
    if per:
        assert through(f"{fault}@LINE{per}", data, key="2") != whole


def test_shares_of_what_is_lost_doubled_and_spoilt() -> None:
    """Of 4000 bytes at 0.1 each: 400, give or take four standard deviations of 19."""
    data = sent(bytes(range(256)) * 16)[:4000]
    lost = through("drop@LINE,per=0.1", data)
    assert abs(400 - (4000 - len(lost))) < 80
    double = through("double@LINE,per=0.1", data)
    assert abs(400 - (len(double) - 4000)) < 80
    assert len({byte.name for byte in double}) == len(double)
    pairs = zip(data, through("noise@LINE,per=0.1", data), strict=True)
    bits = [(a.value ^ b.value).bit_count() for a, b in pairs]
    assert (set(bits), abs(400 - sum(bits)) < 80) == ({0, 1}, True)


def test_one_way_only() -> None:
    for way, hit in ((TO_CARD, "way=1"), (TO_HOST, "way=2")):
        other: Way = TO_HOST if way == TO_CARD else TO_CARD
        assert through(f"cut@LINE,{hit}", sent(TEXT, way)) == []
        assert through(f"cut@LINE,{hit}", sent(TEXT, other)) == sent(TEXT, other)


def test_a_stall_holds_what_comes_after_it_too() -> None:
    data = sent(TEXT * 50)
    late = [byte.tick for byte in through("stall@LINE,per=0.01,s=2", data)]
    assert late == sorted(late)
    assert set(late) == {0, 2 * TICKS_PER_S}
    assert text(through("stall@LINE,per=0.01,s=2", data)) == TEXT * 50


def test_equal_rates_and_two_percent_off_are_read_right() -> None:
    """Half a bit in 9.5 is 5 %: the margin of a UART with 8 bits and no parity."""
    for ratio in (1.0, 1.02, 0.98):
        assert text(through(f"baud@LINE,ratio={ratio}", sent(TEXT))) == TEXT
        assert text(through(f"baud@LINE,ratio={ratio}", sent(TEXT, TO_CARD))) == TEXT


def test_a_receiver_at_twice_the_rate() -> None:
    """By hand: 'U' (0x55) is 0 1010 1010 1 on the line, least bit first.

    Twice as fast, each bit is read twice: start, then 0 11 00 11 0 is 0x66 and its stop falls on
    the next 0; the receiver waits for the next fall, and reads the rest: 1 0 0 1 1 0 0 1 ...
    """
    come = through("baud@LINE,ratio=2", sent(b"U", TO_CARD))
    assert come[0].value == 0b01100110
    assert text(through("baud@LINE,ratio=2", sent(TEXT, TO_CARD))) != TEXT
    assert text(through("baud@LINE,ratio=0.5", sent(TEXT, TO_HOST))) != TEXT


@pytest.fixture
def station() -> Iterator[Station]:
    with Station.build("heron", seed=1) as station:
        station.ports["card"].connect()
        yield station


def wait(station: Station, time_s: float) -> bytes:
    station.rig.advance(station.rig.now + round(time_s * TICKS_PER_S))
    return station.ports["card"].take(1 << 16)


def test_a_late_line_is_late_each_way_and_keeps_its_order(station: Station) -> None:
    card = station.ports["card"]
    station.injector.insert("delay@LINE,s=0.2")
    card.write(b"STEP:COUN 7,(@1)\n")
    assert station.rig.card.steps(0) == 0
    assert card.busy
    wait(station, 0.1)
    station.injector.clear()
    # Sent on a sound line, but behind what is still on its way.
    card.write(b"STEP:COUN? (@1)\n")
    assert wait(station, 0.05) == b""
    assert wait(station, 0.06) == b"7\n"
    assert not card.busy


def test_with_one_line_cut_a_command_acts_and_nothing_comes_back(station: Station) -> None:
    station.injector.insert("cut@LINE,way=2")
    station.ports["card"].write(b"STEP:COUN 7,(@1);COUN? (@1)\n")
    assert wait(station, 1.0) == b""
    assert station.rig.card.steps(0) == 7


def test_a_reply_on_its_way_does_not_reach_the_next_program(station: Station) -> None:
    card = station.ports["card"]
    station.injector.insert("delay@LINE,s=0.2,way=2")
    card.write(b"*IDN?\n")
    wait(station, 0.1)
    card.hang_up()
    card.connect()
    assert wait(station, 1.0) == b""


def test_pyserial_waits_for_late_bytes_without_a_time_out() -> None:
    with serial.serial_for_url("dryrig://heron?fault=delay@LINE,s=0.5", timeout=None) as card:
        card.write(b"CLOC:TIME?\n*IDN?\n")
        assert float(card.readline()) == pytest.approx(0.5, abs=0.001)
        assert card.readline().startswith(b"Dryrig,heron")


def test_a_disconnect_for_a_time_window(station: Station) -> None:
    station.injector.insert("cut@LINE,from=1,to=2")
    card = station.ports["card"]
    for seconds, answers in ((0.5, True), (1.0, False), (1.0, True)):
        wait(station, seconds)
        card.write(b"*IDN?\n")
        assert bool(card.take(100)) == answers


def test_line_faults_leave_the_parts_alone() -> None:
    with Rig(SCENE, 3) as rig:
        injector, sound = Injector(rig), rig.harness.parts.to_dict()
        injector.insert("noise@LINE")
        assert rig.harness.parts.to_dict() == sound
        assert injector.line is not None
        injector.remove("noise@LINE")
        assert injector.line is None


def test_what_is_held_back_is_handed_in_and_out_and_outlives_other_faults() -> None:
    def line(*faults: str) -> BadLine:
        read = [parse_fault(fault) for fault in faults]
        return BadLine(tuple((each.kind.line, each.values, each.text) for each in read))

    first, held = line("behind@LINE", "delay@LINE,s=1")(tuple(sent(b"A")), {})
    second, held = line("behind@LINE")(tuple(sent(b"B", first=1)), held)
    third, held = line("drop@LINE,per=0", "behind@LINE")((), held)
    assert (text(first), text(second), third) == (b"A", b"A", ())
    assert [text(each) for each in held.values()] == [b"B"]
    assert line("drop@LINE,per=0")(tuple(sent(b"C", first=2)), held)[1].get("behind@LINE") is None
