"""What a card tells of itself, event by event."""

from __future__ import annotations

from typing import Literal, NamedTuple

Happened = Literal[
    "REST", "RISE", "FALL", "INDEX", "HALT", "FOLL", "STOP", "CLOS", "LOW", "SUPP", "BOOT"
]
"""What a card tells: an axis came to rest; its switch or index input changed; the edge that it
waited for halted it; its following error went beyond its limit; the stop circuit opened, closed;
the motor supply is low, is back; the card fell into reset or runs again."""


class Happening(NamedTuple):
    """One event: its number since power-up, what, the axis (None: the card), the tick."""

    number: int
    what: Happened
    axis: int | None
    tick: int


KEPT = 256
"""How many of the latest a card remembers."""
