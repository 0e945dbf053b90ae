"""When an encoder's disc passes its quarter cycles, from the stretches that its shaft moved.

Over a stretch the angle is a parabola, so the passing of a quarter cycle is the root of a
quadratic, taken for all of them at once. Where the closed form jumps (a load angle at a change of
acceleration) all quarter cycles of the jump are passed at that tick.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .clock import TICKS_PER_S
from .moves import Stretches
from .wave import Floats, Ints

TWO_PI = 2 * np.pi


class Crossings(NamedTuple):
    """Quarter cycles as they are entered: the stretch, the tick, the number; `start` before."""

    start: int
    stretch: Ints
    tick: Ints
    position: Ints

    def at(self, tick: int) -> int:
        """The quarter cycle a disc is in at a tick."""
        passed = int(np.searchsorted(self.tick, tick, side="right"))
        return int(self.position[passed - 1]) if passed else self.start


def crossings(
    stretches: Stretches, start_rad: float, column: int, counts: int, phase: float
) -> Crossings:
    """Quarter cycles of one disc of `counts` a turn that sits on the angle of `column`.

    `phase` in quarter cycles.
    """

    def quarters(angle: Floats) -> Floats:
        return angle / TWO_PI * counts + phase

    begin, end = stretches.begin, stretches.end
    duration_s = (end - begin) / TICKS_PER_S
    bend = 0.5 * stretches.acceleration[:, column] * duration_s**2 / TWO_PI * counts
    corners = (stretches.before, stretches.first, stretches.last, stretches.after)
    before, first, last, after = (quarters(corner[:, column]) for corner in corners)
    # Two ways a stretch: the parabola, a jump.
    ways = _Ways(
        start=np.stack([before, last], axis=1).ravel(),
        begins=np.stack([first, last], axis=1).ravel(),
        ends=np.stack([last, after], axis=1).ravel(),
        bend=np.stack([bend, bend * 0], axis=1).ravel(),
        tick=np.stack([begin, end], axis=1).ravel(),
        length=np.stack([end - begin, end * 0], axis=1).ravel(),
    )
    way, tick, position = _pass(ways)
    return Crossings(int(np.floor(quarters(np.array([start_rad]))[0])), way // 2, tick, position)


class _Ways(NamedTuple):
    """Ways of a disc from `start` on, in quarter cycles: begins + slope s + bend s², s 0 to 1."""

    start: Floats
    begins: Floats
    ends: Floats
    bend: Floats
    tick: Ints
    length: Ints


def _pass(ways: _Ways) -> tuple[Ints, Ints, Ints]:
    """Every boundary passed: which way, first tick beyond it, quarter cycle entered."""
    low, high = np.floor(ways.start).astype(np.int64), np.floor(ways.ends).astype(np.int64)
    number = np.abs(high - low)
    way = np.repeat(np.arange(len(number)), number)
    nth = np.arange(len(way)) - np.repeat(np.cumsum(number) - number, number)
    up = (high > low)[way]
    boundary = np.where(up, low[way] + 1 + nth, low[way] - nth)
    share = _share(
        boundary - ways.begins[way],
        (ways.ends - ways.begins - ways.bend)[way],
        ways.bend[way],
        np.where(up, 1.0, -1.0),
    )
    tick = ways.tick[way] + np.ceil(share * ways.length[way]).astype(np.int64)
    return way, tick, np.where(up, boundary, boundary - 1)


def _share(distance: Floats, slope: Floats, bend: Floats, sense: Floats) -> Floats:
    """The s at which slope s + bend s² = distance while moving in `sense`, within 0 to 1."""
    speed = sense * np.sqrt(np.maximum(slope**2 + 4 * bend * distance, 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        # Two forms of one root; each is the exact one where the other cancels.
        share = np.where(
            slope * sense >= 0, 2 * distance / (slope + speed), (speed - slope) / (2 * bend)
        )
    found: Floats = np.clip(np.nan_to_num(share, nan=0.0), 0.0, 1.0)
    return found
