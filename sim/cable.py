"""What a length of cable picks up: mains hum, and the slow wander of leakage."""

from __future__ import annotations

import cmath
import math

from .clock import TICKS_PER_S
from .individual import drawn

_DRIFT_HZ = (0.11, 0.29)


class Cable:
    """A conductor with a capacitance (F), mains current coupled in (A, peak), wander (A)."""

    def __init__(
        self,
        name: str,
        seed: int,
        *,
        farad: float,
        hum_a: float,
        hum_hz: float,
        drift_a: float,
        chopper_hz: float,
    ) -> None:
        self.name, self.farad = name, farad
        self.hum_a, self.drift_a = hum_a, drift_a
        self._omega, self._chop_omega = 2 * math.pi * hum_hz, 2 * math.pi * chopper_hz
        random = drawn(seed, f"{name}.pickup")
        self._hum_phase = random.uniform(0, 2 * math.pi)
        self._drift_phase = (random.uniform(0, 2 * math.pi), random.uniform(0, 2 * math.pi))

    def drift_v(self, now: int, ohm: float) -> float:
        """What the slow drift adds at `now` across a source of `ohm`."""
        time = now / TICKS_PER_S
        first, second = self._drift_phase
        wave = math.sin(2 * math.pi * _DRIFT_HZ[0] * time + first)
        wave += 0.6 * math.sin(2 * math.pi * _DRIFT_HZ[1] * time + second)
        return self.drift_a * ohm * wave / 1.6

    def hum(self) -> tuple[complex, complex]:
        """Mains current coupled in (peak phasor, A) and the conductor's own admittance (S)."""
        return cmath.rect(self.hum_a, self._hum_phase), 1j * self._omega * self.farad

    def chop(self) -> tuple[complex, complex]:
        """The same at the frequency of the drives' choppers."""
        return 0j, 1j * self._chop_omega * self.farad
