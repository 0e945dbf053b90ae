"""One traced quantity over rig time, and picking some by name."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase

import numpy as np
from numpy.typing import NDArray

from ..errors import TraceError, nearest

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Wave:
    """What one pin or quantity was, from each of `ticks` until the next.

    `values` are levels (int64, 0 and 1) where `unit` is empty, else float64 in that unit. The
    first entry is the value at the start of the trace.
    """

    name: str
    unit: str
    ticks: Ints
    values: Ints | Floats

    @property
    def edges(self) -> int:
        """How often the value changed."""
        return len(self.ticks) - 1


def wave(name: str, unit: str, began: int, ticks: Ints, values: Ints | Floats) -> Wave:
    """A wave from tick `began` on, of the entries that change the value.

    Of several entries at one tick the last counts, of those before `began` too.
    """
    ticks = np.maximum(ticks, began)
    keep = np.append(ticks[1:] != ticks[:-1], True)
    ticks, values = ticks[keep], values[keep]
    keep = np.ones(len(values), dtype=bool)
    keep[1:] = values[1:] != values[:-1]
    return Wave(name, unit, ticks[keep], values[keep])


def matching(patterns: Sequence[str], names: Iterable[str]) -> list[str]:
    """Those of `names` that a pattern (`J4.ENC.A`, `J4.*`) names, in their own order.

    Raises TraceError for a pattern that names none.
    """
    known = list(names)
    for pattern in patterns:
        if not any(fnmatchcase(name, pattern) for name in known):
            raise TraceError(
                f"no signal {pattern!r} in the trace: expected a name like {known[0]!r} "
                f"or a pattern like 'J1.*'{nearest(pattern, known)}"
            )
    return [name for name in known if any(fnmatchcase(name, pattern) for pattern in patterns)]
