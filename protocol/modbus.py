"""Modbus RTU on the card's port: frames by silence, function codes 01 to 06, 0F and 10.

CRC, gaps, sizes and function codes: MODBUS over serial line V1.02 as quoted by public sources
(tests/published/test_modbus.py names them); exception codes from memory, read alike by sigrok's
decoder. What can be read and written: `modbus_map`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from ..errors import CardBusy, DryrigError
from ..sim.clock import ticks
from .dialect import Dialect
from .modbus_map import ENTRIES, Entry, Table

if TYPE_CHECKING:
    from ..sim.card import Card
    from ..sim.rig import Rig

ADU_LIMIT = 256
BROADCAST = 0
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, DEVICE_FAILURE, DEVICE_BUSY = 1, 2, 3, 4, 6
_CHARACTER_BITS = 11
_FAST_BAUD = 19_200  # above it the gaps are fixed


class _Refused(Exception):
    """Its argument is the exception code."""


def crc16(data: bytes | bytearray) -> int:
    """CRC-16 of Modbus; 0 over a whole frame, which carries its own, low byte first."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc


def with_crc(data: bytes) -> bytes:
    """A frame's bytes with the CRC that ends it."""
    return data + crc16(data).to_bytes(2, "little")


def gaps_s(baud: int) -> tuple[float, float]:
    """t1.5 and t3.5 in s: the silence that breaks a frame, and the one that ends it."""
    if baud > _FAST_BAUD:
        return 750e-6, 1.75e-3
    character_s = _CHARACTER_BITS / baud
    return 1.5 * character_s, 3.5 * character_s


class ModbusDialect(Dialect):
    """A Modbus RTU server with one unit `address`; its gaps, in rig time, are those of `baud`.

    A frame is looked at when t3.5 has passed since its last byte. One with a silence of more than
    t1.5 in it, a wrong CRC, another address or more than 256 bytes gets no answer. A broadcast
    (address 0) is carried out and not answered. With `byte_times` the line delivers each byte at
    its end, so that its own time is no silence. Raises ValueError for a bad address or baud rate.
    """

    def __init__(
        self,
        rig: Rig,
        wake_at: Callable[[int], None],
        *,
        address: int = 1,
        baud: int = 19_200,
        byte_times: bool = False,
    ) -> None:
        if not isinstance(address, int) or not 1 <= address <= 247:
            raise ValueError(f"address={address}: expected 1 to 247")
        if not isinstance(baud, int) or not 50 <= baud <= 4_000_000:
            raise ValueError(f"baud={baud}: expected 50 to 4000000")
        self.rig: Rig = rig
        self.card: Card = rig.card
        self.distance: list[int] = [0] * rig.card.axes
        self._address = address
        self._wake_at = wake_at
        self._break, self._end = map(ticks, gaps_s(baud))
        self._byte = ticks(_CHARACTER_BITS / baud) if byte_times else 0
        self._frame = bytearray()
        self._broken = False
        self._last = 0
        self._places: dict[tuple[Table, int], tuple[Entry, int]] = {
            (entry.table, entry.address(axis)): (entry, axis)
            for entry in ENTRIES
            for axis in (range(rig.card.axes) if entry.each else (0,))
        }

    @property
    def busy(self) -> bool:
        """True while a request is whole and waits for the silence that ends it.

        A part of one is not: it may wait for bytes, and where bytes alone move time, for ever.
        """
        frame = self._frame
        return len(frame) >= 4 and len(frame) == _length(frame) and not crc16(frame)

    def receive(self, data: bytes) -> bytes:
        """Bytes of a frame; whatever is answered comes after a silence."""
        if data:
            began = self.rig.now - self._byte * len(data)
            if self._frame and began - self._last > self._break:
                self._broken = True
            self._frame += data[: ADU_LIMIT + 1 - len(self._frame)]
            self._last = self.rig.now
            self._wake_at(self._last + self._end)
        return b""

    def poll(self) -> bytes:
        """The answer to a frame that has ended."""
        if not self._frame or self.rig.now < self._last + self._end:
            return b""
        frame, broken = bytes(self._frame), self._broken
        self.forget()
        if broken or not 4 <= len(frame) <= ADU_LIMIT or crc16(frame):
            return b""
        address, request = frame[0], frame[1:-2]
        if address == BROADCAST and request[0] in _WRITES:
            self._answer(request)
        if address != self._address:
            return b""
        return with_crc(bytes([address]) + self._answer(request))

    def forget(self) -> None:
        """Drop what has come of a frame."""
        self._frame.clear()
        self._broken = False

    def reset(self) -> None:
        """The card as at power-up, without its counters; distances are 0."""
        self.card.reset()
        self.distance = [0] * self.card.axes

    def _answer(self, request: bytes) -> bytes:
        code = request[0]
        function = _READS.get(code) or _WRITES.get(code)
        try:
            if function is None:
                raise _Refused(ILLEGAL_FUNCTION)
            return bytes([code]) + function(self, request[1:])
        except _Refused as refused:
            (reason,) = refused.args
        except CardBusy:
            reason = DEVICE_BUSY
        except DryrigError:
            reason = DEVICE_FAILURE
        return bytes([code | 0x80, reason])

    def found(self, table: Table, first: int, count: int) -> list[tuple[Entry, int]]:
        """The values that stand in `count` addresses, each whole. Raises _Refused."""
        values = []
        address = first
        while address < first + count:
            place = self._places.get((table, address))
            if place is None:
                raise _Refused(ILLEGAL_ADDRESS)
            values.append(place)
            address += place[0].words
        if address != first + count:
            raise _Refused(ILLEGAL_ADDRESS)  # half a value
        return values

    def write(self, places: list[tuple[Entry, int]], values: list[int]) -> None:
        """All or none of the values. Raises _Refused or CardBusy."""
        for (entry, axis), value in zip(places, values, strict=True):
            if not entry.low <= value <= entry.high:
                raise _Refused(ILLEGAL_VALUE)
            if entry.at_rest and value and self.card.moving(axis):
                raise CardBusy(f"axis {axis + 1} is moving")
        for (entry, axis), value in zip(places, values, strict=True):
            if entry.write is not None:
                entry.write(self, axis, value)


