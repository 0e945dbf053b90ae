"""An encoder's disc: its angle to quarter cycles, and those to the setting of its contacts.

Quarter cycles are numbered on and on, so that their remainder by 4 is the state of A and B. Where
lines are missing (dirt, a scratch) no light gets through: the outputs stand still over them once a
turn, half a turn from the index. The index is high for one quarter cycle a turn, gated to one state
of A and B (common practice, no published source).
"""

from __future__ import annotations

import math
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

TWO_PI = 2 * math.pi
GATES = {"00": 0, "10": 1, "11": 2, "01": 3}
"""The remainder of a quarter cycle by 4, for the levels of A and B."""
INDEX_STATE = 4
"""The setting of the contacts in the index's quarter cycle; else the remainder by 4."""
STATES = 5
_INSIDE = 1e-9  # of a quarter cycle: how far beyond a boundary is safely beyond it

Whole = TypeVar("Whole", int, NDArray[np.int64])


class Disc:
    """One disc of `counts` quarter cycles a turn; it never changes.

    `phase` (in quarter cycles) and `index` (the quarter cycle, from 0, in which the index is
    high) say how it sits on its shaft; so many `lines` are missing, at most a quarter of them.
    """

    def __init__(self, counts: int, phase: float, index: int, lines: float = 0) -> None:
        self.counts, self.phase, self.index = counts, phase, index
        self.missing = 4 * min(int(lines), counts // 16)
        self._dirt = counts // 8 * 4

    @property
    def per_turn(self) -> int:
        """Quarter cycles that come out in a turn."""
        return self.counts - self.missing

    def place(self, angle_rad: float) -> float:
        """Where the disc is by its angle, in quarter cycles, missing ones included."""
        return angle_rad / TWO_PI * self.counts + self.phase

    def quarter(self, angle_rad: float) -> int:
        """The quarter cycle that its outputs show at an angle."""
        place = math.floor(angle_rad / TWO_PI * self.counts + self.phase)
        return place if not self.missing else int(self.shown(place))

    def shown(self, place: Whole) -> Whole:
        """The quarter cycle that comes out where the disc itself is in `place`."""
        turn, rest = (place - self.index) // self.counts, (place - self.index) % self.counts
        over = rest - self._dirt
        shown: Whole = self.index + turn * self.per_turn + rest - np.clip(over, 0, self.missing)
        return shown

    def state(self, quarter: Whole) -> Whole:
        """The setting of the contacts in a quarter cycle that comes out."""
        at_index = (quarter - self.index) % self.per_turn == 0
        state: Whole = quarter % 4 + (INDEX_STATE - quarter % 4) * at_index
        return state

    def state_in(self, place: Whole) -> Whole:
        """The setting of the contacts where the disc itself is in `place`."""
        return self.state(self.shown(place))

    def entry_rad(self, quarter: int, sense: int) -> float:
        """The angle just inside a quarter cycle that comes out, entered while turning in `sense`.

        `sense` is +1 or -1, in the disc's own terms.
        """
        turn, rest = divmod(quarter - self.index, self.per_turn)
        place = self.index + turn * self.counts + rest
        if rest > self._dirt or (rest == self._dirt and sense < 0):
            place += self.missing
        edge = place + _INSIDE if sense > 0 else place + 1 - _INSIDE
        return (edge - self.phase) / self.counts * TWO_PI

    def passed(self, start: float, end: float, bend: float) -> list[tuple[float, int]]:
        """Quarter cycles that come out on the way between two places: (share of the time, number).

        The way is start + slope s + bend s², s from 0 to 1, and goes one way only.
        """
        found: list[tuple[float, int]] = []
        sense = 1 if end > start else -1
        slope, shown = end - start - bend, self.shown(math.floor(start))
        for place in range(math.floor(start) + sense, math.floor(end) + sense, sense):
            if self.shown(place) != shown:
                shown = self.shown(place)
                distance = (place if sense > 0 else place + 1) - start
                speed = math.sqrt(max(slope * slope + 4 * bend * distance, 0.0))
                whole = slope * sense + speed
                share = 2 * distance * sense / whole if whole > 0 else 1.0
                found.append((min(max(share, 0.0), 1.0), int(shown)))
        return found
