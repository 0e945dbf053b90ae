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


class Frames(NamedTuple):
    """Bytes on a wire, one behind the other: the tick at which the first start bit begins, the
    bytes, bits a second.
    """

    tick: int
    values: bytes
    baud: float


def frame_ticks(baud: float) -> int:
    """What one frame takes, rounded up."""
    return -int(-TICKS_PER_S * BITS // baud)


def edges(frames: Sequence[Frames], began: int) -> tuple[Ints, Ints]:
    """Ticks and levels of a wire that is high at tick `began`; frames by time, none overlapping."""
    if not frames:
        return np.array([began]), np.array([1])
    size = np.array([len(one.values) for one in frames])
    taken = np.array([frame_ticks(one.baud) for one in frames])
    nth = np.arange(size.sum()) - np.repeat(np.cumsum(size) - size, size)
    tick = np.repeat([one.tick for one in frames], size) + nth * np.repeat(taken, size)
    value = np.frombuffer(b"".join(one.values for one in frames), np.uint8).astype(np.int64)
    bit = np.repeat(TICKS_PER_S / np.array([one.baud for one in frames]), size)
    number = np.arange(BITS)
    at = tick[:, None] + np.rint(number * bit[:, None]).astype(np.int64)
    # As one number with the stop bit on top and the start bit at the bottom.
    level = (value[:, None] << 1 | 1 << BITS - 1) >> number & 1
    return np.append(began, at.ravel()), np.append(1, level.ravel())
