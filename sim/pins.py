"""One digital input of the card: threshold with hysteresis, and what a floating one does.

A driven input follows its source at once, or through a large resistance as fast as that charges
it. A floating one has a source so weak that what it picks up decides: it keeps its charge and
creeps towards the volts its leakage gives it, with mains hum from the cable and a slow drift on
top, and what the chopper of a drive couples in while it is on. Its crossings of the thresholds come
from that formula, by bracketing and bisection, never from sampling.
"""

from __future__ import annotations

import cmath
import math
from typing import TYPE_CHECKING

import numpy as np

from .cable import Cable
from .clock import NEVER, TICKS_PER_S
from .individual import drawn
from .parts import Parts
from .settling import Settling
from .tone import Tone

if TYPE_CHECKING:
    from .pick_up import PickUp

AT_ONCE_S = 0.5e-6
"""A time constant that is over before the next edge: at the card's highest rate a disc needs some
4 µs for a quarter cycle."""
_WINDOW_S = 0.1
_GRID = 201
_ASK_AGAIN_S = 1e-3  # when slow parts may have brought the chopper's tone within reach
_FIRST_HARMONIC = 2 / math.pi  # peak of a square wave's first harmonic, by its whole swing
_OUT_OF_REACH_V = 1e3  # no pin of an arm gets there: an input that knows one level only


