"""One pseudo terminal, for one program after which it is thrown away.

The slave side is not held open here, so that its last close is seen: the master then reports HUP.
A terminal in that state must not be polled, which would spin.
"""

from __future__ import annotations

import errno
import os
import select
import termios
import tty
from dataclasses import dataclass

from .watch import Holders, Watch

CHUNK = 4096
RATES = {
    getattr(termios, name): int(name[1:])
    for name in dir(termios)
    if name[0] == "B" and name[1:].isdecimal()
}
_OUTPUT_RATE = 5  # its place in what tcgetattr returns


@dataclass(frozen=True)
class Look:
    """What a look at a terminal showed: whether somebody holds it, whether bytes wait.

    `left`: the last program has left it since the look before; `alone`: nobody has written after
    that; `wrote`: those that left had written.
    """

    held: bool
    bytes_wait: bool
    left: bool
    alone: bool
    wrote: bool


class Terminal:
    """A raw pty that never blocks; `address` is its device, `baud` the rate it is set to at first.

    Raises OSError where there is none.
    """

    def __init__(self, watch: Watch, baud: int | None = None) -> None:
        self.master, slave = os.openpty()
        try:
            tty.setraw(slave, termios.TCSANOW)
            if baud in RATES.values():
                settings = termios.tcgetattr(slave)
                settings[4:6] = [next(code for code, rate in RATES.items() if rate == baud)] * 2
                termios.tcsetattr(slave, termios.TCSANOW, settings)
            self.address = os.ttyname(slave)
            os.set_blocking(self.master, False)
        finally:
            os.close(slave)
        self._watch = watch
        self._holders = Holders(watch, self.address)
        self._probe = select.poll()
        self._probe.register(self.master, select.POLLIN)

    def look(self) -> Look:
        """Who is there."""
        # The watch first, so that what it tells of is behind the state.
        self._watch.look()
        state = dict(self._probe.poll(0)).get(self.master, 0)
        held = not state & select.POLLHUP
        return Look(held, bool(state & select.POLLIN), *self._holders.take(held))

    def baud(self) -> int | None:
        """The rate it is set to; None for one without a name."""
        return RATES.get(termios.tcgetattr(self.master)[_OUTPUT_RATE])

    def serve(self) -> None:
        """From now on the address leads elsewhere, so that nobody else comes."""
        self._holders.only_who_comes_and_goes()

    def read(self) -> bytes:
        """What has come; empty when that is nothing."""
        try:
            return os.read(self.master, CHUNK)
        except BlockingIOError:
            return b""
        except OSError as error:
            if error.errno != errno.EIO:
                raise
            return b""  # nobody there and nothing left

    def send(self, data: bytes | bytearray) -> int:
        """How many bytes of `data` the terminal took."""
        try:
            return os.write(self.master, data)
        except BlockingIOError:
            return 0
        except OSError as error:
            if error.errno != errno.EIO:
                raise
            return 0  # the program has left, which the next look shows

    def close(self) -> None:
        """End it; a program still there reads an end of file."""
        self._holders.close()
        os.close(self.master)
