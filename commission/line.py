"""One serial line to a device that speaks IEEE 488.2 / SCPI-1999.

A message carries several commands and queries (joined by `;`) and always ends in `SYST:ERR?`, so
that one round trip both acts and tells whether it was accepted.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from types import TracebackType

import serial

from .errors import CardError, GarbledReply, NoAnswer, PortError

# Longer than the longest single wait we ask for (`WAIT? 1`, a hand's turn), at half rig pace too.
READ_TIMEOUT_S = 10.0
WRITE_TIMEOUT_S = 10.0
# 488.2 leaves the baud rate to the device; a pseudo-terminal ignores it.
BAUD = 115_200

# The reply to SYST:ERR? twice over, which no other message asks for: nor what is left of its reply.
_ERROR_TWICE = re.compile(r'^[+-]?\d+,"(?:[^"]|"")*";[+-]?\d+,"(?:[^"]|"")*"$')
# Lines at most that may still come for earlier messages.
_PASSED_OVER = 50
_UNITS = re.compile(r'(?:[^;"]|"[^"]*")+')


def join_units(units: tuple[str, ...]) -> str:
    """`units` as one message; each starts from the root of the command tree."""
    return ";".join(unit if unit.startswith("*") else ":" + unit for unit in units)


def split_units(reply: str) -> list[str]:
    """The response units of a reply; a `;` inside a quoted string does not split."""
    return [unit.strip() for unit in _UNITS.findall(reply)]


def _asks(unit: str) -> bool:
    return unit.split(" ", 1)[0].endswith("?")


class Line:
    """A port and the conversation on it. `who` names the other end in errors."""

    def __init__(self, port: serial.SerialBase, who: str, where: str = "") -> None:
        self._port = port
        self._who = who
        self.where = where
        self._timeout_s = READ_TIMEOUT_S

    @property
    def port(self) -> serial.SerialBase:
        """The open port itself, for a routine that speaks to it by its own means."""
        return self._port

    @contextmanager
    def lent(self) -> Iterator[None]:
        """Close the port while somebody else has it, and open it again. Raises PortError."""
        self.close()
        try:
            yield
        finally:
            self._port = Line.open(self.where, self._who, timeout_s=self._timeout_s)._port

    @classmethod
    def open(cls, where: str, who: str, *, timeout_s: float = READ_TIMEOUT_S) -> Line:
        """Open a device path or a pyserial URL.

        Raises PortError when it cannot be opened.
        """
        try:
            try:
                port = serial.serial_for_url(
                    where, baudrate=BAUD, timeout=timeout_s, write_timeout=WRITE_TIMEOUT_S
                )
            except NotImplementedError:  # pyserial's rfc2217:// knows no write time-out
                port = serial.serial_for_url(where, baudrate=BAUD, timeout=timeout_s)
        except (OSError, ValueError) as error:
            raise PortError(
                f"cannot open the {who} port {where!r}: {error}. Is the path right, and is the "
                "other end running?"
            ) from error
        line = cls(port, who, where)
        line._timeout_s = timeout_s
        return line

    def ask(self, *units: str) -> list[str]:
        """Send `units` as one message and return one reply for each query among them.

        Raises CardError when the other end queued an error, NoAnswer after the read time-out,
        GarbledReply when the reply does not fit, PortError when the port has gone.
        """
        message = join_units((*units, "SYST:ERR?"))
        self._write(message)
        try:
            reply = self._read(message)
        except NoAnswer:
            # After a command error the rest of a message is dropped, our SYST:ERR? with it.
            self._explain_silence(join_units(units))
            raise
        fields = split_units(reply)
        number, text = self._error(fields[-1] if fields else "", message)
        if number:
            self._drain()
            raise CardError(self._who, join_units(units), number, text)
        expected = sum(map(_asks, units))
        if len(fields) != expected + 1:
            raise GarbledReply(
                f"the {self._who} answered {message!r} with {len(fields)} parts instead of "
                f"{expected + 1}: {';'.join(fields)!r}"
            )
        return fields[:-1]

    def take_back(self, unit: str) -> str:
        """After somebody else has had the port: open, with our time-outs, nothing left unread.

        Sends `unit`, and returns what was left first in the error queue, or "". Raises PortError.
        """
        if not self._port.is_open:
            self._port = Line.open(self.where, self._who, timeout_s=self._timeout_s)._port
        self._port.timeout = self._timeout_s
        with suppress(NotImplementedError):  # as when it was opened
            self._port.write_timeout = WRITE_TIMEOUT_S
        errors = self.tell_midway(unit)
        self._drain()
        return "" if errors.startswith(("0,", "+0,")) else errors.partition(";")[0]

    def tell_midway(self, unit: str) -> str:
        """Send one command in the middle of a conversation, and wait until it has been heard.

        A half-sent message before it is ended first, and what still comes for an earlier one is
        passed over. Returns the two entries of the error queue that came with it. Raises
        PortError, NoAnswer when nothing tells that it was heard.
        """
        message = join_units((unit, "SYST:ERR?", "SYST:ERR?"))
        self._write("\n" + message)
        for _ in range(_PASSED_OVER):
            with suppress(GarbledReply):
                reply = self._read(message)
                if _ERROR_TWICE.match(reply):
                    return reply
        raise NoAnswer(f"the {self._who} answers other things than {message!r}")

    def numbers(self, unit: str, count: int) -> list[float]:
        """The `count` comma-separated numbers a single query returns."""
        return self.parse(self.ask(unit)[0], count, unit)

    def parse(self, field: str, count: int, unit: str) -> list[float]:
        """`field`, the reply to `unit`, as `count` numbers. Raises GarbledReply."""
        try:
            values = [float(part) for part in field.split(",")]
        except ValueError:
            values = []
        if len(values) != count:
            raise GarbledReply(
                f"the {self._who} answered {unit!r} with {field!r}; expected {count} "
                f"number{'s' if count > 1 else ''}"
            )
        return values

    def close(self) -> None:
        """Close the port; never raises."""
        with suppress(OSError):
            self._port.close()

    def __enter__(self) -> Line:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _error(self, field: str, message: str) -> tuple[int, str]:
        number, _, text = field.partition(",")
        try:
            return int(number), text.strip().strip('"')
        except ValueError:
            raise GarbledReply(
                f"the {self._who} ended its answer to {message!r} with {field!r}; expected an "
                'error-queue entry such as 0,"No error"'
            ) from None

    def _explain_silence(self, sent: str) -> None:
        """Raise CardError if the error queue tells why no answer came; NoAnswer if none comes."""
        self._write(":SYST:ERR?")
        number, text = self._error(self._read(":SYST:ERR?"), ":SYST:ERR?")
        if number:
            self._drain()
            raise CardError(self._who, sent, number, text)

    def _drain(self) -> None:
        """Empty the error queue, so that an old error is not taken for a new one."""
        for _ in range(64):
            self._write(":SYST:ERR?")
            if self._read(":SYST:ERR?").startswith(("0,", "+0,")):
                return

    def _write(self, message: str) -> None:
        try:
            self._port.write(message.encode("ascii") + b"\n")
        except serial.SerialTimeoutException as error:
            raise NoAnswer(f"the {self._who} takes no more bytes ({message!r})") from error
        except OSError as error:
            raise PortError(f"the {self._who} port has gone: {error}") from error

    def _read(self, message: str) -> str:
        try:
            raw: bytes = self._port.read_until(b"\n")
        except OSError as error:
            raise PortError(f"the {self._who} port has gone: {error}") from error
        if not raw.endswith(b"\n"):
            came = f"; only {raw!r} came" if raw else ""
            raise NoAnswer(f"no answer from the {self._who} to {message!r} in time{came}")
        try:
            return raw.decode("ascii").strip()
        except UnicodeDecodeError:
            raise GarbledReply(
                f"the {self._who} answered {message!r} with {raw!r}, which is not ASCII text"
            ) from None
