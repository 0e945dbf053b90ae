"""What a trace shows of the card's serial line: a frame for each byte that went over it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..faults.line import TO_CARD, TO_HOST, Way
from ..sim.serial_line import RX, TX, Frames, frame_ticks

if TYPE_CHECKING:
    from ..sim.rig import Rig

_WIRE = {TO_CARD: RX, TO_HOST: TX}


class LineTrace:
    """Tells the rig's trace of bytes that have gone over the line, when their last stop bit ends.

    Where the line takes no time (no `uart`) bytes are drawn all the same, at the rate that is
    given: those to the card so that they end when they were there, those to the host from when
    they came. A byte never begins before the one ahead of it has ended or the trace has begun.
    """

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._ends: dict[Way, int] = {TO_CARD: 0, TO_HOST: 0}

    def came(self, way: Way, sent: bytes, baud: float, *, timed: bool) -> None:
        """Bytes that stood on the line; `timed`: the last of them has taken its time just now."""
        trace, taken = self._rig.trace, len(sent) * frame_ticks(baud)
        begin = self._rig.now
        if timed or way == TO_CARD:
            begin -= taken
        if not timed:
            begin = max(begin, trace.began)
        begin = max(begin, self._ends[way])
        trace.framed(_WIRE[way], Frames(begin, bytes(sent), baud))
        self._ends[way] = begin + taken
