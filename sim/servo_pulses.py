"""The pulse train of a servo output: one pulse in each frame of 20 ms, in closed form.

A new width, and the end of the train, take effect with the next frame. Frames of 20 ms are common
practice for model servos (no published source).
"""

from __future__ import annotations

import numpy as np

from .clock import TICKS_PER_S
from .wave import Ints

FRAME = TICKS_PER_S // 50


class ServoPulses:
    """All widths so far as (tick of the first frame, width in ticks); 0 is no pulse."""

    def __init__(self) -> None:
        self.phases: list[tuple[int, int]] = [(0, 0)]

    def change(self, now: int, width: int) -> None:
        """Pulses of this width from the next frame on; from now on when there are none yet."""
        if self.phases[-1][0] > now:  # nobody has seen it
            self.phases.pop()
        start, before = self.phases[-1]
        begins = start - (start - now) // FRAME * FRAME if before else now
        if width != before:
            self.phases.append((begins, width))

    def _at(self, now: int) -> tuple[int, int]:
        return next(phase for phase in reversed(self.phases) if phase[0] <= now)

    def settled(self, now: int) -> bool:
        """Whether the latest width is out already."""
        return self.phases[-1][0] <= now

    def running(self, now: int) -> bool:
        """Whether there are pulses."""
        return self._at(now)[1] > 0

    def high(self, now: int) -> bool:
        """Whether a pulse is out right now."""
        start, width = self._at(now)
        return (now - start) % FRAME < width

    def duty(self, now: int) -> float:
        """The part of a frame for which the output is high."""
        return self._at(now)[1] / FRAME

    def next_end(self, now: int) -> tuple[int, int] | None:
        """The tick after `now` at which the next whole pulse has ended, and its width."""
        ends = [start for start, _ in self.phases[1:]]
        for (start, width), end in zip(self.phases, [*ends, None], strict=True):
            frames = max(0, (now - width - start) // FRAME + 1)
            begins = start + frames * FRAME
            if width and (end is None or begins < end):
                return begins + width, width
        return None

    def edges(self, began: int, until: int) -> tuple[Ints, Ints]:
        """Ticks and levels at `began` and of every edge after it up to `until`."""
        found = [np.array([[began, int(self.high(began))]])]
        ends = [start for start, _ in self.phases[1:]]
        for (start, width), end in zip(self.phases, [*ends, until + 1], strict=True):
            if width and end > began:
                rises = np.arange(start, end, FRAME)
                levels = np.ones_like(rises)
                found.append(np.stack([rises, levels], axis=1))
                found.append(np.stack([rises + width, levels - 1], axis=1))
        whole = np.concatenate(found)
        whole = whole[(whole[:, 0] >= began) & (whole[:, 0] <= until)]
        whole = whole[np.argsort(whole[:, 0], kind="stable")]
        return whole[:, 0], whole[:, 1]
