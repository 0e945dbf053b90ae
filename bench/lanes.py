"""Signals as inline SVG: a lane for each, on a common time axis, sound and faulty on one scale."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..sim.trace_plot import thinned
from ..sim.wave import Floats
from .act import Signal, Span

WIDTH, RIGHT, LEFT = 560, 16, 14
PIN_H, CURVE_H, LABEL_H, AXIS_H = 20, 46, 18, 32
COLUMNS = 360
_SAMPLED = ("deg",)
_TICKS = 6


@dataclass(frozen=True)
class Lane:
    """One signal drawn: its label, the SVG path, and where its band lies (px)."""

    label: str
    range: str
    path: str
    digital: bool
    label_y: float
    top: float
    bottom: float


@dataclass(frozen=True)
class Figure:
    """One picture for the template."""

    title: str
    summary: str
    lanes: list[Lane]
    ticks: list[tuple[float, str]]
    height: float
    axis_y: float
    width: int = WIDTH
    left: int = LEFT
    right: int = WIDTH - RIGHT


def figure(title: str, signals: Sequence[Signal], others: Sequence[Signal], span: Span) -> Figure:
    """`signals` within a span; curves are scaled so that `others`, of the same names, fit too."""
    beside = {signal.name: signal for signal in others}
    lanes, words, top = [], [], 4.0
    for signal in signals:
        time, values = _within(signal, span)
        other = beside.get(signal.name)
        digital = not signal.unit
        high = PIN_H if digital else CURVE_H
        least, most = (0.0, 1.0) if digital else _range(values, signal.unit, other, span)
        top += LABEL_H
        low_y = top + high
        x = LEFT + (time - span.begin_s) / (span.end_s - span.begin_s) * (WIDTH - LEFT - RIGHT)
        y = low_y - 2 - (values - least) / (most - least) * (high - 4)
        lanes.append(
            Lane(
                label(signal),
                _told(signal, values),
                _path(x, y, steps=signal.unit not in _SAMPLED),
                digital,
                round(top - 4, 1),
                round(top, 1),
                round(low_y, 1),
            )
        )
        words.append(f"{lanes[-1].label} {lanes[-1].range}")
        top = low_y + 4
    return Figure(
        title,
        f"{title}, {span.begin_s:.3f} to {span.end_s:.3f} s: " + "; ".join(words),
        lanes,
        [(_x(second, span), label) for second, label in _ticks(span)],
        top + AXIS_H,
        top,
    )


_WORDS = {
    "STEP": "{}.STEP, pin of the card",
    "DIR": "{}.DIR, pin of the card",
    "ENA": "{}.ENA, pin of the card",
    "SW": "{}.SW, input of the card",
    "ENC.A": "{}.ENC.A, input of the card",
    "ENC.B": "{}.ENC.B, input of the card",
    "ENC.Z": "{}.ENC.Z, input of the card",
    "DRIVE": "{}, drive energised",
    "ANGLE_DEG": "{}, joint angle",
    "SHAFT_DEG": "{}, motor shaft",
    "TORQUE_N_M": "{}, torque of the drive",
}


def label(signal: Signal) -> str:
    """What a lane shows, in words; a volt's lane by its terminal."""
    joint, _, what = signal.name.partition(".")
    if signal.unit == "V":
        return f"{signal.name.removesuffix('_V')}, volts"
    return _WORDS[what].format(joint)


def steady(signals: Sequence[Signal], others: Sequence[Signal], end_s: float) -> dict[str, str]:
    """Signals that are the same all the time in both runs: name and what they stay at."""
    beside = {signal.name: signal for signal in others}
    whole, same = Span(0.0, end_s, ""), {}
    for signal in signals:
        told = _told(signal, _within(signal, whole)[1])
        flat = " to " not in told and "edge" not in told
        if flat and signal.name in beside:
            other = beside[signal.name]
            if told == _told(other, _within(other, whole)[1]):
                same[signal.name] = f"{label(signal)} {told}"
    return same


def _told(signal: Signal, values: Floats) -> str:
    """In words and figures, what a lane shows."""
    if signal.unit:
        low, high = float(values.min()), float(values.max())
        low_text, high_text = (_plain(value) for value in (low, high))
        if low_text == high_text:
            return f"{low_text} {signal.unit}"
        return f"{low_text} to {high_text} {signal.unit}"
    edges = int(np.count_nonzero(np.diff(values)))
    if not edges:
        return f"stays {int(values[0])}"
    return f"{int(values[0])} at first, {edges} edge{'s' if edges > 1 else ''}"


def _plain(value: float) -> str:
    text = f"{value:.2f}"
    return "0.00" if text == "-0.00" else text


def _within(signal: Signal, span: Span) -> tuple[Floats, Floats]:
    """A signal from the beginning to the end of a span, its values there included."""
    time = signal.time_s
    low = max(int(np.searchsorted(time, span.begin_s, side="right")) - 1, 0)
    high = int(np.searchsorted(time, span.end_s, side="right"))
    inner, values = np.maximum(time[low:high], span.begin_s), signal.values[low:high].copy()
    last = values[-1]
    if signal.unit in _SAMPLED:
        values[0], last = np.interp((inner[0], span.end_s), time, signal.values)
    return np.append(inner, span.end_s), np.append(values, last)


def _range(values: Floats, unit: str, other: Signal | None, span: Span) -> tuple[float, float]:
    both = values if other is None else np.append(values, _within(other, span)[1])
    low, high = float(both.min()), float(both.max())
    # A line that hardly moves is drawn flat, not blown up.
    spare = max((1.0 if unit == "V" else 0.2) - (high - low), 0.0) / 2
    return low - spare, high + spare


def _path(x: Floats, y: Floats, *, steps: bool) -> str:
    x, y = thinned(x, y, COLUMNS)
    points = [f"M{x[0]:.1f} {y[0]:.1f}"]
    for i in range(1, len(x)):
        points.append(f"H{x[i]:.1f}V{y[i]:.1f}" if steps else f"L{x[i]:.1f} {y[i]:.1f}")
    return "".join(points)


def _x(second: float, span: Span) -> float:
    share = (second - span.begin_s) / (span.end_s - span.begin_s)
    return round(LEFT + share * (WIDTH - LEFT - RIGHT), 1)


def _ticks(span: Span) -> list[tuple[float, str]]:
    """Round times across a span, at 1, 2 or 5 times a power of ten."""
    rough = (span.end_s - span.begin_s) / _TICKS
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * m for m in (1, 2, 5, 10) if power * m >= rough)
    digits = max(0, -math.floor(math.log10(step)))
    first, last = math.ceil(span.begin_s / step - 1e-9), math.floor(span.end_s / step + 1e-9)
    return [(n * step, f"{n * step:.{digits}f}") for n in range(first, last + 1)]
