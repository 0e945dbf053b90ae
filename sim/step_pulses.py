"""STEP pulses of one pulse generator at their exact ticks, by inverting its profiles.

A pulse is as wide as the scene's card makes it, or half the time to the next where that is less.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from .clock import TICKS_PER_S
from .profile import Profile
from .wave import Ints

_WHOLE = 1e-9  # a profile's pulse is given this near to a whole step

Phase = tuple[int, Profile | None]
"""From a tick on a generator follows a profile, or rests."""


def step_pulses(phases: Sequence[Phase], until: int, width: int) -> tuple[Ints, Ints]:
    """Ticks and levels of every edge of STEP from the first phase on; none rises after `until`.

    `width` of a pulse in ticks.
    """
    rise = np.concatenate([np.zeros(0, dtype=np.int64), *_pulses(phases, until)])
    # Rounding may put two on one tick where a halt cuts a profile.
    rise = np.maximum.accumulate(rise - 2 * np.arange(len(rise))) + 2 * np.arange(len(rise))
    gap = np.diff(rise, append=rise[-1:] + 2 * width)
    fall = rise + np.minimum(width, gap // 2)
    ticks = np.stack([rise, fall], axis=1).ravel()
    return ticks, np.tile(np.array([1, 0], dtype=np.int64), len(rise))


def _pulses(phases: Sequence[Phase], until: int) -> Iterator[Ints]:
    ends = [tick for tick, _ in phases[1:]] + [until]
    given: int | None = None  # by the profile that the next one goes on with
    for (begin, profile), end in zip(phases, ends, strict=True):
        if profile is None:
            given = None
            continue
        first = profile.pulses(begin) if given is None else given
        given = profile.pulses(end)
        yield pulse_ticks(profile, first, given).clip(begin, end)


def pulse_ticks(profile: Profile, first: int, last: int) -> Ints:
    """First ticks at which a profile has given `first` + 1 to `last` pulses."""
    number = np.arange(first + 1, last + 1)
    time, distance, rate, acceleration = np.array(profile.segments).T
    at = np.maximum(np.searchsorted(distance, number - _WHOLE, side="right") - 1, 0)
    ahead = number - _WHOLE - distance[at]
    speed = np.sqrt(np.maximum(rate[at] ** 2 + 2 * acceleration[at] * ahead, 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        elapsed = time[at] + 2 * ahead / (rate[at] + speed)
    ticks = np.ceil(np.nan_to_num(elapsed, nan=0.0, posinf=0.0) * TICKS_PER_S)
    found: Ints = profile.start + ticks.astype(np.int64)
    if profile.first is not None:
        found[number == 1] = profile.first
    return found
