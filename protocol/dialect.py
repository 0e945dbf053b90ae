"""What a grammar is to a port, and the default one."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Protocol

from ..errors import (
    CardBusy,
    DryrigError,
    FaultError,
    HandBusy,
    LiveCircuit,
    NoBrake,
    NoRoom,
    StopPressed,
    UnknownPlug,
    UnknownTerminal,
)
from .headers import HeaderTable, split_header
from .message import units_of
from .scpi import Command, Result, Wait, Words
from .status import Event, ScpiError, Status

if TYPE_CHECKING:
    from collections.abc import Callable

    from ..sim.rig import Rig
    from .station import Station

INPUT_LIMIT = 64 * 1024
# Programs send the same again and again: how many units are kept as they were read, up to a length.
KNOWN_UNITS, KNOWN_LENGTH = 256, 120


class Dialect(Protocol):
    """A grammar: bytes and rig time in, bytes out, an arm to act on.

    Subclass it; only `__init__` and `receive` must be written. One is made for a port by a factory
    that is given the rig, `wake_at`, and the parameters in its name as keywords; `wake_at(tick)`
    makes the port call `poll` at that tick of rig time. No method may advance the rig.
    """

    @property
    def busy(self) -> bool:
        """True while a command waits for rig time, so that a reply may come by itself."""
        return False

    @property
    def may_speak(self) -> bool:
        """True while something may be sent by itself: a reply that waits, or unasked lines."""
        return self.busy

    def receive(self, data: bytes) -> bytes:
        """Bytes from the host, now; returns what is to be sent back at once."""
        ...

    def poll(self) -> bytes:
        """Called after every event of the rig and at every tick asked for."""
        return b""

    def forget(self) -> None:
        """A new host is on the line: drop unfinished input, waits and replies."""
        return

    def restart(self) -> None:
        """The card fell into reset: as at power-up."""
        self.forget()

    def replies_lost(self) -> None:
        """The host sends and does not read: the replies that waited for it were thrown away."""
        return


if TYPE_CHECKING:
    DialectFactory = Callable[[Rig, Callable[[int], None]], Dialect]


class ScpiDialect(Dialect):
    """The default grammar: IEEE 488.2 / SCPI-1999 style, one role's words, one session.

    After a command error (-1xx) the rest of the message is given up, since the parser cannot
    know what was meant; after any other error the next unit is carried out.
    """

    def __init__(self, station: Station, words: Words, wake_at: Callable[[int], None]) -> None:
        self.station = station
        self.rig: Rig = station.rig
        self.words = words
        self.axes: int = station.rig.card.axes
        self.status = Status()
        self.completion_armed = False
        self._table: HeaderTable[Command] = words.table()
        self._wake_at = wake_at
        self._input = bytearray()
        self._skipping = False
        self._overrun = False
        self._output = bytearray()
        self._wait: Wait | None = None
        self._units: deque[str] = deque()
        self._replies: list[str] = []
        self._path = ""
        self._known: dict[tuple[str, str], tuple[Callable[[], Result], str, bool]] = {}
        self.reporting = False
        self._told = 0
        self.sense()

    @property
    def busy(self) -> bool:
        """True while a command waits for rig time."""
        return self._wait is not None

    @property
    def may_speak(self) -> bool:
        """True while a command waits, or lines are sent for events."""
        return self.busy or self.reporting

    @property
    def has_reply(self) -> bool:
        """True when an earlier query of the message under way has answered."""
        return bool(self._replies)

    def receive(self, data: bytes) -> bytes:
        """Carry out what is complete; keep the rest, at most 64 KiB, then error -363."""
        if self._skipping:
            newline = data.find(b"\n")
            if newline < 0:
                return b""
            data = data[newline + 1 :]
            self._skipping = False
        while data:
            room = INPUT_LIMIT - len(self._input)
            if room >= len(data):
                self._input += data
                self._run()
                break
            if room == 0:
                self._lose(data)
                break
            self._input += data[:room]
            data = data[room:]
            self._run()
        return self._take_output()

    def poll(self) -> bytes:
        """Look whether the wait is over, and go on with what was kept meanwhile."""
        self.sense()
        if self.reporting:
            self._report()
        self.notice_completion()
        wait = self._wait
        if wait is not None and (wait.done() or self.rig.now >= wait.until):
            self._wait = None
            self._attempt(wait.then, not wait.done())
            self._run()
        return self._take_output()

    def forget(self) -> None:
        """Drop unfinished input, waits and replies; the registers and the error queue stay."""
        self._input.clear()
        self._output.clear()
        self._units.clear()
        self._replies.clear()
        self._wait = None
        self._skipping = self._overrun = False
        self.reporting = False

    def restart(self) -> None:
        """As at power-up: registers and error queue too, and bit 7 (PON) of the event register."""
        self.forget()
        self.status = Status()
        self.completion_armed = False
        self.sense()

    def replies_lost(self) -> None:
        """IEEE 488.2's way out when input and output are both full."""
        self.status.post(-430, "replies were not read and are lost")

    def notice_completion(self) -> None:
        """Set the OPC bit if `*OPC` asked for it and nothing is under way any more."""
        if self.completion_armed and not self.words.pending(self):
            self.completion_armed = False
            self.status.events |= Event.OPC

    def sense(self) -> None:
        """Let the SCPI register groups see what their conditions are now."""
        self.status.operation.sense(self.words.operation(self))
        self.status.questionable.sense(self.words.questionable(self))

    def report(self, on: bool) -> None:
        """Send a line for each event from now on, or no more."""
        self.reporting = on
        self._told = self.words.events(self)

    def _report(self) -> None:
        """The lines of events not yet told; a reply is never cut by one."""
        lines = self.words.lines(self, self._told)
        self._told = self.words.events(self)
        self._output += "".join(f"{line}\n" for line in lines).encode("ascii")

    def _take_output(self) -> bytes:
        if self.reporting:
            self._report()
        if not self._output:
            return b""
        out = bytes(self._output)
        self._output.clear()
        return out

    def _lose(self, data: bytes) -> None:
        """Input is full: keep whole messages, drop the rest up to the next newline."""
        if not self._overrun:
            self._overrun = True
            self.status.post(-363, f"more than {INPUT_LIMIT} bytes are waiting")
        del self._input[self._input.rfind(b"\n") + 1 :]
        self._skipping = not data.endswith(b"\n")

    def _run(self) -> None:
        units = self._units
        while self._wait is None:
            if units:
                self._attempt(self._execute, units.popleft())
                continue
            if self._replies:
                self._output += (";".join(self._replies) + "\n").encode("ascii")
                self._replies.clear()
            if not self._input or (newline := self._input.find(b"\n")) < 0:
                return
            line = bytes(self._input[:newline])
            del self._input[: newline + 1]
            self._overrun = False
            self._path = ""
            try:
                units.extend(units_of(line))
            except ScpiError as error:
                self.status.post(error.number, error.detail)

    def _attempt(self, action: Callable[..., Result], *values: object) -> None:
        try:
            result = action(*values)
        except ScpiError as error:
            self.status.post(error.number, error.detail)
            if error.is_command_error:
                self._units.clear()
            return
        except (CardBusy, HandBusy, LiveCircuit, NoBrake, NoRoom, StopPressed) as error:
            self.status.post(-221, str(error))
            return
        except (FaultError, UnknownPlug, UnknownTerminal) as error:
            self.status.post(-224, str(error))
            return
        except DryrigError as error:
            self.status.post(-200, str(error))
            return
        if isinstance(result, Wait):
            if result.done() or self.rig.now >= result.until:
                self._attempt(result.then, not result.done())
            else:
                self._wait = result
                self._wake_at(result.until)
        elif result is not None:
            self._replies.append(result)

    def _execute(self, unit: str) -> Result:
        known = self._known.get((self._path, unit))
        if known is None:
            known = self._read(unit)
        act, self._path, query = known
        try:
            return act()
        finally:
            if not query:
                self.sense()

    def _read(self, unit: str) -> tuple[Callable[[], Result], str, bool]:
        """What a unit does after the present path, the path it leaves, whether it is a query."""
        place = (self._path, unit)
        header, query, data = split_header(unit)
        command, self._path = self._table.find(header, self._path)
        known = command.read(self, query, data), self._path, query
        if len(unit) <= KNOWN_LENGTH:
            if len(self._known) == KNOWN_UNITS:
                self._known.clear()
            self._known[place] = known
        return known
