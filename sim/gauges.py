"""What a person reads at the arm: eye, digital level, witness mark, meter. Each has its own error."""

from __future__ import annotations

import math
from typing import Protocol

from .body import Body
from .harness import Harness, input_pins
from .individual import Individual, drawn
from .pins import InputPin


class Bench(Protocol):
    """What the gauges are held against."""

    @property
    def now(self) -> int: ...
    @property
    def body(self) -> Body: ...
    @property
    def harness(self) -> Harness: ...
    @property
    def individual(self) -> Individual: ...
    @property
    def pins(self) -> dict[str, InputPin]: ...
    def step_duty(self) -> dict[str, float]:
        """The part of the time for which each running STEP output is high."""

    def angles_rad(self) -> list[float]:
        """Joint angles now."""


def _to(resolution: float, value: float) -> float:
    return round(round(value / resolution) * resolution, 9)


class Gauges:
    """Joint numbers from 0."""

    def __init__(self, bench: Bench, seed: int) -> None:
        self._bench = bench
        self._scene = bench.harness.scene
        self._level_zero_deg = 0.0
        self._meter_noise = drawn(seed, "meter.noise")

    def look_deg(self, joint: int) -> float:
        """A joint's angle as the eye judges it against the arm's drawing, deg."""
        angle = math.degrees(self._bench.angles_rad()[joint])
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
        pitch = self._bench.body.pitch_rad(self._bench.angles_rad(), joint)
        return math.degrees(pitch) + self._bench.individual.level_bias_deg

    def mark_deg(self, joint: int) -> float | None:
        """A joint's distance from its scribed zero, deg; None when the marks are too far apart."""
        mark = self._scene.gauges.mark
        angle = math.degrees(self._bench.angles_rad()[joint])
        if abs(angle) > mark.window_deg:
            return None
        return _to(mark.resolution_deg, angle + self._bench.individual.mark_bias_deg[joint])

    def volts(self, red: str, black: str) -> float:
        """One DC reading between two terminals.

        The meter's resistance is part of the circuit while it reads. A floating conductor wanders
        by what its leakage drifts; hum averages out. Raises `UnknownTerminal`.
        """
        meter, harness = self._scene.gauges.meter, self._bench.harness
        volts = harness.volts_between(red, black, meter.ohm, self._bench.step_duty())
        volts += self._wander(harness.node(red), meter.ohm)
        volts -= self._wander(harness.node(black), meter.ohm)
        volts *= self._bench.individual.meter_gain
        volts += meter.digit_v * self._meter_noise.uniform(-meter.counts, meter.counts) / 2
        return _to(meter.digit_v, volts)

    def _wander(self, node: str, meter_ohm: float) -> float:
        """What the drift of a floating input adds at a node that hangs on it."""
        circuit = self._bench.harness.circuit
        island = circuit.island_of.get(node)
        if island is None:
            return 0.0
        source = self._bench.harness.look(node).source_ohm(node)
        ohm = 1 / (1 / max(source, 1e-3) + 1 / meter_ohm)
        drift = 0.0
        for joint in self._scene.joint:
            for name in input_pins(joint.name):
                if name in island.index and self._bench.harness.tied(node, name):
                    drift += self._bench.pins[name].drift_v(self._bench.now, ohm)
        return drift

    def terminals(self, prefix: str = "") -> list[str]:
        """Names that `volts` takes, optionally of one joint only."""
        return self._bench.harness.terminals(prefix)
