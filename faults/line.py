"""Fifth primitive: what a bad serial line does to bytes, as pure functions.

Timed bytes and what it held back so far in, timed bytes and what it holds back now out: a filter
keeps nothing by itself from one call to the next. What is left to chance is drawn anew for each
byte from the rig's seed, the fault and the byte's own name (its number on the line), so it does not
depend on how bytes are bundled or on other faults.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Literal

from ..sim.clock import ticks

Way = Literal["to card", "to host"]
TO_CARD: Way = "to card"
TO_HOST: Way = "to host"


@dataclass(frozen=True, slots=True)
class LineByte:
    """A byte on the line: when it arrives (rig ticks), what it is, which way, its own name.

    `ratio` is the card's rate over what it is set to, for this byte: that at which it listens, or
    at which it sent. Nothing on the line shows the first; whoever samples it does (`sampled`).
    """

    tick: int
    value: int
    way: Way
    name: str
    ratio: float = 1.0


Bytes = tuple[LineByte, ...]
Filter = Callable[[Bytes, Bytes, Mapping[str, float], str], tuple[Bytes, Bytes]]
"""What a fault does to bytes of one way, in the order in which they were sent.

Is given them, what it held back before, the fault's values and the key of its chances; gives what
goes on and what it holds back now.
"""
Held = Mapping[str, Bytes]
"""What is held back on a line of one way, by the keys of the faults."""

_FRAME_BITS = 10  # start, eight data bits with the least first, stop
_BITS = 8


@dataclass(frozen=True)
class BadLine:
    """A line with faults: filters with their values and keys, the first one first.

    Called with bytes of one way and what is held back of that way, it gives the same anew.
    """

    faults: tuple[tuple[Filter, Mapping[str, float], str], ...]

    def __call__(self, data: Bytes, held: Held) -> tuple[Bytes, Held]:
        """What the line makes of them; what a fault that has gone held back is lost."""
        kept: dict[str, Bytes] = {}
        for act, values, key in self.faults:
            if data and _acts(data[0].way, values):
                data, kept[key] = act(data, held.get(key, ()), values, key)
            elif key in held:
                kept[key] = held[key]
        return data, kept


def _acts(way: Way, values: Mapping[str, float]) -> bool:
    return {1: TO_CARD, 2: TO_HOST}.get(round(values["way"]), way) == way


def _chance(key: str, byte: LineByte) -> random.Random:
    return random.Random(f"{key}:{byte.way}:{byte.name}")


def _hit(data: Iterable[LineByte], values: Mapping[str, float], key: str) -> list[bool]:
    return [_chance(key, byte).random() < values["per"] for byte in data]


def drop(data: Bytes, held: Bytes, values: Mapping[str, float], key: str) -> tuple[Bytes, Bytes]:
    """Lose each byte with a probability."""
    hits = _hit(data, values, key)
    return tuple(byte for byte, hit in zip(data, hits, strict=True) if not hit), held


def double(data: Bytes, held: Bytes, values: Mapping[str, float], key: str) -> tuple[Bytes, Bytes]:
    """Let each byte come twice with a probability; the second has a name of its own."""
    come: list[LineByte] = []
    for byte, hit in zip(data, _hit(data, values, key), strict=True):
        come += [byte, replace(byte, name=f"{byte.name}'")] if hit else [byte]
    return tuple(come), held


def noise(data: Bytes, held: Bytes, values: Mapping[str, float], key: str) -> tuple[Bytes, Bytes]:
    """Turn one bit over, of each byte with a probability."""
    come = []
    for byte in data:
        chance = _chance(key, byte)
        hit, bit = chance.random() < values["per"], chance.randrange(_BITS)
        come.append(replace(byte, value=byte.value ^ 1 << bit) if hit else byte)
    return tuple(come), held


def delay(data: Bytes, held: Bytes, values: Mapping[str, float], key: str) -> tuple[Bytes, Bytes]:
    """Let every byte come later."""
    return tuple(replace(byte, tick=byte.tick + ticks(values["s"])) for byte in data), held


def stall(data: Bytes, held: Bytes, values: Mapping[str, float], key: str) -> tuple[Bytes, Bytes]:
    """Now and then let a byte, and with it all that follow it, wait for some time."""
    waits = ticks(values["s"])
    until, come = 0, []
    for byte, hit in zip(data, _hit(data, values, key), strict=True):
        until = max(until, byte.tick + waits) if hit else until
        come.append(replace(byte, tick=max(byte.tick, until)))
    return tuple(come), held


def behind(data: Bytes, held: Bytes, values: Mapping[str, float], key: str) -> tuple[Bytes, Bytes]:
    """Hold back what comes at once (a reply), and let go of what was held before it.

    The first passes and is held back all the same: it comes twice.
    """
    return tuple(replace(byte, tick=data[0].tick) for byte in held) or data, data


def cut(data: Bytes, held: Bytes, values: Mapping[str, float], key: str) -> tuple[Bytes, Bytes]:
    """Let nothing through."""
    return (), held


def baud(data: Bytes, held: Bytes, values: Mapping[str, float], key: str) -> tuple[Bytes, Bytes]:
    """Let the card send and listen at another rate than the host, eight bits, no parity."""
    return tuple(replace(byte, ratio=byte.ratio * values["ratio"]) for byte in data), held


def sampled(data: Sequence[LineByte], ratio: float = 1.0) -> list[tuple[LineByte, bytes]]:
    """What the other end makes of each byte when the card is set to `ratio` times the host's rate.

    A receiver looks for a falling edge, then at the middle of each bit by its own clock (the usual
    asynchronous receiver; common practice, no published source). Bytes of one tick follow one
    another without a pause.
    """
    come: list[tuple[LineByte, bytes]] = []
    for (_, own), burst in groupby(data, lambda byte: (byte.tick, byte.ratio)):
        sent, apart = list(burst), own * ratio
        if apart == 1:
            come += [(byte, bytes((byte.value,))) for byte in sent]
            continue
        heard = [bytearray() for _ in sent]
        line = [bit for byte in sent for bit in _frame(byte.value)]
        for at, value in _received(line, 1 / apart if sent[0].way == TO_CARD else apart):
            heard[at // _FRAME_BITS].append(value)
        come += zip(sent, map(bytes, heard), strict=True)
    return come


def _frame(value: int) -> list[int]:
    return [0, *(value >> bit & 1 for bit in range(_BITS)), 1]


def _received(line: Sequence[int], bit: float) -> list[tuple[int, int]]:
    """Bytes that a receiver makes of a line, its own bit `bit` long: (start, value)."""

    def level(time: float) -> int:
        at = math.floor(time)
        return line[at] if at < len(line) else 1

    found, time = [], 0.0
    while (start := _falling(line, time)) is not None:
        if level(start + 0.5 * bit):  # too short for a start bit
            time = start + 0.5 * bit
            continue
        value = sum(level(start + (number + 1.5) * bit) << number for number in range(_BITS))
        found.append((start, value))
        time = start + (_BITS + 1.5) * bit
    return found


def _falling(line: Sequence[int], after: float) -> int | None:
    """Where the line next falls, not before `after`; it is high before its first bit."""
    for at in range(math.ceil(after), len(line)):
        if not line[at] and (at == 0 or line[at - 1]):
            return at
    return None
