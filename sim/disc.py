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
    """One disc of `counts` quarter cycles a turn.

    `phase` (in quarter cycles) and `index` (the quarter cycle, from 0, in which the index is
    high) say how it sits on its shaft.
    """

    def __init__(self, counts: int, phase: float, index: int) -> None:
        self.counts, self.phase, self.index = counts, phase, index
        self._dirt = counts // 8 * 4
        self.missing = 0

    @property
    def per_turn(self) -> int:
        """Quarter cycles that come out in a turn."""
        return self.counts - self.missing

    def fit(self, lines: float) -> None:
        """So many lines are missing from now on, at most a quarter of them all."""
        self.missing = 4 * min(int(lines), self.counts // 16)

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
        behind = np.clip(over, 0, self.missing)
        shown: Whole = self.index + turn * self.per_turn + rest - behind
        return shown

    def state(self, quarter: Whole) -> Whole:
        """The setting of the contacts in a quarter cycle that comes out."""
        at_index = (quarter - self.index) % self.per_turn == 0
        return quarter % 4 + (INDEX_STATE - quarter % 4) * at_index

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
