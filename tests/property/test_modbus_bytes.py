"""Whatever bytes come, with whatever silences between: frames are what the silences make them."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryrig.protocol.modbus import gaps_s, with_crc
from dryrig.protocol.station import Station
from dryrig.sim.clock import ticks

REQUEST = with_crc(bytes.fromhex("01 04 0004 0001"))
REPLY = with_crc(bytes.fromhex("01 04 02 0006"))
WITHIN, BETWEEN = map(ticks, gaps_s(19_200))


@pytest.fixture(scope="module")
def station() -> Iterator[Station]:
    with Station.build("heron", seed=1, card_dialect="modbus") as station:
        yield station


gaps = st.sampled_from([0, 1, WITHIN, WITHIN + 1, BETWEEN - 1, BETWEEN, BETWEEN + 1]) | st.integers(
    0, 2 * BETWEEN
)
pieces = st.sampled_from([REQUEST, REQUEST[:3], REQUEST[3:], REQUEST[:-1], REQUEST[-1:]])
line = st.lists(st.tuples(gaps, pieces | st.binary(min_size=1, max_size=300)), max_size=12)


@given(line=line)
def test_frames_are_what_silences_make_them(
    station: Station, line: list[tuple[int, bytes]]
) -> None:
    port, rig = station.ports["card"], station.rig
    expected, frame, broken = b"", b"", False
    for gap, data in [*line, (BETWEEN, REQUEST), (BETWEEN, b"")]:
        rig.advance(rig.now + gap)
        if gap >= BETWEEN:
            expected += REPLY if frame == REQUEST and not broken else b""
            frame, broken = b"", False
        broken |= bool(frame) and gap > WITHIN
        frame += data
        port.write(data)
    assert port.take(10_000) == expected
    assert expected.endswith(REPLY)


@given(pdu=st.binary(min_size=1, max_size=252))
def test_every_sound_frame_to_this_unit_is_answered(station: Station, pdu: bytes) -> None:
    port, rig = station.ports["card"], station.rig
    port.write(with_crc(b"\x01" + pdu))
    rig.advance(rig.now + BETWEEN)
    reply = port.take(10_000)
    assert with_crc(reply[:-2]) == reply
    assert reply[0] == 1
    assert reply[1] & 0x7F == pdu[0] & 0x7F
    rig.card.reset()
