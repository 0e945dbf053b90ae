"""One port of a rig at a TCP address, as plain bytes or by RFC 2217.

One host at a time: who comes while another is there reads a line that says so, and is sent away.
A host is taken to be there until its end has been read, since TCP tells of that after its bytes.
"""

from __future__ import annotations

import socket
from collections.abc import Callable, Container
from dataclasses import replace
from typing import Protocol

from .intake import Intake
from .listen import Address
from .poller import READ, WRITE
from .port import Port
from .rfc2217 import Rfc2217

CHUNK = 4096
# A UART has no room for megabytes of replies that nobody reads.
SEND_BUFFER = 16 * 1024


class Wire(Protocol):
    """What is spoken on a connection: data bytes to bytes on the wire, and back."""

    def decode(self, data: bytes) -> bytes:
        """The data in what has come."""
        ...

    def encode(self, data: bytes) -> bytes:
        """Data as it is to be sent."""
        ...


class Plain:
    """Data bytes as they are."""

    def decode(self, data: bytes) -> bytes:
        """The data in what has come."""
        return data

    def encode(self, data: bytes) -> bytes:
        """Data as it is to be sent."""
        return data


class TcpPort:
    """Carries bytes between a `Port` and a TCP connection; never blocks.

    `address` is what a host opens. Raises OSError where nothing can listen there.
    """

    restless = False

    def __init__(self, port: Port, where: Address, intake: Intake) -> None:
        self.port = port
        self._intake = intake
        family = socket.AF_INET6 if ":" in where.host else socket.AF_INET
        self._listener = socket.create_server((where.host, where.port), family=family)
        self._listener.setblocking(False)
        self._where = replace(where, port=self._listener.getsockname()[1])
        self._make: Callable[[], Wire] = Plain
        if where.scheme == "rfc2217":
            self._make = lambda: Rfc2217(port, self._out)
        self._host: socket.socket | None = None
        self._out = bytearray()
        self._wire: Wire = Plain()
        port.hang_up()

    @property
    def address(self) -> str:
        """What a host opens."""
        return str(self._where)

    def wanted(self) -> list[tuple[int, int]]:
        """What to poll until there is something to do: file descriptors and events."""
        newcomers = (self._listener.fileno(), READ)
        if self._host is None:
            return [newcomers]
        writing = WRITE if self._out or self.port.output else 0
        if self._intake.ready(self.port):
            return [newcomers, (self._host.fileno(), READ | writing)]
        return [(self._host.fileno(), writing)] if writing else []

    def turn(self, events: Container[int] | None = None) -> None:
        """Do what can be done now: read once, write once, see hosts come and go."""
        if self._host is None or (self._intake.ready(self.port) and not self._receive()):
            self._accept()
        self.write()

    def write(self) -> None:
        """Send as many replies as the connection takes."""
        if self._host is None:
            return
        if not self._out:
            self._out += self._wire.encode(self.port.take(CHUNK))
        if not self._out:
            return
        try:
            sent = self._host.send(self._out)
        except BlockingIOError:
            return
        except OSError:
            self._leave()
            return
        del self._out[:sent]

    def close(self) -> None:
        """End the connection; a host still there reads an end of file."""
        if self._host is not None:
            self._host.close()
        self._listener.close()

    def _receive(self) -> bool:
        """Take what has come; False when that was nothing, and the host is still there."""
        assert self._host is not None
        try:
            data = self._host.recv(CHUNK)
        except BlockingIOError:
            return False
        except OSError:
            data = b""
        if data:
            if told := self._wire.decode(data):
                self._intake.feed(self.port, told)
        else:
            self.write()  # it may only have closed its own direction
            self._leave()
        return True

    def _accept(self) -> None:
        try:
            host, _ = self._listener.accept()
        except OSError:
            return  # nobody, or one that has left again
        host.setblocking(False)
        if self._host is not None:
            with host:
                _send_away(host, self.port.role)
            return
        host.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        host.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER)
        self._host = host
        self._out.clear()
        self.port.connect()
        self._wire = self._make()
        if self._intake.ready(self.port):
            self._receive()

    def _leave(self) -> None:
        if self._host is not None:
            self._host.close()
            self._host = None
            self._out.clear()
            self.port.hang_up()


def _send_away(host: socket.socket, role: str) -> None:
    try:
        host.send(f"dryrig: another program is on the {role} port; it has room for one\n".encode())
        host.shutdown(socket.SHUT_WR)
        host.recv(CHUNK)  # to close on unread bytes would be a reset, which can overtake the line
    except OSError:
        return  # it did not wait for it
