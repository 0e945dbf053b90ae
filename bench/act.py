"""What an act gave: signals of its trace, readings, and which parts of it are worth a picture."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ..sim.wave import Floats

_SWITCH_ZOOM_S, _DISC_ZOOM_S, _RUN_UP_S = (-0.004, 0.008), (-0.012, 0.012), 0.01
_FIRST_EDGE, _PAUSE = "Around the first edge of the input", "Where channel A pauses"


@dataclass(frozen=True)
class Signal:
    """One signal from the beginning of its act on: `values` from each of `time_s` (n,) on."""

    name: str
    unit: str
    time_s: Floats
    values: Floats


@dataclass(frozen=True)
class Span:
    """A part of an act to show: seconds from its beginning."""

    begin_s: float
    end_s: float
    title: str


@dataclass
class Act:
    """What was done, what the pins did, what the gauges showed: pairs of what and reading.

    `first_s` is the end of a part of the act that is worth a picture of its own.
    """

    what: str
    signals: list[Signal] = field(default_factory=list)
    gauges: list[tuple[str, str]] = field(default_factory=list)
    end_s: float = 0.0
    first_s: float = 0.0
    broke_off: str = ""

    def spans(self) -> list[Span]:
        """What to show: the whole, and a closer look where there is something to see."""
        spans = [Span(0.0, self.end_s, "The whole act")]
        if self.first_s:
            spans.insert(0, Span(0.0, self.first_s, "A little way, and back"))
        for signal in self.signals:
            if signal.name.endswith(".SW") and len(signal.time_s) > 1:
                spans.append(self._around(float(signal.time_s[1]), _SWITCH_ZOOM_S, _FIRST_EDGE))
                break
            pause = _pause(signal, self.first_s)
            if signal.name.endswith(".ENC.A") and pause is not None:
                spans.append(self._around(pause, _DISC_ZOOM_S, _PAUSE))
                break
        return spans

    def _around(self, at_s: float, zoom_s: tuple[float, float], title: str) -> Span:
        return Span(max(at_s + zoom_s[0], 0.0), min(at_s + zoom_s[1], self.end_s), title)


def _pause(signal: Signal, after_s: float) -> float | None:
    """Where a channel that runs on both sides of it pauses for many times its usual interval."""
    edges = signal.time_s[signal.time_s > after_s + _RUN_UP_S]
    if len(edges) < 100:
        return None
    gaps = np.diff(edges)
    # In the first half only: at its end the hand turns round.
    gaps = gaps[: len(gaps) // 2 - 20]
    longest = int(np.argmax(gaps))
    if gaps[longest] < 5 * float(np.median(gaps)):
        return None
    return float(edges[longest] + gaps[longest] / 2)
