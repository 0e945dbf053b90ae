"""Optocouplers at a drive's inputs: how long each needs to switch.

Lit, the transistor's base charges towards what the LED's current asks for and switches on the
way, so the time is a logarithm that grows without bound as the current falls towards the threshold
(first order; common practice, no published source). Going dark takes its own time.
"""

from __future__ import annotations

import math

from ..scenes import Scene


class Opto:
    """The inputs of a scene's drives."""

    def __init__(self, scene: Scene) -> None:
        drive, card = scene.drive, scene.card
        self._threshold_a = drive.opto_threshold_a
        ohm = drive.opto_ohm + card.output_ohm
        sound_a = (scene.supplies.v5.volts - drive.opto_forward_v) / ohm
        sound = self._charge(sound_a)
        self.pulse_min_s, self._pulse_s = drive.pulse_min_s, card.pulse_s
        self._tau_s = drive.pulse_min_s / sound if 0 < sound < math.inf else drive.pulse_min_s
        self._off_s, self._lead_s = drive.opto_off_s, card.direction_lead_s
        self._jitter = drive.opto_jitter

    def _charge(self, amps: float) -> float:
        """Time to switch on, in time constants."""
        if amps <= self._threshold_a:
            return math.inf
        return -math.log1p(-self._threshold_a / amps)

    def on_s(self, amps: float) -> float:
        """Time to switch on at an LED current; for ever at or below the threshold."""
        return self._tau_s * self._charge(amps)

    def taken(self, amps: float) -> float:
        """The share of the card's pulses that an input with this current takes.

        The width needed jitters evenly about its middle; in the long run that many are wide enough.
        """
        need_s = self.on_s(amps)
        if need_s == math.inf:
            return 0.0
        spread_s = self._jitter * need_s
        if not spread_s:
            return float(self._pulse_s >= need_s)
        return min(1.0, max(0.0, (self._pulse_s - need_s + spread_s) / (2 * spread_s)))

    def direction_late_s(self, lit: bool, amps: float, late_s: float) -> float:
        """How long after DIR changed a pulse would still be taken the old way.

        `late_s` is what a slow part adds to going dark. 0 when that is over before the first pulse
        that the card gives, `direction_lead_s` after DIR.
        """
        late = (self.on_s(amps) if lit else self._off_s + late_s) - self.pulse_min_s
        return late if late > self._lead_s else 0.0
