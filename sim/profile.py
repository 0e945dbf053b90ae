"""Trapezoidal rate profiles: how a pulse generator spaces its steps.

A profile is exact: distance, rate and acceleration at a tick come from the closed form
(uniform acceleration, as in any mechanics text), never from a sum over samples.
"""

from __future__ import annotations

import bisect
import math

from .clock import NEVER, TICKS_PER_S, ticks


class Profile:
    """Distance travelled since `start`, in steps, always counting upwards.

    `segments` holds (time from start in s, distance, rate, acceleration) at each corner;
    `total` is the whole distance, or None for a run without an end. The first pulse is given at
    tick `first` already, when there is one; all others when their step is complete.
    """

    __slots__ = ("_times", "corners", "end", "first", "segments", "start", "total")

    def __init__(
        self,
        start: int,
        segments: list[tuple[float, float, float, float]],
        total: float | None,
        duration_s: float,
        first: int | None = None,
    ) -> None:
        self.start = start
        self.first = first
        self.segments = segments
        self.total = total
        self.end = NEVER if total is None else start + ticks(duration_s)
        self._times = [segment[0] for segment in segments]
        self.corners = [start + ticks(time) for time in self._times[1:]]
        if total is not None:
            self.corners.append(self.end)

    def at(self, tick: int) -> tuple[float, float, float]:
        """Distance in steps, rate in steps/s and acceleration in steps/s² at a tick.

        On a corner the acceleration is that of what follows.
        """
        if tick >= self.end:
            return (self.total or 0.0, 0.0, 0.0)
        elapsed = (tick - self.start) / TICKS_PER_S
        index = bisect.bisect_right(self._times, elapsed) - 1
        time, distance, rate, acceleration = self.segments[max(index, 0)]
        elapsed -= time
        return (
            distance + (rate + 0.5 * acceleration * elapsed) * elapsed,
            rate + acceleration * elapsed,
            acceleration,
        )

    def pulses(self, tick: int) -> int:
        """Whole steps given by this tick."""
        if tick >= self.end:
            given = math.floor((self.total or 0.0) + 1e-9)
        else:
            elapsed = (tick - self.start) / TICKS_PER_S
            index = bisect.bisect_right(self._times, elapsed) - 1
            time, distance, rate, acceleration = self.segments[index if index > 0 else 0]
            elapsed -= time
            given = math.floor(distance + (rate + 0.5 * acceleration * elapsed) * elapsed + 1e-9)
        if given == 0 and self.first is not None and tick >= self.first and self.total != 0:
            return 1
        return given


def move(
    start: int, steps: int, rate: float, acceleration: float, first: int | None = None
) -> Profile:
    """A move of `steps` (> 0) at up to `rate` steps/s: trapezoid, or triangle when too short.

    `first` is the tick of the first pulse, when it does not wait for its whole step.
    """
    ramp = rate * rate / (2 * acceleration)
    if 2 * ramp >= steps:
        peak = math.sqrt(acceleration * steps)
        half = peak / acceleration
        segments = [(0.0, 0.0, 0.0, acceleration), (half, steps / 2, peak, -acceleration)]
        return Profile(start, segments, steps, 2 * half, first)
    ramp_s = rate / acceleration
    cruise_s = (steps - 2 * ramp) / rate
    segments = [
        (0.0, 0.0, 0.0, acceleration),
        (ramp_s, ramp, rate, 0.0),
        (ramp_s + cruise_s, steps - ramp, rate, -acceleration),
    ]
    return Profile(start, segments, steps, 2 * ramp_s + cruise_s, first)


def run(start: int, rate: float, acceleration: float, first: int | None = None) -> Profile:
    """A run without end at `rate` steps/s; `first` as for a move."""
    ramp_s = rate / acceleration
    segments = [
        (0.0, 0.0, 0.0, acceleration),
        (ramp_s, rate * ramp_s / 2, rate, 0.0),
    ]
    return Profile(start, segments, None, 0.0, first)


def change(profile: Profile, tick: int, rate: float, acceleration: float) -> Profile:
    """A run from `tick` on when it climbs or slows to another rate, and goes on without end."""
    distance, present, _ = profile.at(tick)
    ramp_s = abs(rate - present) / acceleration
    cruise = (ramp_s, distance + (present + rate) / 2 * ramp_s, rate, 0.0)
    ramp = (0.0, distance, present, acceleration if rate > present else -acceleration)
    return Profile(tick, [ramp, cruise] if ramp_s else [cruise], None, 0.0, profile.first)


def stop(profile: Profile, tick: int, acceleration: float) -> Profile:
    """What is left of `profile` from `tick` on when it slows down to rest.

    The distance is rounded up to a whole step, so that the last pulse is a whole one.
    """
    distance, rate, _ = profile.at(tick)
    brake = rate * rate / (2 * acceleration)
    final = math.ceil(distance + brake - 1e-9)
    if profile.total is not None:
        final = min(final, math.ceil(profile.total))
    gap = final - distance
    if rate <= 0 or gap <= 0:
        return Profile(tick, [(0.0, final, 0.0, 0.0)], final, 0.0, profile.first)
    slowing = rate * rate / (2 * gap)
    whole_s = rate / slowing
    return Profile(tick, [(0.0, distance, rate, -slowing)], final, whole_s, profile.first)
