"""The status model of IEEE 488.2 and the error queue of SCPI-1999.

Numbers, texts and the class of each number are those of the SCPI error chapter, read in the
public repository yaochein/PEL3000, file `parser/scpi/scpiMessage.h`. Register bits: Keysight
Truevolt help pages and the Fluke 7350 manual. Overflow: "the last error/event in the queue is
replaced with error -350" (Keysight MP4300 service guide, page 152).
"""

from __future__ import annotations

from collections import deque
from enum import IntFlag
from typing import NamedTuple

from .register_group import RegisterGroup

QUEUE_LENGTH = 16
TEXT_LIMIT = 255  # characters of one entry, detail included

ERROR_TEXTS: dict[int, str] = {
    0: "No error",
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -128: "Numeric data not allowed",
    -131: "Invalid suffix",
    -134: "Suffix too long",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -144: "Character data too long",
    -148: "Character data not allowed",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -168: "Block data not allowed",
    -171: "Invalid expression",
    -178: "Expression data not allowed",
    -200: "Execution error",
    -211: "Trigger ignored",
    -220: "Parameter error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -241: "Hardware missing",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -365: "Time out error",
    -430: "Query DEADLOCKED",
}


class Event(IntFlag):
    """Bits of the standard event status register (ESR)."""

    OPC = 1
    RQC = 2
    QYE = 4
    DDE = 8
    EXE = 16
    CME = 32
    URQ = 64
    PON = 128


class Summary(IntFlag):
    """Bits of the status byte (STB)."""

    ERROR_QUEUE = 4
    QUESTIONABLE = 8
    MAV = 16
    ESB = 32
    MSS = 64
    OPERATION = 128


_CLASS_BITS = {
    1: Event.CME,
    2: Event.EXE,
    3: Event.DDE,
    4: Event.QYE,
    5: Event.PON,
    6: Event.URQ,
    7: Event.RQC,
    8: Event.OPC,
}


def event_bit(number: int) -> Event:
    """The one ESR bit that an error or event of this number sets; 0 for number 0."""
    if number == 0:
        return Event(0)
    return Event.DDE if number > 0 else _CLASS_BITS[-number // 100]


class ScpiError(Exception):
    """A standard error number with a detail; ends up in the error queue, never at the caller."""

    def __init__(self, number: int, detail: str = "") -> None:
        super().__init__(number, detail)
        self.number = number
        self.detail = detail

    @property
    def is_command_error(self) -> bool:
        """True for -1xx: the parser has lost its place and gives up the rest of the message."""
        return -200 < self.number <= -100


class Entry(NamedTuple):
    """One place of the error queue."""

    number: int
    text: str

    def reply(self) -> str:
        """As `SYSTem:ERRor?` sends it: number, then the text as a string."""
        return f"{self.number},{quoted(self.text)}"


def quoted(text: str) -> str:
    """A string response: double quotes around, inner ones doubled; printable ASCII only."""
    clean = "".join(c if " " <= c <= "~" else "?" for c in text)
    return '"' + clean.replace('"', '""') + '"'


class Status:
    """ESR, ESE, SRE, both SCPI register groups and the error queue of one session."""

    def __init__(self) -> None:
        self.operation = RegisterGroup()
        self.questionable = RegisterGroup()
        self.events = Event.PON
        self.event_enable = 0
        self._service_enable = 0
        self._queue: deque[Entry] = deque()

    def post(self, number: int, detail: str = "") -> None:
        """Record an error: its class bit in ESR, its text in the queue."""
        self.events |= event_bit(number)
        text = ERROR_TEXTS[number]
        if detail:
            # A detail's own quotes would be doubled on the wire; single ones stay readable.
            text = f"{text};{detail}".replace('"', "'")[:TEXT_LIMIT]
        if len(self._queue) < QUEUE_LENGTH:
            self._queue.append(Entry(number, text))
        else:
            self._queue[-1] = Entry(-350, ERROR_TEXTS[-350])
            self.events |= event_bit(-350)

    @property
    def error_count(self) -> int:
        """Entries in the error queue."""
        return len(self._queue)

    def next_error(self) -> Entry:
        """Take the oldest entry; `0,"No error"` when there is none."""
        return self._queue.popleft() if self._queue else Entry(0, ERROR_TEXTS[0])

    def take_events(self) -> int:
        """Read ESR, which clears it."""
        value = int(self.events)
        self.events = Event(0)
        return value

    @property
    def service_enable(self) -> int:
        """SRE; bit 6 always reads 0."""
        return self._service_enable

    @service_enable.setter
    def service_enable(self, value: int) -> None:
        self._service_enable = value & ~int(Summary.MSS)

    def status_byte(self, *, message_available: bool) -> int:
        """STB, bit 6 being the master summary (MSS)."""
        byte = Summary(0)
        if self._queue:
            byte |= Summary.ERROR_QUEUE
        if message_available:
            byte |= Summary.MAV
        if int(self.events) & self.event_enable:
            byte |= Summary.ESB
        if self.questionable.summary:
            byte |= Summary.QUESTIONABLE
        if self.operation.summary:
            byte |= Summary.OPERATION
        if int(byte) & self._service_enable:
            byte |= Summary.MSS
        return int(byte)

    def clear(self) -> None:
        """`*CLS`: all event registers and the error queue; enable registers and filters stay."""
        self.events = Event(0)
        self.operation.take_events()
        self.questionable.take_events()
        self._queue.clear()
