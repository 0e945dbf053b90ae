"""What a person reads at the arm: eye, digital level, witness mark, meter; each with its error."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from .harness import input_pins
from .individual import drawn

if TYPE_CHECKING:
    from .rig import Rig


def _to(resolution: float, value: float) -> float:
    return round(round(value / resolution) * resolution, 9)


class Gauges:
    """Joint numbers from 0."""

    def __init__(self, rig: Rig, seed: int) -> None:
        self._rig = rig
        self._scene = rig.scene
        self._level_zero_deg = 0.0
        self._meter_noise = drawn(seed, "meter.noise")

    def look_deg(self, joint: int) -> float:
        """A joint's angle as the eye judges it against the arm's drawing, deg."""
        angle = math.degrees(self._rig.angles_rad()[joint])
        return _to(self._scene.gauges.eye.resolution_deg, angle)

    def zero_level(self) -> None:
        """Lay the level on the base and zero it there."""
        self._level_zero_deg = self._level(None)

    def level_deg(self, joint: int) -> float:
        """Pitch of a joint's link, up positive, from where the level was zeroed, deg.

        A level sees gravity only: a turn about the vertical does not move it.
        """
        reading = self._level(joint) - self._level_zero_deg
        return _to(self._scene.gauges.level.resolution_deg, reading)

    def _level(self, joint: int | None) -> float:
        pitch = self._rig.body.pitch_rad(self._rig.angles_rad(), joint)
        return math.degrees(pitch) + self._rig.individual.level_bias_deg

    def mark_deg(self, joint: int) -> float | None:
        """A joint's distance from its scribed zero, deg; None when the marks are too far apart."""
        mark = self._scene.gauges.mark
        angle = math.degrees(self._rig.angles_rad()[joint])
        if abs(angle) > mark.window_deg:
            return None
        return _to(mark.resolution_deg, angle + self._rig.individual.mark_bias_deg[joint])

    def volts(self, red: str, black: str) -> float:
        """One DC reading between two terminals.

        The meter's resistance is part of the circuit while it reads. A floating conductor wanders
        by what its leakage drifts; hum averages out. Raises `UnknownTerminal`.
        """
        meter, harness = self._scene.gauges.meter, self._rig.harness
        volts = harness.volts_between(red, black, meter.ohm, self._rig.step_duty())
        volts += self._wander(harness.node(red), meter.ohm)
        volts -= self._wander(harness.node(black), meter.ohm)
        volts *= self._rig.individual.meter_gain
        volts += meter.digit_v * self._meter_noise.uniform(-meter.counts, meter.counts) / 2
        return _to(meter.digit_v, volts)

    def _wander(self, node: str, meter_ohm: float) -> float:
        """What the drift of a floating input adds at a node that hangs on it."""
        circuit = self._rig.harness.circuit
        island = circuit.island_of.get(node)
        if island is None:
            return 0.0
        source = self._rig.harness.look(node).source_ohm(node)
        ohm = 1 / (1 / max(source, 1e-3) + 1 / meter_ohm)
        drift = 0.0
        for joint in self._scene.joint:
            for name in input_pins(joint.name):
                if name in island.index and self._rig.harness.tied(node, name):
                    drift += self._rig.pins[name].drift_v(self._rig.now, ohm)
        return drift

    def terminals(self, prefix: str = "") -> list[str]:
        """Names that `volts` takes, optionally of one joint only."""
        return self._rig.harness.terminals(prefix)
