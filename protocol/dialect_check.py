"""Whether a grammar of one's own stays responsive, whatever comes over the line."""

from __future__ import annotations

import itertools
import random
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import DryrigError
from ..sim.clock import TICKS_PER_S
from .grammars import DEFAULT, Grammar, find_grammar, grammar_name
from .station import Station

if TYPE_CHECKING:
    from .dialect import DialectFactory
    from .port import Port

_FLOOD = 256 * 1024
_PIECE = 4096
_REPLY_TICKS = TICKS_PER_S


class DialectFault(DryrigError, AssertionError):
    """A grammar that did not answer as it should."""


def check_dialect(
    grammar: DialectFactory | str,
    request: bytes,
    reply: bytes,
    *,
    scene: str | Path = "heron",
    rounds: int = 100,
    seed: int = 0,
) -> None:
    """Cut, garble, flood and hang up a grammar; `request` must be answered by `reply` after it.

    Choose a request whose reply does not depend on where the arm is; a reply has 1 s of rig time.
    A `request` cut anywhere gets the same reply; garbage and floods may get any, but the next host
    must not notice. Raises DialectFault, GrammarError when the grammar raises or returns no
    bytes, or SceneError.
    """
    factory: DialectFactory | None
    if isinstance(grammar, str):
        factory = find_grammar(grammar)
    elif isinstance(grammar, Grammar):
        factory = grammar
    else:
        factory = Grammar(grammar_name(grammar), grammar)
    draw = random.Random(f"dialect {seed}")
    with Station.build(scene, seed=seed, card_dialect=factory) as station:
        check = _Check(station.grammar or DEFAULT, station.ports["card"], request, reply)
        check.after("nothing")
        for cut in range(1, len(request)):
            check.after(f"a cut at byte {cut}", cut)
        for number in range(rounds):
            garbage = _garbage(draw, request)
            for piece in _pieces(draw, garbage):
                check.send(piece, draw.choice((0, 0, draw.randrange(TICKS_PER_S // 50))))
            check.after(f"{garbage!r} (round {number})")
        for name, data in (
            ("random bytes", draw.randbytes(_FLOOD)),
            ("one byte again and again", b"U" * _FLOOD),
            ("the request again and again", request * (_FLOOD // max(1, len(request)))),
        ):
            for begin in range(0, len(data), _PIECE):
                check.send(data[begin : begin + _PIECE], 0)
            check.port.lose_replies()
            check.after(f"a flood: {name}")


class _Check:
    def __init__(self, name: str, port: Port, request: bytes, reply: bytes) -> None:
        self._name = name
        self.port = port
        self._request = request
        self._reply = reply

    def send(self, data: bytes, ticks: int) -> None:
        self.port.write(data)
        self.port.rig.advance(self.port.rig.now + ticks)

    def after(self, what: str, cut: int = 0) -> None:
        """A new host asks, its request cut in two where `cut` is not 0."""
        port, rig = self.port, self.port.rig
        port.hang_up()
        port.connect()
        for part in (self._request[:cut], self._request[cut:]):
            if part:
                port.write(part)
        rig.run_until(lambda: len(port.output) >= len(self._reply), rig.now + _REPLY_TICKS)
        got = port.take(len(port.output))
        if got != self._reply:
            raise DialectFault(
                f"grammar {self._name!r}: after {what} and a new host, {self._request!r} was "
                f"answered by {got[:80]!r}, expected {self._reply!r}"
            )


def _garbage(draw: random.Random, request: bytes) -> bytes:
    """Random bytes, pieces of the request, and the request with a byte changed."""
    parts = []
    for _ in range(draw.randint(1, 6)):
        garbled = bytearray(request)
        garbled[draw.randrange(len(garbled))] = draw.randrange(256)
        parts.append(
            draw.choice(
                (
                    draw.randbytes(draw.randint(1, 20)),
                    request[: draw.randint(0, len(request))],
                    request[draw.randint(0, len(request)) :],
                    bytes(garbled),
                )
            )
        )
    return b"".join(parts)


def _pieces(draw: random.Random, data: bytes) -> list[bytes]:
    cuts = sorted(draw.randint(0, len(data)) for _ in range(draw.randint(0, 4)))
    edges = [0, *cuts, len(data)]
    return [data[a:b] for a, b in itertools.pairwise(edges)]
