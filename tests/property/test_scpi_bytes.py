"""Whatever bytes come, however they are cut: the card stays responsive, its error queue right.

A fast generator makes 200,000 byte strings; of most it knows what the standard says must come of
them. Hypothesis makes fewer, and shrinks what goes wrong to its smallest form.
"""

from __future__ import annotations

import itertools
import random
import re
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryrig.protocol.dialect import ScpiDialect
from dryrig.protocol.port import Port
from dryrig.protocol.station import ROLES, Station
from dryrig.protocol.status import ERROR_TEXTS
from dryrig.sim.clock import TICKS_PER_S

STRINGS = 200_000
PIECES = [
    *(b"*IDN?", b"*ESR?", b"*STB?", b"*OPC?", b"*CLS", b"*ESE ", b"SYST:ERR?", b"SYSTem:VERSion?"),
    *(b"STEP:RATE ", b"STEP:RATE? ", b"ACC ", b":STEP:COUN ", b"HALT:EDGE RISE", b"DRIV:ENAB? "),
    *(b"STAT:OPER?", b"STAT:QUES:ENAB ", b"SYST:ERR:ALL?", b"STEP:LOAD ", b"*TRG", b"STEP:JOG "),
    *(b"FOLL:SCAL ", b"EVEN:LIN ON", b"SUMM?", b"WAIT? ", b"*WAI", b"SYST:HELP:HEAD?", b"*RST"),
    *(b"(@1:6)", b"(@1,3)", b"(@", b")", b"1e3", b"#HFF", b"-5", b"MAX", b'"', b"'", b"5 S"),
    *(b";", b";", b",", b"\n", b"\n", b"\r\n", b" ", b":", b"?", b"\x00", b"\xff"),
]
HEADERS = ["STEP:RATE", ":STEP:RATE", "step:rate", "STEP:ACC", ":STEP:ACCELERATION", "Step:Acc"]
QUERIES = [
    *("*IDN?", "*ESE?", "*STB?", "*TST?", "SYST:VERS?", ":SYSTEM:VERSION?", "STEP:RATE? MAX"),
    *(
        "STEP:RATE?",
        "step:coun? (@1:3)",
        "HALT:LATC? (@2)",
        "SWIT:LEV?",
        "SUMM?",
        "STAT:OPER:COND?",
    ),
    *("DRIV:ENAB? (@6)", "ENC:COUN? (@4,5)", "CLOC:TIME?", "FOLL:ERR? (@1)", "STEP:RATE? (@6:1)"),
]
NUMBERS = [
    "1000",
    "1e3",
    "+1.5E+2",
    "#H3E8",
    "#Q17",
    "#B101",
    "2000.0",
    "77.5",
    ".9e2",
    "MIN",
    "DEF",
]
LISTS = ["", ",(@1)", ",(@1:6)", ", (@1,3) ", ",( @ 2 )"]
SPACES = [" ", "  ", "\t", " \r"]
WRONG = [
    ("STEP:RAT 5", -113),
    ("STEP:RATES 5", -113),
    ("*IDM?", -113),
    ("STEP3:RATE 5", -114),
    ("STEP:RATE", -109),
    ("STEP:RATE ,", -109),
    ("STEP:RATE 1,(@1),", -109),
    ("STEP:RATE 1,2", -108),
    ("*CLS 1", -108),
    ("STEP:RATE 0", -222),
    ("STEP:RATE 1e9", -222),
    ("STEP:RATE 1,(@0)", -222),
    ("STEP:RATE 1,(@1:x)", -171),
    ("STEP:RATE 1,(@1", -171),
    ("STEP:RATE 5 V", -131),
    ("STEP:RATE 5 ABCDEFGHIJKLMN", -134),
    ("STEP:COUN 5 S", -138),
    ("STEP:RATE 1..2", -121),
    ("STEP:RATE #HG", -121),
    ("STEP:RATE #15HELLO", -168),
    ("STEP:RATE 1E40000", -123),
    ("STEP:RATE FAST", -148),
    ("STEP:RUN FAST", -224),
    ("STEP:RUN 5", -128),
    ('STEP:RATE "5"', -158),
    ("STEP:RATE '5", -151),
    ('STEP:RATE "5"x', -103),
    ("STEP:RATE (@1)", -109),
    ("STEP:ABCDEFGHIJKLM 1", -112),
    ("*ESE? 1", -108),
    ("*ESE#H1", -111),
    ("%", -101),
    ("STEP:RATE 5\x80", -101),
    ("*TRG", -211),
]
ENTRY = re.compile(r'(-?\d+),"((?:[^"]|"")*)"(?:,|$)')


