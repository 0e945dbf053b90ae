"""The card's serial port as a piece of hardware: how fast it sends and hears, how soon it answers.

Eight data bits, no parity, one stop bit: 10 bits a byte.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from ..errors import DryrigError
from ..faults.line import Bytes
from ..sim.clock import ticks

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

    def answered(self, sent: Bytes) -> Bytes:
        """The bytes of a reply when the card can begin to send them."""
        later = ticks(self.response_s)
        return tuple(replace(byte, tick=byte.tick + later) for byte in sent)
