"""Plain SVG of one search for home: joint angle against rig time, with the latch marked.

Drawn here rather than by a plotting library: a polyline, two axes and a mark, as text in the page.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .approach import Approach
from .homing import Homed

WIDTH, HEIGHT = 360, 220
LEFT, RIGHT, TOP, BOTTOM = 56, 12, 24, 40
TICKS = 5
# What a run ended at that is no switch's edge.
FOUND = {"index": "index latched", "stop": "halted by its following error"}
EDGE = 0.03  # of the range, left free on each side


@dataclass(frozen=True)
class Tick:
    """A tick of an axis: where (px) and its label."""

    at: float
    label: str


@dataclass(frozen=True)
class Plot:
    """One run, in pixels, for the page's template."""

    joint: str
    phase: str
    points: str
    latch_x: float
    latch_y: float
    x_ticks: list[Tick]
    y_ticks: list[Tick]
    summary: str
    unit: str
    width: int = WIDTH
    height: int = HEIGHT
    left: int = LEFT
    right: int = WIDTH - RIGHT
    top: int = TOP
    bottom: int = HEIGHT - BOTTOM


def plot(run: Approach, home_step: int, home_deg: float) -> Plot:
    """`run` in degrees of its joint, which stands at `home_deg` at `home_step`."""
    scale = run.joint.steps_per_deg
    start_s = run.time_s[0]
    # The latch is a reading like the samples, and belongs between them.
    read = sorted([*zip(run.time_s, run.steps, strict=True), (run.latch_time_s, run.latch_step)])
    times = [time_s - start_s for time_s, _ in read]
    angles = [home_deg + (step - home_step) / scale for _, step in read]
    latch_s = run.latch_time_s - start_s
    latch_deg = home_deg + (run.latch_step - home_step) / scale
    x_ticks, y_ticks = _ticks(times), _ticks(angles)
    x_low, x_high = _range(times, x_ticks)
    y_low, y_high = _range(angles, y_ticks)

    def x(time_s: float) -> float:
        return round(LEFT + (time_s - x_low) / (x_high - x_low) * (WIDTH - LEFT - RIGHT), 1)

    def y(deg: float) -> float:
        share = (deg - y_low) / (y_high - y_low)
        return round(HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM), 1)

    return Plot(
        run.joint.name,
        run.phase,
        " ".join(f"{x(t)},{y(a)}" for t, a in zip(times, angles, strict=True)),
        x(latch_s),
        y(latch_deg),
        [Tick(x(value), f"{value:g}") for value in x_ticks],
        [Tick(y(value), f"{value:g}") for value in y_ticks],
        f"{run.joint.name}, {run.phase} run: from {angles[0]:.2f} {run.joint.unit}, "
        f"{FOUND.get(run.phase, 'switch edge latched')} at {latch_deg:.3f} {run.joint.unit} after "
        f"{latch_s:.3f} s (step {run.latch_step}), stopped at {angles[-1]:.2f} {run.joint.unit}",
        run.joint.unit,
    )


def plots(homed: Sequence[Homed]) -> list[Plot]:
    """Every search of every homed joint, in its angles by the drawing."""
    return [plot(run, one.anchor_step, one.anchor_deg) for one in homed for run in one.approaches]


def _ticks(values: Sequence[float]) -> list[float]:
    """Round values across the range of `values`, at 1, 2 or 5 times a power of ten."""
    low, high = min(values), max(values)
    rough = max(high - low, 1e-6) / TICKS
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * m for m in (1, 2, 5, 10) if power * m >= rough)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [round(number * step, 9) for number in range(first, last + 1)]


def _range(values: Sequence[float], ticks: Sequence[float]) -> tuple[float, float]:
    low, high = min([*values, *ticks]), max([*values, *ticks])
    edge = (high - low or 1.0) * EDGE
    return low - edge, high + edge
