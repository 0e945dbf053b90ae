"""Where wall time enters: the pacer of a served rig.

Deadlines are absolute: rig time due is the anchor plus the wall time since then times the pace,
so that late wake-ups do not add up. A rig that cannot keep up is not chased: past a lag of
`GIVE_UP_S` the anchor moves, and the rig has simply run slow for that long.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING

from ..sim.clock import TICKS_PER_S

if TYPE_CHECKING:
    from .station import Station

SLICE = TICKS_PER_S // 240  # ticks advanced between two looks at the wall clock
WORK_S = 0.010  # wall time of work before the ports are looked after again
GIVE_UP_S = 0.25


class Pacer:
    """Keeps a station's rig at `station.pace` times wall time, as far as the machine can."""

    def __init__(self, station: Station, now_s: Callable[[], float] = time.monotonic) -> None:
        self._station = station
        self._now_s = now_s
        self._anchor()

    def _anchor(self) -> None:
        self._pace = self._station.pace
        self._wall_s = self._now_s()
        self._tick = self._station.rig.now

    def catch_up(self) -> bool:
        """Advance the rig to where it should be now; False if it needs another turn."""
        if self._pace != self._station.pace:
            self._anchor()
        rig = self._station.rig
        started_s = self._now_s()
        due = self._tick + int((started_s - self._wall_s) * self._pace * TICKS_PER_S)
        while rig.now < due - SLICE:
            rig.advance(rig.now + SLICE)
            now_s = self._now_s()
            if now_s - started_s > WORK_S:
                if (due - rig.now) / TICKS_PER_S > GIVE_UP_S * self._pace:
                    self._anchor()
                return False
        if rig.now < due:
            rig.advance(due)
        return True
