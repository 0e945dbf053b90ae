"""The card's serial line as two traced pins: frames of a start bit, eight data bits, a stop bit.

Both are named as at the card's plug: it hears the host on RX and answers on TX. A frame is
EIA/TIA-232 practice as every UART has it: idle high, start bit low, the least bit first.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from .clock import TICKS_PER_S
from .wave import Ints

RX, TX = "LINE.RX", "LINE.TX"
PINS = (RX, TX)
BITS = 10


class Frame(NamedTuple):
    """One byte on a wire: the tick at which its start bit begins, its value, bits a second."""

    tick: int
    value: int
    baud: float


def frame_ticks(baud: float) -> int:
    """What one frame takes, rounded up."""
    return -int(-TICKS_PER_S * BITS // baud)


def edges(frames: Sequence[Frame], began: int) -> tuple[Ints, Ints]:
    """Ticks and levels of a wire that is high at tick `began`; frames by time, none overlapping."""
    if not frames:
        return np.array([began]), np.array([1])
    tick, value = np.array([frame[:2] for frame in frames], dtype=np.int64).T
    bit = TICKS_PER_S / np.array([frame.baud for frame in frames])
    number = np.arange(BITS)
    at = tick[:, None] + np.rint(number * bit[:, None]).astype(np.int64)
    # As one number with the stop bit on top and the start bit at the bottom.
    level = (value[:, None] << 1 | 1 << BITS - 1) >> number & 1
    return np.append(began, at.ravel()), np.append(1, level.ravel())
