"""The card's serial port as a piece of hardware: how long a byte takes, and what another rate does.

Eight data bits, no parity, one stop bit: 10 bits a byte. A host at another rate and the card each
sample the other's bits by their own clock (`faults/line.py`), so both read garbage.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from ..errors import DryrigError
from ..faults.line import TO_HOST, LineByte, baud
from ..sim.clock import TICKS_PER_S, ticks

BITS = 10
LEAST_BAUD, MOST_BAUD = 300, 4_000_000
LONGEST_RESPONSE_S = 1.0


class UartError(DryrigError, ValueError):
    """A serial port that cannot be."""


@dataclass(frozen=True)
class Uart:
    """`baud`: the card's rate; `response_s`: how long it takes to begin a reply.

    Raises UartError.
    """

    baud: int
    response_s: float = 0.0

    def __post_init__(self) -> None:
        if not LEAST_BAUD <= self.baud <= MOST_BAUD:
            raise UartError(f"baud {self.baud}: expected {LEAST_BAUD} to {MOST_BAUD}")
        if not 0.0 <= self.response_s <= LONGEST_RESPONSE_S:
            raise UartError(
                f"response {self.response_s:g} s: expected 0 to {LONGEST_RESPONSE_S:g} s"
            )

    def byte_ticks(self, host_baud: int | None) -> int:
        """What a byte takes from a host at that rate, or (None) at the card's own."""
        return -(-TICKS_PER_S * BITS // (host_baud or self.baud))

    def heard(self, sent: Sequence[LineByte], host_baud: int | None) -> list[LineByte]:
        """What the other end makes of bytes, and when it could begin to hear them."""
        heard = list(sent)
        if host_baud is not None and host_baud != self.baud:
            heard = baud(heard, {"ratio": self.baud / host_baud}, "")
        if heard and heard[0].way == TO_HOST:
            later = ticks(self.response_s)
            heard = [replace(byte, tick=byte.tick + later) for byte in heard]
        return heard