@pytest.fixture(scope="module")
def station() -> Iterator[Station]:
    with Station.build("heron", seed=1) as station:
        # Pulses then move nothing, which keeps half an hour of bytes cheap.
        station.rig.hands.set_motor_supply(False)
        yield station


messages = st.lists(st.sampled_from(PIECES) | st.binary(max_size=4), max_size=40).map(b"".join)


@given(data=messages, cuts=st.lists(st.integers(0, 200), max_size=5))
def test_any_bytes_in_any_pieces(station: Station, data: bytes, cuts: list[int]) -> None:
    whole = ScpiDialect(station, ROLES["card"], lambda _tick: None)
    station.rig.card.reset()
    at_once = whole.receive(data)
    pieces = ScpiDialect(station, ROLES["card"], lambda _tick: None)
    station.rig.card.reset()
    edges = [0, *sorted(cut for cut in cuts if cut < len(data)), len(data)]
    in_turn = b"".join(pieces.receive(data[a:b]) for a, b in itertools.pairwise(edges))
    assert in_turn == at_once
    assert at_once.isascii()
    for session in (whole, pieces):
        session.receive(b"\n")
        if session.busy:
            session.forget()
        session.receive(b"\n*CLS;*RST\n")
        assert session.receive(b"*ESE 0;*TST?\n") == b"0\n"
        assert session.receive(b"SYST:ERR?\n") == b'0,"No error"\n'


def units(draw: random.Random) -> tuple[list[str], list[int], int]:
    """A message's units, the errors it must leave, how many of its queries must answer."""
    parts: list[str] = []
    errors: list[int] = []
    answers = 0
    for _ in range(int(draw.random() * 3) + 1):
        if draw.random() < 0.3:
            parts.append(draw.choice(QUERIES))
            answers += 1
        else:
            text = draw.choice(HEADERS) + draw.choice(SPACES) + draw.choice(NUMBERS)
            parts.append(text + draw.choice(LISTS))
    if draw.random() < 0.4:
        wrong, number = draw.choice(WRONG)
        parts.append(wrong)
        errors.append(number)
        if number == -101 and "\x80" in wrong:  # the whole message goes
            answers = 0
    elif draw.random() < 0.02:
        parts += ["STEP:RATE 0"] * 20 + ["*TST?"]
        errors += [-222] * 15 + [-350]
        answers += 1
    return parts, errors, answers


def message(draw: random.Random) -> tuple[bytes, list[int] | None, int]:
    """Bytes, and for those that were made on purpose the errors and answers that must come."""
    if draw.random() < 0.3:
        if draw.random() < 0.5:
            return draw.randbytes(int(draw.random() * 40)), None, 0
        return b"".join(draw.choices(PIECES, k=int(draw.random() * 12))), None, 0
    parts, errors, answers = units(draw)
    rooted = [part if part[0] in "*:%" else f":{part}" for part in parts]
    return ";".join(rooted).encode("latin-1"), errors, answers


def numbers(queue: str) -> list[int]:
    """The error numbers of a reply to `SYST:ERR:ALL?`; their texts must be the standard's."""
    found = []
    at = 0
    while at < len(queue):
        entry = ENTRY.match(queue, at)
        assert entry, queue[at:]
        number, text = int(entry.group(1)), entry.group(2)
        assert text.split(";")[0] == ERROR_TEXTS[number]
        assert len(text.replace('""', '"')) <= 255
        found.append(number)
        at = entry.end()
    return found


def test_two_hundred_thousand_byte_strings(station: Station) -> None:
    draw = random.Random(5)
    port = Port("card", station.rig, lambda _rig, wake: ScpiDialect(station, ROLES["card"], wake))
    told = 0
    for index in range(STRINGS):
        data, errors, answers = message(draw)
        cut = int(draw.random() * (len(data) + 1))
        port.write(data[:cut])
        port.write(data[cut:] + b"\n")
        reply = port.take(1 << 20)
        if port.busy or errors is None:
            # It may wait, or move, or have switched lines on: a new host finds a clean port.
            port.connect()
            port.write(b"*RST\n")
            station.rig.advance(station.rig.now + TICKS_PER_S)
        port.write(b"SYST:ERR:ALL?;*TST?\n")
        queue, _, tested = port.take(1 << 20).rpartition(b";")
        found = [] if queue == b'0,"No error"' else numbers(queue.decode("ascii"))
        right = tested == b"0\n" and reply.isascii() and len(found) <= 16
        if errors is not None:
            told += 1
            right &= found == errors and reply.count(b"\n") == bool(answers)
            right &= (reply.count(b";") + 1 if reply else 0) == answers
        if not right:
            raise AssertionError(f"string {index}: {data!r} gave {reply!r}, {found}, {tested!r}")
    port.detach()
    assert told > STRINGS // 2
