"""Rig time: an integer clock of 12 MHz and one queue of events.

1/240 s is 50,000 ticks and the slipping sub-step of 1/3840 s is 3,125, so that both divide exactly.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable

TICKS_PER_S = 12_000_000
NEVER = 1 << 62


def seconds(ticks: int) -> float:
    """Ticks to seconds."""
    return ticks / TICKS_PER_S


def ticks(seconds_: float) -> int:
    """Seconds to the first whole tick not before them."""
    return math.ceil(seconds_ * TICKS_PER_S - 1e-6)


class Timer:
    """A queued callback; `cancel` makes it a no-op."""

    __slots__ = ("callback", "tick")

    def __init__(self, tick: int, callback: Callable[[], None]) -> None:
        self.tick = tick
        self.callback: Callable[[], None] | None = callback

    def cancel(self) -> None:
        """Forget the callback."""
        self.callback = None


class EventQueue:
    """Callbacks by tick; equal ticks run in the order they were queued."""

    def __init__(self) -> None:
        self._heap: list[tuple[int, int, Timer]] = []
        self._order = 0

    def at(self, tick: int, callback: Callable[[], None]) -> Timer:
        """Queue `callback` for `tick`."""
        timer = Timer(tick, callback)
        heapq.heappush(self._heap, (tick, self._order, timer))
        self._order += 1
        return timer

    def next_tick(self) -> int:
        """The earliest live event's tick, or `NEVER`."""
        heap = self._heap
        while heap and heap[0][2].callback is None:
            heapq.heappop(heap)
        return heap[0][0] if heap else NEVER

    def pop(self) -> Callable[[], None]:
        """Take the earliest live callback. Call only when `next_tick` is not `NEVER`."""
        self.next_tick()
        callback = heapq.heappop(self._heap)[2].callback
        assert callback is not None
        return callback