class InputPin(Cable):
    """Level and volts of one input."""

    def __init__(
        self,
        name: str,
        seed: int,
        *,
        farad: float,
        low_v: float,
        high_v: float,
        hum_a: float,
        hum_hz: float,
        drift_a: float,
        chopper_hz: float,
        chopper_v: float,
    ) -> None:
        super().__init__(
            name,
            seed,
            farad=farad,
            hum_a=hum_a,
            hum_hz=hum_hz,
            drift_a=drift_a,
            chopper_hz=chopper_hz,
        )
        self._plug = name.removeprefix("CARD.").rpartition(".")[0]
        self.level = 0
        self._made_v, self._made_hum_a = (low_v, high_v), hum_a
        self._low_v, self._high_v = low_v, high_v
        self._chop_peak_v = _FIRST_HARMONIC * chopper_v
        self._chop_phase = drawn(seed, f"{name}.chopper").uniform(0, 2 * math.pi)
        self._coupled_f = 0.0
        self._chopped = False
        self._from_v = self._to_v = 0.0
        self._fitted = False
        self._pick_up(1.0)
        self._since = 0
        self._ohm = 0.0
        self._shared: PickUp | None = None
        self._settling: Settling | None = None

    def _pick_up(self, factor: float) -> None:
        self._factor = factor
        self.hum_a = self._made_hum_a * factor
        # A source that pick-up of half the undecided band gets the better of drives nothing.
        low_v, high_v = self._made_v
        pick_up_a = self.hum_a + self.drift_a + abs(self.chop()[0])
        self._floats_ohm = 0.5 * (high_v - low_v) / pick_up_a if pick_up_a else math.inf

    def fit(self, parts: Parts) -> None:
        """Take the parts' parameters: thresholds, and what the cable picks up."""
        stuck = round(parts.parameter(self.name, "stuck"))
        shift_v = (0.0, _OUT_OF_REACH_V, -_OUT_OF_REACH_V)[stuck]
        shift_v += parts.parameter(self.name, "shift_v")
        before = (self._low_v, self._high_v, self.hum_a, self._coupled_f)
        self._low_v, self._high_v = (volts + shift_v for volts in self._made_v)
        self._coupled_f = parts.parameter(self._plug, "coupled_f")
        self._pick_up(parts.parameter(self._plug, "pickup"))
        if (self._low_v, self._high_v, self.hum_a, self._coupled_f) != before:
            self._fitted = True

    def beside(self, chopped: bool) -> bool:
        """The motor's leads are chopped or quiet now; whether that makes a difference here."""
        if chopped == self._chopped:
            return False
        self._chopped = chopped
        if not self._coupled_f:
            return False
        self._pick_up(self._factor)
        self._fitted = True
        return True

    def floats(self, source_ohm: float) -> bool:
        """Whether a source of this resistance would leave the input floating."""
        return source_ohm > self._floats_ohm

    def slow(self, source_ohm: float) -> bool:
        """Whether such a source drives the input, but takes its time."""
        return source_ohm * self.farad > AT_ONCE_S and not self.floats(source_ohm)

    def tau_ticks(self, source_ohm: float) -> float:
        """Time constant with such a source."""
        return source_ohm * self.farad * TICKS_PER_S

    @property
    def thresholds(self) -> tuple[float, float]:
        """Volts at and below which the level is 0, at and above which it is 1."""
        return self._low_v, self._high_v

    @property
    def floating(self) -> bool:
        """Whether nothing drives the input."""
        return self.floats(self._ohm)

    def drive(
        self, now: int, volts: float, source_ohm: float, shared: PickUp | None = None
    ) -> None:
        """The circuit around the input changed: new open volts and source resistance.

        `shared` is what it picks up while it floats together with others.
        """
        same = volts == self._to_v and source_ohm == self._ohm and shared == self._shared
        if same and not self._fitted:
            return
        held, self._fitted = self._charge(now), False
        self._shared = shared
        self._settling = None
        if self.slow(source_ohm):
            self._settling = Settling(self._low_v, self._high_v, self.level, held)
            self._settling.drive(now, volts, self.tau_ticks(source_ohm))
        self._from_v, self._to_v, self._since, self._ohm = held, volts, now, source_ohm
        if not self.floating and self._settling is None:
            self._from_v = volts
            if volts >= self._high_v:
                self.level = 1
            elif volts <= self._low_v:
                self.level = 0

    def _charge(self, now: int) -> float:
        if self._settling is not None:
            return self._settling.volts(now)
        if not self.floating:
            return self._to_v
        elapsed = (now - self._since) / TICKS_PER_S
        decay = math.exp(-elapsed / self._tau_s())
        return self._to_v + (self._from_v - self._to_v) * decay

    def chop(self) -> tuple[complex, complex]:
        """Of the chopper: current coupled in (peak phasor, A) and the input's admittance (S)."""
        omega = self._chop_omega
        siemens = 1j * omega * (self.farad + self._coupled_f)
        if not (self._chopped and self._coupled_f):
            return 0j, siemens
        return cmath.rect(omega * self._coupled_f * self._chop_peak_v, self._chop_phase), siemens

    def _tone(self) -> Tone | None:
        """What the chopper does at the input while that floats, if anything."""
        if self._shared is not None:
            volts = self._shared.chop_v
        else:
            amps, siemens = self.chop()
            volts = amps / (siemens + 1 / self._ohm) if amps else 0j
        return Tone(*cmath.polar(volts), self._chop_omega) if volts else None

    def _tau_s(self) -> float:
        return self._ohm * (self._shared.farad if self._shared else self.farad)

    def _wander_v(self, now: int) -> float:
        if self._shared is None:
            return self.drift_v(now, self._ohm)
        return sum(pin.drift_v(now, ohm) for pin, ohm in self._shared.wander)

    def _hum_v(self) -> tuple[float, float]:
        """Height and phase."""
        if self._shared is not None:
            return cmath.polar(self._shared.hum_v)
        lag = self._omega * self._ohm * self.farad
        return self.hum_a * self._ohm / math.hypot(1, lag), self._hum_phase - math.atan(lag)

    def volts(self, now: int) -> float:
        """Volts at the pin now."""
        if not self.floating:
            return self._charge(now)
        tone = self._tone()
        return self._slow_v(now) + (tone.at(now) if tone is not None else 0.0)

    def _slow_v(self, now: int) -> float:
        """The same of a floating input without the chopper's tone."""
        height, phase = self._hum_v()
        hum = height * math.cos(self._omega * now / TICKS_PER_S + phase)
        return self._charge(now) + hum + self._wander_v(now)

    def next_crossing(self, now: int) -> tuple[int, int] | None:
        """The next tick at which the level changes, and the new level.

        The level is unchanged when no crossing lies in the window: ask again then. None when the
        pin can never cross as things are.
        """
        if self._settling is not None:
            if self._settling.level != self.level:
                self._settling.flip()
            due = self._settling.due()
            return None if due >= NEVER else (max(due, now), 1 - self.level)
        if not self.floating:
            return None
        height, phase = self._hum_v()
        shares = self._shared.wander if self._shared else ((self, self._ohm),)
        swing = height + sum(pin.drift_a * ohm for pin, ohm in shares)
        tone = self._tone()
        if tone is not None:
            swing += tone.height_v
        high = max(self._from_v, self._to_v) + swing
        low = min(self._from_v, self._to_v) - swing
        if (self.level == 0 and high < self._high_v) or (self.level == 1 and low > self._low_v):
            return None
        if tone is not None:
            return self._next_by_tone(tone, now)
        window = round(_WINDOW_S * TICKS_PER_S)
        grid = np.linspace(0, window, _GRID)
        elapsed = (now - self._since + grid) / TICKS_PER_S
        time = (now + grid) / TICKS_PER_S
        values = self._to_v + (self._from_v - self._to_v) * np.exp(-elapsed / self._tau_s())
        values += height * np.cos(self._omega * time + phase)
        values += np.linspace(self._wander_v(now), self._wander_v(now + window), _GRID)
        beyond = values >= self._high_v if self.level == 0 else values <= self._low_v
        hits = np.flatnonzero(beyond)
        if hits.size == 0:
            return now + window, self.level
        if hits[0] == 0:
            return now + 1, 1 - self.level
        low_tick, high_tick = now + int(grid[hits[0] - 1]), now + math.ceil(grid[hits[0]])
        while high_tick - low_tick > 1:
            middle = (low_tick + high_tick) // 2
            volts = self.volts(middle)
            if volts >= self._high_v if self.level == 0 else volts <= self._low_v:
                high_tick = middle
            else:
                low_tick = middle
        return high_tick, 1 - self.level

    def _next_by_tone(self, tone: Tone, now: int) -> tuple[int, int]:
        """The same under the chopper's tone: all else hardly changes during one cycle of it."""
        tick: int | None = now
        for _ in range(2):
            base = self._slow_v(now if tick is None else tick)
            if self.level == 0:
                tick = tone.rises_past(self._high_v - base, now)
            else:
                tick = tone.falls_past(self._low_v - base, now)
        if tick is None:
            return now + round(_ASK_AGAIN_S * TICKS_PER_S), self.level
        return tick, 1 - self.level
