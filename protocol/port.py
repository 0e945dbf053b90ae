"""A port: a grammar tied to a rig, with one buffer of replies not yet taken."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from itertools import groupby
from typing import TYPE_CHECKING, NamedTuple

from ..faults.line import TO_CARD, TO_HOST, LineByte, Way, sampled
from ..sim.serial_line import frame_ticks

if TYPE_CHECKING:
    from ..faults.line import BadLine, Held
    from ..sim.rig import Rig
    from .dialect import DialectFactory
    from .line_trace import LineTrace
    from .uart import Uart

LOG_LIMIT = 1024 * 1024
NOTHING_HELD: Held = {}
ACTIONS = ("send", "connect", "hang_up", "lose_replies", "host_at")
"""What can be done to a port: its methods, and `send` for `write`."""
BAUD = 115_200
"""What a line that takes no time is drawn at, and what a byte costs in lockstep."""


class Piece(NamedTuple):
    """Bytes that stand on the line at `baud`, and what whoever is at its other end hears."""

    way: Way
    sent: bytes
    heard: bytes
    baud: float


class Port:
    """One role's port. It owns the replies until they are taken; it never advances the rig.

    `received` holds the bytes a host has sent (the last MiB of them), `received_count` how many
    there were in all: a port nobody used has none. `line` gives what the line does to bytes both
    ways at present, or None; bytes keep their order on it. With a `uart` they take their time on it
    too, and a host at another rate reads and writes garbage: each samples the other's bits by its
    own clock. `on_the_line` is how many pieces, with a `uart` how many bytes, are under way,
    `stirred` whether anything has happened to it: for whoever serves it, who sets it back. The
    card's own port is dead while the card is in reset, and starts afresh with it. `trace` shows
    what went over the line.
    """

    def __init__(
        self,
        role: str,
        rig: Rig,
        factory: DialectFactory,
        line: Callable[[], BadLine | None] | None = None,
        trace: LineTrace | None = None,
    ) -> None:
        self.role = role
        self.rig = rig
        self.received = bytearray()
        self.received_count = 0
        self.output = bytearray()
        self.tap: Callable[[str, str, bytes], None] | None = None
        self.uart: Uart | None = None
        self.trace = trace
        self._host_baud: int | None = None
        self._recorder = rig.trace
        self._line = line
        self._muted = False
        self._working = False
        self._attached = True
        self._sent: dict[Way, int] = {TO_CARD: 0, TO_HOST: 0}
        self._last: dict[Way, int] = {TO_CARD: 0, TO_HOST: 0}
        self._under_way: dict[Way, int] = {TO_CARD: 0, TO_HOST: 0}
        self.on_the_line = 0
        self.stirred = True
        self._held: dict[Way, Held] = {TO_CARD: {}, TO_HOST: {}}
        self._hosts = self._connects = 0
        self._restarts = rig.card.restarts
        self.dialect = factory(rig, self._wake_at)
        rig.listeners.append(self._poll)

    @property
    def busy(self) -> bool:
        """True while a reply may come by itself: a command waits, or bytes are on the line."""
        return self.on_the_line > 0 or self.dialect.busy

    @property
    def may_speak(self) -> bool:
        """True while bytes may come by themselves: such a reply, or lines for events."""
        return self.busy or self.dialect.may_speak

    def host_at(self, baud: int | None) -> None:
        """The host's end is set to that rate; None: to the card's."""
        if self.uart is not None and baud != self._host_baud:
            self.note("host_at", str(baud or self.uart.baud).encode())
            self._host_baud = baud

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
        self._carry(data, TO_CARD)

    def take(self, size: int) -> bytes:
        """Up to `size` bytes of the replies."""
        data = bytes(self.output[:size])
        del self.output[:size]
        return data

    def connect(self) -> None:
        """A host is on the line, and finds it clean."""
        self.note("connect")
        self._hosts += 1
        self._connects += 1
        self._host_baud = None
        self._last = {TO_CARD: self.rig.now, TO_HOST: self.rig.now}
        self._count(TO_CARD, 0)
        self._count(TO_HOST, 0)
        if self.role == "card" and self.rig.harness.parts.parameter("CARD", "open_resets"):
            self.rig.card.restart(self.rig.card.alive)
            self._notice_restart()
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
        self._hosts += 1
        self._count(TO_HOST, 0)
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

    def _notice_restart(self) -> bool:
        """A card that has fallen into reset has forgotten what it was told; whether it lives."""
        if self.role != "card":
            return True
        card = self.rig.card
        if self._restarts != card.restarts:
            self._restarts = card.restarts
            self.dialect.restart()
        return card.alive

    def _work(self, action: Callable[..., bytes], *values: bytes) -> None:
        # A command's own effect can raise an event: the grammar must not be entered twice.
        if self._working:
            return
        self._working = self.stirred = True
        try:
            reply = action(*values)
        finally:
            self._working = False
        if reply and not self._muted:
            if self.tap is not None:
                self.tap(self.role, "reply", reply)
            self._carry(reply, TO_HOST)

    def _carry(self, data: bytes, way: Way) -> None:
        """Let the line carry bytes: at once, unless it delays them or others are on their way."""
        line = None if self._line is None else self._line()
        first = self._sent[way]
        self._sent[way] = first + len(data)
        if line is None:
            self._held[way] = NOTHING_HELD
            if self.uart is None and self._last[way] <= self.rig.now:
                self._come(data, data, way, BAUD)
                return
        now, uart = self.rig.now, self.uart
        carried = tuple(LineByte(now, value, way, f"{first + n}") for n, value in enumerate(data))
        own = BAUD if uart is None else uart.baud
        host = self._host_baud or own
        if uart is not None and way == TO_HOST:
            carried = uart.answered(carried)
        if line is not None:
            carried, self._held[way] = line(carried, self._held[way])
        heard = sampled(carried, own / host)
        if uart is None:
            for (tick, ratio), burst in groupby(heard, lambda one: (one[0].tick, one[0].ratio)):
                sent, listened = zip(*burst, strict=True)
                values = bytes(byte.value for byte in sent)
                baud = host if way == TO_CARD else own * ratio  # the sender's
                self._send(Piece(way, values, b"".join(listened), baud), tick, 0)
            return
        for byte, come in heard:
            baud = host if way == TO_CARD else own * byte.ratio
            piece = Piece(way, bytes((byte.value,)), come, baud)
            self._send(piece, byte.tick, frame_ticks(baud))

    def _send(self, piece: Piece, tick: int, taken: int) -> None:
        """Let bytes arrive `taken` ticks after `tick`, or after those before them."""
        way = piece.way
        arrival = self._last[way] = max(tick, self._last[way], self.rig.now) + taken
        if arrival == self.rig.now:
            self._come(piece.sent, piece.heard, piece.way, piece.baud)
            return
        self._count(way, self._under_way[way] + 1)
        self.rig.at(arrival, partial(self._come_later, piece, self._turns(way)))

    def _count(self, way: Way, under_way: int) -> None:
        self.stirred = True
        self._under_way[way] = under_way
        self.on_the_line = self._under_way[TO_CARD] + self._under_way[TO_HOST]

    def _turns(self, way: Way) -> int:
        """A host's bytes arrive until another comes, a reply only while its host is there."""
        return self._connects if way == TO_CARD else self._hosts

    def _come_later(self, piece: Piece, turns: int) -> None:
        if self._attached and turns == self._turns(piece.way):
            self._count(piece.way, self._under_way[piece.way] - 1)
            self._come(piece.sent, piece.heard, piece.way, piece.baud)

    def _come(self, sent: bytes, heard: bytes, way: Way, baud: float) -> None:
        """Bytes have stood on the line, and whoever is at its other end hears them."""
        if self.trace is not None and self._recorder.on:
            self.trace.came(way, sent, baud, timed=self.uart is not None)
        if way == TO_HOST:
            self.output += heard
            self.stirred = True
        elif heard and self._notice_restart():
            self._work(self.dialect.receive, heard)
