"""Another grammar is one class."""

from __future__ import annotations

from collections.abc import Callable

from dryrig.protocol import Dialect, Station
from dryrig.sim.clock import TICKS_PER_S
from dryrig.sim.rig import Rig


class Letters(Dialect):
    """Invented: `G` moves axis 6 and answers `g` at its end, `T` answers `t` a second later."""

    def __init__(self, rig: Rig, wake_at: Callable[[int], None]) -> None:
        self._rig = rig
        self._wake_at = wake_at
        self._moving = False
        self._due: int | None = None

    def receive(self, data: bytes) -> bytes:
        for letter in data:
            if letter == ord("G"):
                self._rig.card.move(5, 500)
                self._moving = True
            elif letter == ord("T"):
                self._due = self._rig.now + TICKS_PER_S
                self._wake_at(self._due)
        return data.lower() if data == b"?" else b""

    def poll(self) -> bytes:
        if self._moving and not self._rig.card.moving(5):
            self._moving = False
            return b"g"
        if self._due == self._rig.now:
            return b"t"
        return b""


def test_a_dialect_of_ones_own() -> None:
    with Station.build("heron", seed=1, card_dialect=Letters) as station:
        card, rig = station.ports["card"], station.rig
        card.write(b"?")
        assert card.take(9) == b"?"
        card.write(b"GT")
        rig.advance(TICKS_PER_S - 1)
        assert card.take(9) == b"g"
        rig.advance(TICKS_PER_S)
        assert card.take(9) == b"t"
        assert not card.busy
        card.connect()
        card.lose_replies()
        # The other ports keep the default grammar.
        station.ports["hands"].write(b"*TST?\n")
        assert station.ports["hands"].take(9) == b"0\n"
