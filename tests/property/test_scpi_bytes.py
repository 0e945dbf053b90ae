"""Whatever bytes come, however they are cut: the card stays responsive."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryrig.protocol.dialect import ScpiDialect
from dryrig.protocol.station import ROLES, Station

PIECES = [
    *(b"*IDN?", b"*ESR?", b"*STB?", b"*OPC?", b"*CLS", b"*ESE ", b"SYST:ERR?", b"SYSTem:VERSion?"),
    *(b"STEP:RATE ", b"STEP:RATE? ", b"ACC ", b":STEP:COUN ", b"HALT:EDGE RISE", b"DRIV:ENAB? "),
    *(b"(@1:6)", b"(@1,3)", b"(@", b")", b"1e3", b"#HFF", b"-5", b"MAX", b'"', b"'", b"5 S"),
    *(b";", b";", b",", b"\n", b"\n", b"\r\n", b" ", b":", b"?", b"\x00", b"\xff"),
]


@pytest.fixture(scope="module")
def station() -> Iterator[Station]:
    with Station.build("heron", seed=1) as station:
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
        assert session.receive(b"*CLS;*ESE 0;*TST?\n") == b"0\n"
        assert session.receive(b"SYST:ERR?\n") == b'0,"No error"\n'
