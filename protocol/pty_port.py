"""One port of a rig on a pseudo terminal.

The slave side is not held open here, so that its last close is seen: the master then reports
HUP. A terminal in that state must not be polled, which would spin. Whatever the last host changed
or left unread is undone before the next one comes.
"""

from __future__ import annotations

import errno
import os
import select
import termios
import tty
from collections.abc import Container

from .intake import AsTheyCome, Intake
from .poller import READ, WRITE
from .port import Port
from .watch import Watch

CHUNK = 4096


class PtyPort:
    """Carries bytes between a `Port` and a pty; never blocks.

    `address` is the device for a host to open.
    Raises OSError where there are no ptys.
    """

    def __init__(self, port: Port, intake: Intake | None = None) -> None:
        self.port = port
        self._intake = AsTheyCome() if intake is None else intake
        self.master, slave = os.openpty()
        try:
            tty.setraw(slave, termios.TCSANOW)
            self.address = os.ttyname(slave)
            os.set_blocking(self.master, False)
        finally:
            os.close(slave)
        self.attached = False
        self._watch = Watch(self.address)
        self._probe = select.poll()
        self._probe.register(self.master, select.POLLIN)
        port.hang_up()

    def wanted(self) -> list[tuple[int, int]]:
        """What to poll until there is something to do: file descriptors and events."""
        polled = [] if self._watch.fd is None else [(self._watch.fd, READ)]
        if self.attached:
            events = READ if self._intake.ready(self.port) else 0
            polled.append((self.master, events | WRITE if self.port.output else events))
        return polled

    def concerned(self, events: Container[int]) -> bool:
        """Whether a poll that gave `events` (file descriptors) leaves something to do here."""
        watch = self._watch.fd
        return watch is None or watch in events or self.master in events

    def turn(self) -> None:
        """Do what can be done now: see hosts come and go, read once, write once."""
        events = self._state()
        left, alone = self._watch.take(not events & select.POLLHUP)
        if left:
            self._leave(drain=alone)
            events = self._state()
        if not self.attached and (events & select.POLLIN or not events & select.POLLHUP):
            self.attached = True
            self.port.connect()
        if self.attached and events & select.POLLIN:
            gone = events & select.POLLHUP
            if (gone or self._intake.ready(self.port)) and (data := self._read()):
                self._intake.feed(self.port, data)
        elif self.attached and events & select.POLLHUP:
            self._leave(drain=False)
        self.write()

    def write(self) -> None:
        """Send as many replies as the terminal takes."""
        output = self.port.output
        if not output or not self.attached:
            return
        try:
            sent = os.write(self.master, output[:CHUNK])
        except BlockingIOError:
            return
        except OSError as error:
            if error.errno != errno.EIO:
                raise
            return  # the host has left, which the next turn sees
        del output[:sent]

    def close(self) -> None:
        """End the terminal; a host still there reads an end of file."""
        self._watch.close()
        os.close(self.master)

    def _state(self) -> int:
        return dict(self._probe.poll(0)).get(self.master, 0)

    def _read(self) -> bytes | None:
        try:
            return os.read(self.master, CHUNK)
        except BlockingIOError:
            return None
        except OSError as error:
            if error.errno != errno.EIO:
                raise
            return None  # nobody there and nothing left

    def _leave(self, *, drain: bool) -> None:
        """The last host has gone. `drain` carries out what it sent and nobody has read yet."""
        if not self.attached:
            self.port.connect()  # it came unseen: its bytes do not continue another's
        self.attached = False
        self.port.hang_up()
        while drain and (data := self._read()):
            self._intake.feed(self.port, data)
        slave = os.open(self.address, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            tty.setraw(slave, termios.TCSANOW)
            termios.tcflush(slave, termios.TCIFLUSH)
        finally:
            os.close(slave)
        self._watch.take(not self._state() & select.POLLHUP)  # our own coming and going
