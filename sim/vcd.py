"""Traces as value change dumps, the VCD format of IEEE 1364 (clause 18), by way of pyvcd.

Timescale 1 ns: a tick of 1/12 µs is rounded to the nearest, so that no two ticks meet. Every
signal has a leaf name of its own (`J4_ENC_A`, in scope `J4`), because some readers see leaves
only; what VCD takes for a name is made from ours by `_` for `.`, `P` for `+` and `N` for `-`.
Quantities are `real`, pins are wires of one bit.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from vcd.writer import VarValue, VCDWriter

from .wave import Ints, Wave

_AT_ONCE = 100_000
_LEAF = str.maketrans({".": "_", "+": "P", "-": "N"})


def leaf(name: str) -> str:
    """The name of a signal in a VCD file."""
    return name.translate(_LEAF)


def nanoseconds(ticks: Ints) -> Ints:
    """Ticks of 1/12 µs to the nearest nanosecond: 250/3 of them."""
    return (ticks * 500 + 3) // 6


def write_vcd(path: Path, title: str, waves: Sequence[Wave], until: int) -> None:
    """Write waves, the last of which ends at tick `until`; `title` names the outer scope.

    Raises OSError.
    """
    # The trace may end in the middle of a step pulse, whose end is known.
    until = max(until, *(int(wave.ticks[-1]) for wave in waves))
    began, ended = nanoseconds(np.array([waves[0].ticks[0], until])).tolist()
    with path.open("w", encoding="ascii") as file:
        writer = VCDWriter(
            file,
            timescale="1 ns",
            date="",  # equal runs give equal files
            version="dryrig",
            comment="time is rig time since power-up",
            init_timestamp=began,
        )
        variables = []
        for wave in waves:
            kind, size = ("real", 64) if wave.unit else ("wire", 1)
            first: VarValue = float(wave.values[0]) if wave.unit else int(wave.values[0])
            scope = (title, wave.name.removeprefix("CARD.").split(".")[0])
            variables.append(
                writer.register_var(scope, leaf(wave.name), kind, size=size, init=first)
            )
        pins = [not wave.unit for wave in waves]
        for time, which, value in in_order(waves):
            writer.change(variables[which], time, int(value) if pins[which] else value)
        writer.close(ended)


def in_order(waves: Sequence[Wave]) -> Iterator[tuple[int, int, float]]:
    """Every change after the first entries, by time: nanoseconds, which wave, value."""
    time = np.concatenate([nanoseconds(wave.ticks[1:]) for wave in waves])
    which = np.repeat(np.arange(len(waves)), [len(wave.ticks) - 1 for wave in waves])
    value = np.concatenate([wave.values[1:].astype(np.float64) for wave in waves])
    order = np.argsort(time, kind="stable")
    for begin in range(0, len(order), _AT_ONCE):  # Python's own numbers need much memory
        part = order[begin : begin + _AT_ONCE]
        yield from zip(time[part].tolist(), which[part].tolist(), value[part].tolist(), strict=True)
