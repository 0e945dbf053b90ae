"""Edges of a counter's pins: what the circuit makes of the discs that reach them.

The same path as `Counter`, for all quarter cycles at once: a table gives each pin's level, or
`HOLD`, for the discs' states; a floating pin may flip by itself; one that charges slowly follows
later or not at all; a new table comes with new parts.
Quarter cycles that the closed form passes in one instant follow each other 1 µs apart here, so
that every edge can be seen.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from .clock import NEVER, TICKS_PER_S
from .crossings import Crossings
from .disc import STATES, Disc
from .encoder import HOLD, Drives, Pins, Table
from .settling import Settling
from .wave import Ints

APART_TICKS = TICKS_PER_S // 1_000_000


class Moment(NamedTuple):
    """A tick between two stretches: `stretches` were complete then."""

    tick: int
    stretches: int


class Fit(NamedTuple):
    """From `when` on these discs reach the pins, by this table; the pins' levels then.

    `mapping` are those discs themselves; `slow` the pins that charge slowly, by channel.
    """

    when: Moment
    discs: tuple[int, ...]
    table: Table
    levels: Pins
    mapping: tuple[Disc, ...]
    slow: Mapping[int, tuple[Settling, Drives]]


class Flip(NamedTuple):
    """A floating pin changed by itself."""

    when: Moment
    channel: int
    level: int


def pin_edges(
    fits: Sequence[Fit], flips: Sequence[Flip], discs: Sequence[Crossings], begins: Ints
) -> tuple[Ints, Ints]:
    """Ticks (n,) and levels (n, 3) of A, B and Z, beginning with the first fit's.

    `begins` are the first ticks of all stretches.
    """
    parts: list[tuple[Ints, Ints]] = []
    ends: list[Moment | None] = [*(fit.when for fit in fits[1:]), None]
    for fit, end in zip(fits, ends, strict=True):
        parts.append((np.array([fit.when.tick]), np.array([fit.levels])))
        mine = [
            flip for flip in flips if fit.when <= flip.when and (end is None or flip.when < end)
        ]
        parts.extend(_between(fit, end, mine, discs, begins))
    tick = np.concatenate([part[0] for part in parts])
    levels = np.concatenate([part[1] for part in parts])
    row = np.arange(len(tick))
    for channel in (0, 1, 2):
        known = np.maximum.accumulate(np.where(levels[:, channel] == HOLD, 0, row))
        levels[:, channel] = levels[known, channel]
    kept = np.append(True, (np.diff(levels, axis=0) != 0).any(axis=1))
    tick, levels = tick[kept], levels[kept]
    row = np.arange(len(tick)) * APART_TICKS
    return np.maximum.accumulate(tick - row) + row, levels


def _between(
    fit: Fit, end: Moment | None, flips: Sequence[Flip], discs: Sequence[Crossings], begins: Ints
) -> Iterator[tuple[Ints, Ints]]:
    """What happens at the pins from a fit to the next."""
    stretch, tick, states = _states(fit, end, discs, begins)
    if fit.slow:
        yield from _slowly(fit, end, tick, states)
        return
    lookup = np.full((STATES ** len(fit.discs), 3), HOLD)
    for key, pins in fit.table.items():
        lookup[_code(np.array(key))] = pins
    levels = lookup[_code(states)]
    done = 0
    for flip in flips:
        place = _after(flip.when, stretch, tick, begins)
        yield tick[done:place], levels[done:place]
        flipped = [HOLD, HOLD, HOLD]
        flipped[flip.channel] = flip.level
        yield np.array([flip.when.tick]), np.array([flipped])
        done = place
    yield tick[done:], levels[done:]


def _slowly(fit: Fit, end: Moment | None, tick: Ints, states: Ints) -> Iterator[tuple[Ints, Ints]]:
    """The same edge by edge, where pins charge slowly; what they do after `end` is not known."""
    pins = {channel: (pin.copy(), drives) for channel, (pin, drives) in fit.slow.items()}
    last = NEVER if end is None else end.tick
    ticks, levels = [], []

    def settle(until: int) -> None:
        while (due := min(pin.due() for pin, _ in pins.values())) <= until and due < NEVER:
            row = [HOLD, HOLD, HOLD]
            for channel, (pin, _) in pins.items():
                if pin.due() == due:
                    pin.flip()
                    row[channel] = pin.level
            ticks.append(due)
            levels.append(row)

    for now, state in zip(tick.tolist(), map(tuple, states.tolist()), strict=True):
        settle(now)
        row = list(fit.table[state])
        for channel, (pin, drives) in pins.items():
            pin.drive(now, *drives[state])
            row[channel] = HOLD
        ticks.append(now)
        levels.append(row)
    settle(last)
    yield np.array(ticks, dtype=np.int64), np.array(levels, dtype=np.int64).reshape(-1, 3)


def _code(states: Ints) -> Ints:
    """Disc states (..., discs) as one number."""
    code: Ints = states @ STATES ** np.arange(states.shape[-1])
    return code


def _states(
    fit: Fit, end: Moment | None, discs: Sequence[Crossings], begins: Ints
) -> tuple[Ints, Ints, Ints]:
    """Stretch, tick and all discs' states (n, discs) at every quarter cycle from a fit on."""
    cuts, starts = [], []
    for number in fit.discs:
        disc = discs[number]
        low = _after(fit.when, disc.stretch, disc.tick, begins)
        high = len(disc.tick) if end is None else _after(end, disc.stretch, disc.tick, begins)
        cuts.append(slice(low, high))
        starts.append(int(disc.position[low - 1]) if low else disc.start)
    mine = [discs[number] for number in fit.discs]
    stretch = np.concatenate([disc.stretch[cut] for disc, cut in zip(mine, cuts, strict=True)])
    tick = np.concatenate([disc.tick[cut] for disc, cut in zip(mine, cuts, strict=True)])
    position = np.concatenate([disc.position[cut] for disc, cut in zip(mine, cuts, strict=True)])
    which = np.repeat(np.arange(len(mine)), [cut.stop - cut.start for cut in cuts])
    order = np.lexsort((tick, stretch))
    states = np.empty((len(order), len(mine)), dtype=np.int64)
    row = np.arange(len(order))
    for column, start in enumerate(starts):
        latest = np.maximum.accumulate(np.where(which[order] == column, row, -1))
        entered = position[order][np.maximum(latest, 0)]
        states[:, column] = fit.mapping[column].state_in(np.where(latest < 0, start, entered))
    return stretch[order], tick[order], states


def _after(when: Moment, stretch: Ints, tick: Ints, begins: Ints) -> int:
    """How many of the ordered quarter cycles come before a moment."""
    if not len(stretch):
        return 0
    later = (stretch >= when.stretches) & ((tick > when.tick) | (begins[stretch] >= when.tick))
    return int(np.argmax(later)) if later.any() else len(stretch)
