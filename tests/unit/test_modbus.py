"""What a Modbus client can read and write, over an in-process port."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from dryrig.protocol import modbus_reference
from dryrig.protocol.modbus import with_crc
from dryrig.protocol.modbus_map import ENTRIES, Table

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
URL = "dryrig://heron?seed=3&start=0,60,-90,0,30,0&rig=modbus"


class Client:
    """Just enough of a master: hexadecimal requests to unit 1, replies without address and CRC."""

    def __init__(self) -> None:
        self.port = serial.serial_for_url(f"{URL}&grammar=modbus", timeout=0.02)
        self.rig = self.port.station.rig

    def ask(self, request: str) -> str:
        self.port.write(with_crc(b"\x01" + bytes.fromhex(request)))
        reply = self.port.read(256)
        assert with_crc(reply[:-2]) == reply
        return reply[1:-2].hex(" ")

    def number(self, code: int, address: int) -> int:
        reply = bytes.fromhex(self.ask(f"{code:02x} {address:04x} 0002"))
        assert reply[:2] == bytes([code, 4])
        return int.from_bytes(reply[2:], signed=True)

    def put(self, address: int, value: int) -> None:
        words = value.to_bytes(4, signed=True).hex()
        assert self.ask(f"10 {address:04x} 0002 04 {words}") == f"10 {address >> 8:02x} " + (
            f"{address & 255:02x} 00 02"
        )

    def coil(self, address: int, on: bool = True) -> None:
        request = f"05 {address:04x} {'ff00' if on else '0000'}"
        assert self.ask(request) == bytes.fromhex(request).hex(" ")

    def bit(self, code: int, address: int) -> int:
        return int(self.ask(f"{code:02x} {address:04x} 0001")[-2:], 16)

    def rest(self) -> None:
        while self.bit(2, 0):
            pass


@pytest.fixture
def client() -> Iterator[Client]:
    client = Client()
    yield client
    client.port.close()


def test_no_two_values_share_an_address() -> None:
    taken = [
        (entry.table, entry.address(axis) + word)
        for entry in ENTRIES
        for axis in (range(8) if entry.each else (0,))
        for word in range(entry.words)
    ]
    assert len(taken) == len(set(taken))


def test_every_table_is_there_and_tabled() -> None:
    assert {entry.table for entry in ENTRIES} == set(Table)
    _, _, rest = README.partition("<!-- modbus -->\n")
    table, end, _ = rest.partition("<!-- /modbus -->")
    assert end
    assert table == modbus_reference()
    assert re.search(r"^\| holding register \(03, 06, 10\) \| 400 \+ 2a \| steps \|", table, re.M)


def test_settings_are_those_of_the_card(client: Client) -> None:
    card = client.rig.card
    client.put(100 + 2 * 5, 70_000)
    client.put(200 + 2 * 5, 123_456)
    client.put(400 + 2 * 5, -5)
    client.put(500 + 2 * 5, -70_000)
    assert card.rate(4) == client.number(3, 110) == 70_000
    assert card.acceleration(4) == client.number(3, 210) == 123_456
    assert card.steps(4) == client.number(3, 410) == -5
    assert card.count(4) == client.number(3, 510) == -70_000
    client.ask("06 025d 0003")
    assert card.halt_edge(4) == "INDEX"
    assert client.ask("03 025d 0001") == "03 02 00 03"
    client.ask("06 025d 0000")
    assert card.halt_edge(4) is None


def test_a_move_is_a_distance_and_a_coil(client: Client) -> None:
    client.put(300 + 2 * 6, -400)
    client.coil(206, on=False)
    assert client.bit(2, 206) == 0
    client.coil(206)
    assert client.bit(2, 206) == client.bit(2, 0) == 1
    assert client.ask("05 00ce ff00") == "85 06"
    client.rest()
    assert client.number(3, 412) == -400
    assert client.number(3, 312) == -400
    client.coil(206)
    client.rest()
    assert client.number(3, 412) == -800
    assert client.bit(1, 206) == 0


def test_axes_start_at_one_tick_or_not_at_all(client: Client) -> None:
    client.put(302, 100)
    client.put(304, 100)
    assert client.ask("0f 00c9 0002 01 03") == "0f 00 c9 00 02"
    first, second = (client.rig.card.axis[axis].profile for axis in (0, 1))
    assert first is not None
    assert second is not None
    assert (first.start, first.end) == (second.start, second.end)
    client.put(306, 100)
    assert client.ask("0f 00c9 0003 01 07") == "8f 06"
    assert client.bit(2, 203) == 0
    client.rest()


def test_run_abort_and_reset(client: Client) -> None:
    client.coil(306)
    assert client.bit(2, 206) == 1
    client.coil(506)
    client.rest()
    there = client.number(3, 412)
    assert there > 0
    client.coil(406)
    client.coil(101)
    client.coil(0)
    client.rest()
    assert client.number(3, 412) < there
    assert client.bit(1, 101) == 0
    assert client.number(3, 312) == 0


def test_a_latch_is_exact(client: Client) -> None:
    """The edge's count, step and time are the card's own, to the tick."""
    client.ask("06 025d 0001")
    assert client.bit(2, 305) == 0
    with serial.serial_for_url(f"{URL}&port=hands", timeout=1) as hands:
        hands.write(b"PRES (@5);:WAIT? 0.05\n")
        hands.readline()
    assert client.bit(2, 105) == client.bit(2, 305) == 1
    latch = client.rig.card.latch(4)
    assert latch.hit
    assert client.number(4, 110) == latch.count
    assert client.number(4, 210) == latch.step
    time_s = client.number(4, 310) + client.number(4, 410) * 1e-9
    assert round(time_s * 12e6) == latch.tick
    assert client.ask("04 0004 0001") == "04 02 00 06"
    assert client.number(4, 0) + client.number(4, 2) * 1e-9 == pytest.approx(
        client.rig.now / 12e6, abs=0.1
    )


@pytest.mark.parametrize("options", ["address=0", "address=248", "address=x", "baud=9"])
def test_bad_parameters(options: str) -> None:
    name = options.partition("=")[0]
    limits = {"address": "1 to 247", "baud": "50 to 4000000"}[name]
    said = (
        f"could not open port '{URL}&grammar=modbus,{options}': "
        f"grammar 'modbus,{options}': {options}: expected {limits}"
    )
    with pytest.raises(serial.SerialException, match=f"^{re.escape(said)}$"):
        serial.serial_for_url(f"{URL}&grammar=modbus,{options}")


def test_a_read_without_a_deadline(client: Client) -> None:
    """It waits for the silence that ends a request; a part of one would wait for ever."""
    client.port.timeout = None
    client.port.write(with_crc(bytes.fromhex("01 04 0004 0001")))
    assert client.port.read(7) == with_crc(bytes.fromhex("01 04 02 0006"))
    client.port.write(bytes.fromhex("01 04 00"))
    with pytest.raises(serial.SerialException, match="would wait for ever"):
        client.port.read(1)


def test_a_host_that_hangs_up_in_mid_frame(client: Client) -> None:
    client.port.write(bytes.fromhex("01 04 00"))
    client.port.close()
    client.port.open()
    assert client.ask("04 0004 0001") == "04 02 00 06"
    client.port.write(bytes(3000))
    client.port.read(1)
    assert client.ask("04 0004 0001") == "04 02 00 06"
