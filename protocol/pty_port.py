"""One port of a rig on pseudo terminals: a fresh one for each program that comes.

What a program leaves in a terminal, its replies unread, its settings and half its line, is there
for whoever opens that terminal next, and faster than anybody could clear it away. So the moment a
program is seen on the terminal that `address` names, and before the first reply goes into it,
`address` moves on to another one. Who comes while a program is still there joins it: both are
heard, and both get the replies, as two programs on one serial line would.

Two that follow each other faster than we look can still meet on one terminal. If the first has
written, nobody can tell their bytes apart, and the second reads an end of file instead.
"""

from __future__ import annotations

from collections.abc import Callable, Container

from .intake import AsTheyCome, Intake
from .poller import READ, WRITE
from .port import Port
from .terminal import CHUNK, Terminal
from .watch import Watch

_UNKNOWN = -1


class PtyPort:
    """Carries bytes between a `Port` and its terminals; never blocks.

    `address` is the device for a host to open, and `moved` is told whenever that changes.
    Raises OSError where there are no ptys.
    """

    def __init__(
        self,
        port: Port,
        intake: Intake | None = None,
        moved: Callable[[str], None] | None = None,
    ) -> None:
        self.port = port
        self._intake = AsTheyCome() if intake is None else intake
        self._moved = moved
        self._watch = Watch()
        self.restless = self._watch.fd is None
        self._fresh = self._terminal()
        self._held: list[Terminal] = []
        self._polled: list[tuple[int, int]] = []
        self._polled_for = _UNKNOWN
        port.hang_up()

    @property
    def address(self) -> str:
        """The device for the next host."""
        return self._fresh.address

    @property
    def attached(self) -> bool:
        """Whether a host is there."""
        return bool(self._held)

    def wanted(self) -> list[tuple[int, int]]:
        """What to poll until there is something to do: file descriptors and events."""
        events = READ if self._intake.ready(self.port) else 0
        if self.port.output:
            events |= WRITE
        if events != self._polled_for:
            self._polled_for = events
            self._polled = [] if self._watch.fd is None else [(self._watch.fd, READ)]
            if events:
                self._polled += [(terminal.master, events) for terminal in self._held]
        return self._polled

    def turn(self, events: Container[int] | None = None) -> None:
        """Do what can be done now: see hosts come and go, read once, write once.

        Saves a look at who is there when a poll's `events` say that nothing happened to that.
        """
        watch = self._watch.fd
        if events is None or watch is None or watch in events:
            for terminal in tuple(self._held):
                self._attend(terminal)
            self._receive()
        else:
            for terminal in self._held:
                if terminal.master in events and self._intake.ready(self.port):
                    self._take(terminal)
        self.write()

    def write(self) -> None:
        """Send as many replies as the terminals take; of two, the slower one misses some."""
        output = self.port.output
        if output and self._held:
            piece = output[:CHUNK]
            del output[: max([terminal.send(piece) for terminal in self._held])]

    def close(self) -> None:
        """End the terminals; a host still there reads an end of file."""
        for terminal in (self._fresh, *self._held):
            terminal.close()
        self._held.clear()
        self._watch.close()

    def _attend(self, terminal: Terminal) -> None:
        """Read once from a terminal, and see whether its host has gone."""
        seen = terminal.look()
        if seen.left or not seen.held:
            self._retire(terminal, drain=not seen.held or seen.alone)
        elif seen.bytes_wait and self._intake.ready(self.port):
            self._take(terminal)

    def _terminal(self) -> Terminal:
        uart = self.port.uart
        return Terminal(self._watch, None if uart is None else uart.baud)

    def _take(self, terminal: Terminal) -> None:
        """Read once."""
        if self.port.uart is not None:
            self.port.host_at(terminal.baud())
        if data := terminal.read():
            self._intake.feed(self.port, data)

    def _retire(self, terminal: Terminal, *, drain: bool) -> None:
        """Throw a terminal away; `drain` carries out what its host sent and nobody has read yet."""
        self._held.remove(terminal)
        self._polled_for = _UNKNOWN
        if not self._held:
            self.port.hang_up()
        if drain:
            self._drain(terminal)
        terminal.close()

    def _drain(self, terminal: Terminal) -> None:
        while data := terminal.read():
            self._intake.feed(self.port, data)

    def _receive(self) -> None:
        """See whether somebody has come."""
        terminal = self._fresh
        seen = terminal.look()
        if not (seen.held or seen.bytes_wait or seen.left):
            return
        self._fresh = self._terminal()
        if self._moved is not None:
            self._moved(self._fresh.address)
        terminal.serve()
        # Who left before this one came can be seen to have left by now.
        for other in tuple(self._held):
            self._attend(other)
        if not self._held:
            self.port.connect()
        self._held.append(terminal)
        self._polled_for = _UNKNOWN
        if not seen.held or (seen.left and seen.wrote):
            self._retire(terminal, drain=not seen.held or seen.alone)
        else:
            self._attend(terminal)
