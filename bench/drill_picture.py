"""One picture of the signal that tells most: as it is on the sound arm, and with the fault."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from ..errors import TraceError
from ..faults.gates import GATES
from ..sim.trace_plot import thinned
from ..sim.wave import Floats
from .act import Act, Signal
from .acts import perform
from .drill_cases import Case, plain
from .lanes import label
from .readings import Compared, compare

NAME = "signal.png"
_GRID = 4000
_SPAN = {"": 1.0, "V": 5.0, "deg": 6.0, "N.m": 5.0}
"""What counts as a whole difference, by unit."""
_FLAT_SHARE = 0.2
"""A signal that stands still on the sound arm shows so much less to the eye."""
_PLAIN_SHARE = 0.02
"""Signals that differ by less than this share of it, on the whole, show nothing."""
_WIDTH_IN, _HEIGHT_IN = 9.0, 4.6
_SOUND, _FAULTY = "sound arm", "with the fault"


def draw(case: Case, folder: Path) -> tuple[Path, str] | None:
    """Draw the picture into a folder; returns its path and what it shows.

    None when the arm was sound. Where no signal differs, the meter readings that do are drawn.
    Raises TraceError when it cannot be written, CommissionError when a rig does not answer.
    """
    if not case.faults:
        return None
    fault = plain_with_parameters(case.faults[0])
    sound, faulty = (perform(case.arm, case.seed, fault, sound) for sound in (True, False))
    pair = decisive(sound, faulty)
    path = folder / NAME
    if pair is None:
        changed = [each for each in compare(case.arm, case.seed, fault) if each.changed]
        if not changed:
            return None
        _save(_bars(changed[0], fault), path)
        return path, f"{changed[0].faulty.red} to {changed[0].faulty.black}, {fault}"
    _save(_curves(*pair, sound, faulty, fault), path)
    return path, f"{label(pair[0])}: {sound.what}"


def plain_with_parameters(fault: str) -> str:
    """A fault without its gate: as it is while it acts."""
    kept = [item for item in fault.split(",")[1:] if item.partition("=")[0] not in GATES]
    return ",".join([plain(fault), *kept])


def decisive(sound: Act, faulty: Act) -> tuple[Signal, Signal] | None:
    """The signal that differs most over the act, in both; None when none differs plainly."""
    theirs = {signal.name: signal for signal in faulty.signals}
    end_s = min(_shown_s(sound), _shown_s(faulty))
    best, pair = _PLAIN_SHARE, None
    for signal in sound.signals:
        other = theirs.get(signal.name)
        # Where the shaft went is told by the joint; it turns many times for a little of it.
        if other is None or signal.unit not in _SPAN or signal.name.endswith("SHAFT_DEG"):
            continue
        apart = _apart(signal, other, end_s)
        if np.ptp(signal.values) / _SPAN[signal.unit] < _PLAIN_SHARE:
            apart *= _FLAT_SHARE
        if apart > best:
            best, pair = apart, (signal, other)
    return pair


def _shown_s(act: Act) -> float:
    """How much of an act to show, s: its first part where that has a picture of its own."""
    return act.first_s or act.end_s


def _apart(one: Signal, other: Signal, end_s: float) -> float:
    """How far two signals lie apart, of a whole difference, on the average over time."""
    at = np.linspace(0.0, end_s, _GRID)
    apart = np.abs(_at(one, at) - _at(other, at)) / _SPAN[one.unit]
    return float(np.minimum(apart, 1.0).mean())


def _at(signal: Signal, time_s: Floats) -> Floats:
    if signal.unit == "deg":
        curve: Floats = np.interp(time_s, signal.time_s, signal.values)
        return curve
    index = np.clip(np.searchsorted(signal.time_s, time_s, side="right") - 1, 0, None)
    return signal.values[index]


def _curves(one: Signal, other: Signal, sound: Act, faulty: Act, fault: str) -> object:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(_WIDTH_IN, _HEIGHT_IN), layout="constrained")
    axes = figure.subplots(2, 1, sharex=True, sharey=True)
    rows = ((one, sound, _SOUND, "C0"), (other, faulty, f"{_FAULTY}: {fault}", "C3"))
    for panel, (signal, act, title, colour) in zip(axes, rows, strict=True):
        kept = signal.time_s <= _shown_s(act)
        time = np.append(signal.time_s[kept], _shown_s(act))
        values = np.append(signal.values[kept], signal.values[kept][-1])
        time, values = thinned(time, values)
        style = "default" if signal.unit == "deg" else "steps-post"
        panel.plot(time, values, drawstyle=style, linewidth=1.2, color=colour)
        panel.set_title(title, fontsize=10, loc="left")
        panel.set_ylabel(signal.unit or "level", fontsize=9)
        if not signal.unit:
            panel.set_yticks((0, 1))
            panel.set_ylim(-0.2, 1.2)
        panel.grid(alpha=0.3)
    axes[-1].set_xlabel("time, s")
    axes[-1].set_xlim(0.0, max(_shown_s(sound), _shown_s(faulty)))
    figure.suptitle(f"{label(one)}\n{sound.what}", fontsize=10)
    return figure


def _bars(reading: Compared, fault: str) -> object:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(_WIDTH_IN, _HEIGHT_IN / 2), layout="constrained")
    panel = figure.subplots()
    rows: Sequence[tuple[str, float, str]] = (
        (f"{_FAULTY}\n{fault}", reading.faulty.value, reading.faulty.text),
        (_SOUND, reading.sound.value, reading.sound.text),
    )
    most = max(min(value, 1e8) for _, value, _ in rows)
    for row, (_, value, text) in enumerate(rows):
        panel.barh(row, min(value, 1e8), color=("C3", "C0")[row], height=0.5)
        panel.annotate(text, (min(value, 1e8), row), xytext=(5, 0), textcoords="offset points",
                       va="center", fontsize=10)  # fmt: skip
    panel.set_yticks(range(len(rows)), [name for name, _, _ in rows], fontsize=9)
    if reading.faulty.unit == "ohm":
        panel.set_xscale("log")
        panel.set_xlim(0.01, most * 50)
    else:
        panel.set_xlim(0.0, most * 1.3)
    panel.set_xlabel(reading.faulty.unit)
    panel.set_title(
        f"{reading.faulty.red} to {reading.faulty.black}: {reading.faulty.state}", fontsize=10
    )
    return figure


def _save(figure: object, path: Path) -> None:
    from matplotlib.figure import Figure

    assert isinstance(figure, Figure)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        figure.savefig(path, dpi=120)
    except OSError as error:
        raise TraceError(f"picture {str(path)!r}: {error.strerror}") from None
