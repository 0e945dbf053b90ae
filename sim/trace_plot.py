"""Drawing traces: pins as lanes with their names, quantities below in panels of their own."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ..errors import TraceError
from .trace_reading import Series, read_trace
from .wave import Floats

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FORMATS = (".png", ".svg")
COLUMNS = 1500
"""A line is drawn with no more detail than this many columns can show."""
_WIDTH_IN, _LANE_IN, _PANEL_IN, _ENTRY_IN = 11.0, 0.27, 1.9, 0.19
_MOST_LANES = 60


def plot_trace(
    source: str | Path,
    out: str | Path,
    patterns: Sequence[str] = (),
    *,
    begin_s: float | None = None,
    end_s: float | None = None,
) -> Path:
    """Draw signals of a trace file to a `.png` or `.svg` and return its path.

    Without patterns: all pins that change, and all joint angles. `begin_s` and `end_s` choose a
    span of rig time. Raises TraceError.
    """
    target = Path(out)
    if target.suffix.lower() not in FORMATS:
        raise TraceError(f"plot {str(out)!r}: expected a name ending in .png or .svg")
    series = read_trace(source, patterns)
    if not patterns:
        series = [each for each in series if _usual(each)]
    first = min((float(each.time_s[0]) for each in series if len(each.time_s)), default=0.0)
    last = max((float(each.time_s[-1]) for each in series if len(each.time_s)), default=0.0)
    span = (first if begin_s is None else begin_s, last if end_s is None else end_s)
    if not span[0] < span[1]:
        raise TraceError(
            f"plot of {str(source)!r}: nothing between {span[0]:g} and {span[1]:g} s; "
            f"the signals chosen change from {first:g} to {last:g} s"
        )
    lanes = [each for each in series if not each.unit]
    if len(lanes) > _MOST_LANES:
        raise TraceError(f"{len(lanes)} pins are too many for one plot: choose with --signal")
    try:
        _draw(target, Path(source).name, lanes, _panels(series), span)
    except OSError as error:
        raise TraceError(f"plot {str(out)!r}: {error.strerror}") from None
    return target


_WORDS = {
    "ANGLE_DEG": "joint",
    "PLACE_MM": "linear axis",
    "SHAFT_DEG": "motor shaft",
    "TORQUE_N_M": "torque",
    "FORCE_N": "force",
}


def _usual(series: Series) -> bool:
    if series.unit:
        return series.name.endswith(("ANGLE_DEG", "PLACE_MM"))
    return len(series.time_s) > 1


def _panels(series: Sequence[Series]) -> dict[str, list[Series]]:
    """Quantities by what they are: angles of joints, of shafts, torques, volts."""
    panels: dict[str, list[Series]] = {}
    for each in series:
        if each.unit:
            kind = next((kind for kind in _WORDS if each.name.endswith(kind)), "")
            panels.setdefault(f"{_WORDS.get(kind, 'node')}, {each.unit}", []).append(each)
    return panels


def _draw(
    target: Path,
    title: str,
    lanes: list[Series],
    panels: dict[str, list[Series]],
    span: tuple[float, float],
) -> None:
    from matplotlib.figure import Figure  # takes a second to load

    heights = [max(len(lanes), 2) * _LANE_IN] if lanes else []
    heights += [max(_PANEL_IN, len(series) * _ENTRY_IN) for series in panels.values()]
    figure = Figure(figsize=(_WIDTH_IN, sum(heights) + 1.0), layout="constrained")
    axes = figure.subplots(
        len(heights), 1, sharex=True, squeeze=False, height_ratios=heights
    ).ravel()
    if lanes:
        _draw_lanes(axes[0], lanes, span)
    for panel, (label, series) in zip(axes[bool(lanes) :], panels.items(), strict=True):
        for each in series:
            sampled = each.unit == "deg"
            time, values = thinned(*(_around if sampled else _within)(each, span))
            style = "default" if sampled else "steps-post"
            panel.plot(time, values, drawstyle=style, linewidth=1.1, label=each.name)
        panel.set_ylabel(label, fontsize=9)
        panel.grid(alpha=0.3)
        panel.legend(loc="center left", bbox_to_anchor=(1.0, 0.5), fontsize=8, frameon=False)
    axes[0].set_title(title, fontsize=10)
    axes[-1].set_xlim(*span)
    axes[-1].set_xlabel("rig time, s")
    figure.savefig(target, dpi=120, metadata={"Date": None} if target.suffix == ".svg" else None)


def _draw_lanes(axes: Axes, lanes: list[Series], span: tuple[float, float]) -> None:
    joints = list(dict.fromkeys(_joint(lane) for lane in lanes))
    for row, lane in enumerate(reversed(lanes)):
        time, values = thinned(*_within(lane, span))
        colour = f"C{joints.index(_joint(lane)) % 10}"
        axes.axhline(row, color="0.85", linewidth=0.6)
        axes.plot(time, row + 0.7 * values, drawstyle="steps-post", linewidth=0.8, color=colour)
    axes.set_yticks([row + 0.35 for row in range(len(lanes))])
    axes.set_yticklabels([lane.name for lane in reversed(lanes)], fontsize=8)
    axes.tick_params(axis="y", length=0)
    axes.set_ylim(-0.3, len(lanes))
    axes.grid(axis="x", alpha=0.3)


def _joint(series: Series) -> str:
    return series.name.replace(".", "_").partition("_")[0]


def _within(series: Series, span: tuple[float, float]) -> tuple[Floats, Floats]:
    """A signal from the beginning to the end of a span, its value there included."""
    begin, end = span
    low = max(int(np.searchsorted(series.time_s, begin, side="right")) - 1, 0)
    high = int(np.searchsorted(series.time_s, end, side="right"))
    time, values = series.time_s[low:high], series.values[low:high]
    if not len(time):
        return time, values
    return np.append(np.maximum(time, begin), end), np.append(values, values[-1])


def _around(series: Series, span: tuple[float, float]) -> tuple[Floats, Floats]:
    """Samples of a curve within a span, and one more at either side."""
    low = max(int(np.searchsorted(series.time_s, span[0], side="right")) - 1, 0)
    high = int(np.searchsorted(series.time_s, span[1])) + 1
    return series.time_s[low:high], series.values[low:high]


def thinned(time: Floats, values: Floats, columns: int = COLUMNS) -> tuple[Floats, Floats]:
    """The first, least, greatest and last entry of each of `columns`, which look the same."""
    if len(time) <= 4 * columns:
        return time, values
    column = ((time - time[0]) / (time[-1] - time[0]) * columns).astype(np.int64)
    first = np.flatnonzero(np.append(True, column[1:] != column[:-1]))
    last = np.append(first[1:], len(time)) - 1
    by_value = np.lexsort((values, column))
    kept = np.unique(np.concatenate([first, last, by_value[first], by_value[last]]))
    return time[kept], values[kept]