def _length(frame: bytearray) -> int:
    """How long a request is that begins like this; as long as it is for an unknown function."""
    if frame[1] in (0x0F, 0x10):
        return 9 + frame[6] if len(frame) > 6 else 9
    return 8 if frame[1] in _READS or frame[1] in _WRITES else len(frame)


def _span(data: bytes, limit: int) -> tuple[int, int]:
    """First address and how many, of a request that says no more."""
    first, count = int.from_bytes(data[:2]), int.from_bytes(data[2:4])
    if len(data) != 4 or not 1 <= count <= limit:
        raise _Refused(ILLEGAL_VALUE)
    return first, count


def _read_bits(table: Table) -> Callable[[ModbusDialect, bytes], bytes]:
    def read(dialect: ModbusDialect, data: bytes) -> bytes:
        first, count = _span(data, 2000)
        bits = 0
        for place, (entry, axis) in enumerate(dialect.found(table, first, count)):
            bits |= entry.read(dialect, axis) << place
        size = (count + 7) // 8
        return bytes([size]) + bits.to_bytes(size, "little")

    return read


def _read_words(table: Table) -> Callable[[ModbusDialect, bytes], bytes]:
    def read(dialect: ModbusDialect, data: bytes) -> bytes:
        first, count = _span(data, 125)
        words = b""
        for entry, axis in dialect.found(table, first, count):
            size = 2 * entry.words
            words += (entry.read(dialect, axis) % (1 << 8 * size)).to_bytes(size)
        return bytes([2 * count]) + words

    return read


def _write_bit(dialect: ModbusDialect, data: bytes) -> bytes:
    if len(data) != 4 or data[2:] not in (b"\xff\x00", b"\x00\x00"):
        raise _Refused(ILLEGAL_VALUE)
    dialect.write(dialect.found(Table.COIL, int.from_bytes(data[:2]), 1), [int(data[2] == 0xFF)])
    return data


def _write_bits(dialect: ModbusDialect, data: bytes) -> bytes:
    first, count = _span(data[:4], 1968)
    size = (count + 7) // 8
    if len(data) != 5 + size or data[4] != size:
        raise _Refused(ILLEGAL_VALUE)
    bits = int.from_bytes(data[5:], "little")
    places = dialect.found(Table.COIL, first, count)
    dialect.write(places, [bits >> place & 1 for place in range(count)])
    return data[:4]


def _write_word(dialect: ModbusDialect, data: bytes) -> bytes:
    if len(data) != 4:
        raise _Refused(ILLEGAL_VALUE)
    _write_registers(dialect, int.from_bytes(data[:2]), data[2:])
    return data


def _write_words(dialect: ModbusDialect, data: bytes) -> bytes:
    first, count = _span(data[:4], 123)
    if len(data) != 5 + 2 * count or data[4] != 2 * count:
        raise _Refused(ILLEGAL_VALUE)
    _write_registers(dialect, first, data[5:])
    return data[:4]


def _write_registers(dialect: ModbusDialect, first: int, words: bytes) -> None:
    places = dialect.found(Table.HOLDING, first, len(words) // 2)
    values = []
    for entry, _ in places:
        size = 2 * entry.words
        values.append(int.from_bytes(words[:size], signed=entry.low < 0))
        words = words[size:]
    dialect.write(places, values)


_READS: dict[int, Callable[[ModbusDialect, bytes], bytes]] = {
    0x01: _read_bits(Table.COIL),
    0x02: _read_bits(Table.DISCRETE),
    0x03: _read_words(Table.HOLDING),
    0x04: _read_words(Table.INPUT),
}
_WRITES: dict[int, Callable[[ModbusDialect, bytes], bytes]] = {
    0x05: _write_bit,
    0x06: _write_word,
    0x0F: _write_bits,
    0x10: _write_words,
}
