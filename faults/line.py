"""Fifth primitive: what a bad serial line does to bytes, as pure functions.

Timed bytes in, timed bytes out: a filter keeps nothing from one call to the next. What is left to
chance is drawn anew for each byte from the rig's seed, the fault and the byte's own name (its
number on the line), so it does not depend on how bytes are bundled or on other faults.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Literal

from ..sim.clock import NEVER, ticks

Way = Literal["to card", "to host"]
TO_CARD: Way = "to card"
TO_HOST: Way = "to host"


@dataclass(frozen=True, slots=True)
class LineByte:
    """A byte on the line: when it arrives (rig ticks), what it is, which way, its own name."""

    tick: int
    value: int
    way: Way
    name: str


Line = Callable[[Sequence[LineByte]], list[LineByte]]
"""What a line does to bytes of one way, in the order in which they were sent.

Those that it gives a tick of NEVER it keeps: they are put before the next ones of that way.
"""
Filter = Callable[[Sequence[LineByte], Mapping[str, float], str], list[LineByte]]
"""The same with a fault's values and the key of its chances; `way` in them says which way."""

_FRAME_BITS = 10  # start, eight data bits with the least first, stop
_BITS = 8


def fitted(act: Filter, values: Mapping[str, float], key: str) -> Line:
    """A filter with its values: bytes that go the other way pass as they are, and those that
    another filter keeps are left to that one.
    """

    def line(data: Sequence[LineByte]) -> list[LineByte]:
        if data and not _acts(data[0].way, values):
            return list(data)
        if act is behind:
            return act(data, values, key)
        kept = [byte for byte in data if byte.tick >= NEVER]
        return kept + act([byte for byte in data if byte.tick < NEVER], values, key)

    return line


def _acts(way: Way, values: Mapping[str, float]) -> bool:
    return {1: TO_CARD, 2: TO_HOST}.get(round(values["way"]), way) == way


@dataclass(frozen=True)
class BadLine:
    """A line with faults. Called, it gives what it does to the bytes that go over it.

    `ratio` is the card's rate over what it is set to, by way: that at which it listens, and that
    at which it sends. Nothing on the line shows the first; whoever samples it does (`sampled`).
    """

    lines: tuple[Line, ...]
    ratio: Mapping[Way, float]

    @classmethod
    def of(cls, faults: Iterable[tuple[Filter, Mapping[str, float], str]]) -> BadLine:
        """Filters with their values and keys, the first one first."""
        lines, ratio = [], {TO_CARD: 1.0, TO_HOST: 1.0}
        for act, values, key in faults:
            if act is not baud:
                lines.append(fitted(act, values, key))
                continue
            for way in ratio:
                ratio[way] *= values["ratio"] if _acts(way, values) else 1.0
        return cls(tuple(lines), ratio)

    def __call__(self, data: Sequence[LineByte]) -> list[LineByte]:
        """What the line makes of bytes of one way."""
        for line in self.lines:
            data = line(data)
        return list(data)


def _chance(key: str, byte: LineByte) -> random.Random:
    return random.Random(f"{key}:{byte.way}:{byte.name}")


def _hit(data: Iterable[LineByte], values: Mapping[str, float], key: str) -> list[bool]:
    return [_chance(key, byte).random() < values["per"] for byte in data]


def drop(data: Sequence[LineByte], values: Mapping[str, float], key: str) -> list[LineByte]:
    """Lose each byte with a probability."""
    return [b for b, hit in zip(data, _hit(data, values, key), strict=True) if not hit]


def double(data: Sequence[LineByte], values: Mapping[str, float], key: str) -> list[LineByte]:
    """Let each byte come twice with a probability; the second has a name of its own."""
    come: list[LineByte] = []
    for byte, hit in zip(data, _hit(data, values, key), strict=True):
        come += [byte, replace(byte, name=f"{byte.name}'")] if hit else [byte]
    return come


def noise(data: Sequence[LineByte], values: Mapping[str, float], key: str) -> list[LineByte]:
    """Turn one bit over, of each byte with a probability."""
    come = []
    for byte in data:
        chance = _chance(key, byte)
        hit, bit = chance.random() < values["per"], chance.randrange(_BITS)
        come.append(replace(byte, value=byte.value ^ 1 << bit) if hit else byte)
    return come


def delay(data: Sequence[LineByte], values: Mapping[str, float], key: str) -> list[LineByte]:
    """Let every byte come later."""
    return [replace(byte, tick=byte.tick + ticks(values["s"])) for byte in data]


def stall(data: Sequence[LineByte], values: Mapping[str, float], key: str) -> list[LineByte]:
    """Now and then hold a byte, and with it all that follow it, for some time."""
    held = ticks(values["s"])
    until, come = 0, []
    for byte, hit in zip(data, _hit(data, values, key), strict=True):
        until = max(until, byte.tick + held) if hit else until
        come.append(replace(byte, tick=max(byte.tick, until)))
    return come


def behind(data: Sequence[LineByte], values: Mapping[str, float], key: str) -> list[LineByte]:
    """Keep what comes at once (a reply), and let go of what was kept before it.

    The first passes and is kept all the same: it comes twice.
    """
    kept = [byte for byte in data if byte.tick >= NEVER]
    come = [byte for byte in data if byte.tick < NEVER]
    if not come:
        return kept
    gone = [replace(byte, tick=come[0].tick) for byte in kept] or come
    return gone + [replace(byte, tick=NEVER) for byte in come]


def cut(data: Sequence[LineByte], values: Mapping[str, float], key: str) -> list[LineByte]:
    """Let nothing through."""
    return []


def baud(data: Sequence[LineByte], values: Mapping[str, float], key: str) -> list[LineByte]:
    """Let the card send and listen at another rate than the host, eight bits, no parity."""
    come: list[LineByte] = []
    for byte, heard in sampled(data, values["ratio"]):
        come += [
            replace(byte, value=value, name=f"{byte.name}~{n}") for n, value in enumerate(heard)
        ]
    return come


def sampled(data: Sequence[LineByte], ratio: float) -> list[tuple[LineByte, bytes]]:
    """What the other end makes of each byte when the card's rate is `ratio` times the host's.

    A receiver looks for a falling edge, then at the middle of each bit by its own clock (the usual
    asynchronous receiver; common practice, no published source). Bytes of one tick follow one
    another without a pause.
    """
    if ratio == 1:
        return [(byte, bytes((byte.value,))) for byte in data]
    come: list[tuple[LineByte, bytes]] = []
    for _, burst in groupby(data, lambda byte: byte.tick):
        sent = list(burst)
        heard = [bytearray() for _ in sent]
        line = [bit for byte in sent for bit in _frame(byte.value)]
        for at, value in _received(line, 1 / ratio if sent[0].way == TO_CARD else ratio):
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
