"""A port: a grammar tied to a rig, with one buffer of replies not yet taken."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ..faults.inject import LineFilter
    from ..sim.rig import Rig
    from .dialect import DialectFactory

LOG_LIMIT = 1024 * 1024
ACTIONS = ("send", "connect", "hang_up", "lose_replies")
"""What can be done to a port: its methods, and `send` for `write`."""


class Port:
    """One role's port. It owns the replies until they are taken; it never advances the rig.

    `received` holds the bytes a host has sent (the last MiB of them), `received_count` how many
    there were in all: a port nobody used has none. `line` gives what filters the bytes both ways
    at present, or None.
    """

    def __init__(
        self,
        role: str,
        rig: Rig,
        factory: DialectFactory,
        line: Callable[[], LineFilter | None] | None = None,
    ) -> None:
        self.role = role
        self.rig = rig
        self.received = bytearray()
        self.received_count = 0
        self.output = bytearray()
        self.tap: Callable[[str, str, bytes], None] | None = None
        self._line = line
        self._muted = False
        self._working = False
        self._attached = True
        self.dialect = factory(rig, self._wake_at)
        rig.listeners.append(self._poll)

    @property
    def busy(self) -> bool:
        """True while a command waits for rig time, so that a reply may come by itself."""
        return self.dialect.busy

    def note(self, what: str, data: bytes = b"") -> None:
        """Let a recorder know what is done to the port, or comes out of it (`reply`)."""
        if self.tap is not None:
            self.tap(self.role, what, data)

    def write(self, data: bytes) -> None:
        """Bytes from the host, at the rig's time now."""
        self.note("send", data)
        self.receive(data)

    def receive(self, data: bytes) -> None:
        """The same without letting a recorder know, for who has told it already."""
        self.received += data
        self.received_count += len(data)
        if len(self.received) > 2 * LOG_LIMIT:
            del self.received[:-LOG_LIMIT]
        filtered = self._filter(data, to_host=False)
        self._work(lambda: self.dialect.receive(filtered))

    def take(self, size: int) -> bytes:
        """Up to `size` bytes of the replies."""
        data = bytes(self.output[:size])
        del self.output[:size]
        return data

    def connect(self) -> None:
        """A host is on the line, and finds it clean."""
        self.note("connect")
        self.dialect.forget()
        self.output.clear()
        self._muted = False

    def lose_replies(self) -> None:
        """Throw the replies away, since the host goes on sending without reading them."""
        self.note("lose_replies")
        self.output.clear()
        self.dialect.replies_lost()

    def hang_up(self) -> None:
        """The host has gone: what it sent whole is still carried out, replies are dropped."""
        self.note("hang_up")
        self.output.clear()
        self._muted = True

    def detach(self) -> None:
        """Take the port off its rig."""
        if self._attached:
            self._attached = False
            self.rig.listeners.remove(self._poll)

    def _wake_at(self, tick: int) -> None:
        self.rig.at(tick, self._poll)

    def _poll(self) -> None:
        if self._attached:
            self._work(self.dialect.poll)

    def _work(self, action: Callable[[], bytes]) -> None:
        # A command's own effect can raise an event: the grammar must not be entered twice.
        if self._working:
            return
        self._working = True
        try:
            reply = action()
        finally:
            self._working = False
        if reply and not self._muted:
            self.note("reply", reply)
            self.output += self._filter(reply, to_host=True)

    def _filter(self, data: bytes, *, to_host: bool) -> bytes:
        line = self._line() if self._line is not None else None
        return data if line is None else line(data, to_host)
