"""A port: a grammar tied to a rig, with one buffer of replies not yet taken."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from itertools import groupby
from typing import TYPE_CHECKING

from ..faults.line import TO_CARD, TO_HOST, LineByte, Way

if TYPE_CHECKING:
    from ..faults.line import Line
    from ..sim.rig import Rig
    from .dialect import DialectFactory

LOG_LIMIT = 1024 * 1024
ACTIONS = ("send", "connect", "hang_up", "lose_replies")
"""What can be done to a port: its methods, and `send` for `write`."""


class Port:
    """One role's port. It owns the replies until they are taken; it never advances the rig.

    `received` holds the bytes a host has sent (the last MiB of them), `received_count` how many
    there were in all: a port nobody used has none. `line` gives what the line does to bytes both
    ways at present, or None; bytes keep their order on it. The card's own port is dead while the
    card is in reset, and starts afresh with it.
    """

    def __init__(
        self,
        role: str,
        rig: Rig,
        factory: DialectFactory,
        line: Callable[[], Line | None] | None = None,
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
        self._sent: dict[Way, int] = {TO_CARD: 0, TO_HOST: 0}
        self._last: dict[Way, int] = {TO_CARD: 0, TO_HOST: 0}
        self._under_way = 0
        self._hosts = 0
        self._restarts = rig.card.restarts
        self.dialect = factory(rig, self._wake_at)
        rig.listeners.append(self._poll)

    @property
    def busy(self) -> bool:
        """True while a reply may come by itself: a command waits, or bytes are on the line."""
        return self.dialect.busy or self._under_way > 0

    @property
    def may_speak(self) -> bool:
        """True while bytes may come by themselves: such a reply, or lines for events."""
        return self.busy or self.dialect.may_speak

    def _tell(self, what: str, data: bytes = b"") -> None:
        """Let a recorder know what is done to the port, or comes out of it (`reply`)."""
        if self.tap is not None:
            self.tap(self.role, what, data)

    def write(self, data: bytes) -> None:
        """Bytes from the host, at the rig's time now."""
        self._tell("send", data)
        self.received += data
        self.received_count += len(data)
        if len(self.received) > 2 * LOG_LIMIT:
            del self.received[:-LOG_LIMIT]
        self._carry(data, TO_CARD)

    def take(self, size: int) -> bytes:
        """Up to `size` bytes of the replies."""
        data = bytes(self.output[:size])
        del self.output[:size]
        return data

    def connect(self) -> None:
        """A host is on the line, and finds it clean."""
        self._tell("connect")
        self._hosts += 1
        if self.role == "card" and self.rig.harness.parts.parameter("CARD", "open_resets"):
            self.rig.card.restart(self.rig.card.alive)
            self._notice_restart()
        self.dialect.forget()
        self.output.clear()
        self._muted = False

    def lose_replies(self) -> None:
        """Throw the replies away, since the host goes on sending without reading them."""
        self._tell("lose_replies")
        self.output.clear()
        self.dialect.replies_lost()

    def hang_up(self) -> None:
        """The host has gone: what it sent whole is still carried out, replies are dropped."""
        self._tell("hang_up")
        self.output.clear()
        self._hosts += 1
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
            self._notice_restart()
            self._work(self.dialect.poll)

    def _notice_restart(self) -> None:
        """A card that has fallen into reset has forgotten what it was told."""
        if self.role == "card" and self._restarts != self.rig.card.restarts:
            self._restarts = self.rig.card.restarts
            self.dialect.restart()

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
            self._tell("reply", reply)
            self._carry(reply, TO_HOST)

    def _carry(self, data: bytes, way: Way) -> None:
        """Let the line carry bytes: at once, unless it delays them or others are on their way."""
        now, line = self.rig.now, self._line() if self._line is not None else None
        first = self._sent[way]
        self._sent[way] += len(data)
        if line is None and self._last[way] <= now:
            self._arrive(data, way)
            return
        carried = [LineByte(now, value, way, f"{first + n}") for n, value in enumerate(data)]
        for tick, burst in groupby(carried if line is None else line(carried), lambda b: b.tick):
            arrival = self._last[way] = max(tick, self._last[way], now)
            come = bytes(byte.value for byte in burst)
            if arrival == now:
                self._arrive(come, way)
            else:
                self._under_way += 1
                self.rig.at(arrival, partial(self._arrive_later, come, way, self._hosts))

    def _arrive_later(self, data: bytes, way: Way, hosts: int) -> None:
        self._under_way -= 1
        if self._attached and (way == TO_CARD or hosts == self._hosts):
            self._arrive(data, way)

    def _arrive(self, data: bytes, way: Way) -> None:
        if way == TO_HOST:
            self.output += data
        elif self.role != "card" or self.rig.card.alive:
            self._notice_restart()
            self._work(lambda: self.dialect.receive(data))
