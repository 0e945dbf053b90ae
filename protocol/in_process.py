"""A rig in this process behind pyserial's interface, on simulated time.

Rig time moves only inside the calls of the ports of a rig, so that nothing here looks at a wall
clock or sleeps.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Any, NoReturn

from serial.serialutil import PortNotOpenError, SerialBase, SerialException

from ..errors import DryrigError
from ..sim.clock import NEVER, TICKS_PER_S, ticks
from .again import see_again
from .lease import Lease, WrongThread
from .url import parse_url

if TYPE_CHECKING:
    from .port import Port
    from .station import Station

CALL_TICKS = TICKS_PER_S // 10_000  # 100 us of rig time for each call


class Serial(SerialBase):
    """A port of an in-process rig, with pyserial's whole interface.

    Every call costs 100 us of rig time. A read runs the rig to the earlier of its one deadline
    and the last byte asked for; with `timeout=None` it raises SerialException as soon as nothing
    can come any more. One thread at a time. With `baud=` in the address bytes take their time on
    the card's line, and the baud rate must be the card's; other line settings are accepted and mean
    nothing. CTS, DSR and CD always read true, RI false. There is no file descriptor.
    """

    _lease: Lease | None = None

    def open(self) -> None:
        """Start the rig, or join it. Raises SerialException with the reason."""
        if self.port is None:
            raise SerialException("Port must be configured before it can be used.")
        if self.is_open:
            raise SerialException("Port is already open.")
        try:
            self._lease = Lease(parse_url(self.port))
        except DryrigError as error:
            raise SerialException(f"could not open port {self.port!r}: {error}") from None
        self._lease.port.host_at(self.baudrate)
        self.is_open = True

    def close(self) -> None:
        """Give the port back; the rig ends with its last port."""
        if self._lease is not None:
            lease, self._lease = self._lease, None
            lease.release()
        self.is_open = False

    @property
    def station(self) -> Station:
        """The station behind an open port, for tests: its rig, faults and other ports."""
        return self._held().station

    @property
    def in_waiting(self) -> int:
        """Bytes that can be read at once."""
        return len(self._call().output)

    @property
    def out_waiting(self) -> int:
        """Bytes not yet sent; always 0."""
        self._call()
        return 0

    def read(self, size: int = 1) -> bytes:
        """Up to `size` bytes, fewer when the deadline comes first."""
        out = self._fill(lambda output: len(output) >= size)
        return out.take(max(size, 0))

    def read_until(self, expected: bytes = b"\n", size: int | None = None) -> bytes:
        """Bytes up to and with `expected`, at most `size`; one deadline for all of them."""

        def enough(output: bytearray) -> bool:
            return expected in output or (size is not None and len(output) >= size)

        port = self._fill(enough)
        found = port.output.find(expected)
        length = found + len(expected) if found >= 0 else len(port.output)
        return port.take(length if size is None else min(length, size))

    def readline(self, size: int | None = -1) -> bytes:
        """One line, or what came of it by the deadline."""
        return self.read_until(b"\n", None if size is None or size < 0 else size)

    def write(self, data: Any) -> int:
        """Send bytes; returns how many. Never blocks."""
        if isinstance(data, str):
            raise TypeError(f"a port takes bytes, got the text {data[:20]!r}: encode it first")
        sent = bytes(data)
        self._call().write(sent)
        return len(sent)

    def flush(self) -> None:
        """Nothing is ever left to send."""
        if self.is_open:
            self._call()

    def reset_input_buffer(self) -> None:
        """Drop the replies not yet read."""
        self._call().output.clear()

    def reset_output_buffer(self) -> None:
        """Nothing is ever left to send."""
        self._call()

    def send_break(self, duration: float = 0.25) -> None:
        """Let `duration` seconds of rig time pass; the card takes no notice of a break."""
        rig = self._call().rig
        rig.advance(rig.now + ticks(duration))

    def cancel_read(self) -> None:
        """Nothing to cancel: one thread uses a port, and it is here."""
        self._call()

    def cancel_write(self) -> None:
        """Nothing to cancel."""
        self._call()

    def fileno(self) -> NoReturn:
        """Raises io.UnsupportedOperation."""
        raise io.UnsupportedOperation(
            "a dryrig:// port has no file descriptor, hence no select and no asyncio; "
            "run `dryrig serve` and open the device it prints"
        )

    @property
    def cts(self) -> bool:
        """Always true."""
        self._call()
        return True

    @property
    def dsr(self) -> bool:
        """Always true."""
        self._call()
        return True

    @property
    def ri(self) -> bool:
        """Always false."""
        self._call()
        return False

    @property
    def cd(self) -> bool:
        """Always true."""
        self._call()
        return True

    def _reconfigure_port(self) -> None:
        self._call().host_at(self.baudrate)

    def _update_rts_state(self) -> None:
        self._call()

    def _update_dtr_state(self) -> None:
        self._call()

    def _update_break_state(self) -> None:
        self._call()

    def _held(self) -> Lease:
        if self._lease is None:
            raise PortNotOpenError()
        try:
            self._lease.check_thread()
        except WrongThread as error:
            raise SerialException(f"port {self.port!r}: {error}") from None
        return self._lease

    def _call(self) -> Port:
        port = self._held().port
        port.rig.advance(port.rig.now + CALL_TICKS)
        return port

    def _fill(self, enough: Callable[[bytearray], bool]) -> Port:
        """Run the rig until `enough` of the output, or to the call's one deadline."""
        started = self._held().port.rig.now
        port = self._call()
        rig, output = port.rig, port.output
        deadline = NEVER if self.timeout is None else started + ticks(self.timeout)
        while not enough(output) and rig.now < deadline:
            if deadline == NEVER and not (port.may_speak and rig.pending()):
                again = see_again(self._held().notes)
                raise SerialException(
                    f"this read of {self.port!r} would wait for ever: no command waits on the "
                    f"port, {len(output)} bytes are there and no more can come; "
                    "set a timeout, or look at SYSTem:ERRor?" + (again and f"\n{again}")
                )
            size = len(output)
            limit = deadline
            if size and self.inter_byte_timeout is not None:
                limit = min(limit, rig.now + ticks(self.inter_byte_timeout))
            rig.run_until(partial(_changed, port, size, deadline == NEVER), limit)
            if len(output) == size and rig.now >= limit:
                break
        return port


def _changed(port: Port, size: int, endless: bool) -> bool:
    return len(port.output) != size or (endless and not port.may_speak)
