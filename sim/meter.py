"""The multimeter: DC and AC volts, ohms, continuity, least and greatest reading over a time.

On volts its input resistance is part of the circuit while it reads. Each function has its own
accuracy, as percent of the reading plus counts of the last digit (common practice for hand-held
meters, no published source).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from ..errors import LiveCircuit
from .clock import ticks
from .gauges import to_digit
from .individual import drawn
from .netlist import input_pins
from .pick_up import chop_v, hum_v

if TYPE_CHECKING:
    from .pins import InputPin
    from .rig import Rig
    from .solved import Solved

Phasor = Callable[["Solved", Sequence["InputPin"], str], complex]
LIVE = (
    "ohms on a live circuit: the main supply is on. Isolate, lock, wait, prove the meter on a "
    "known source, prove dead; then measure (SUPP:MAIN OFF; support the links first: the arm falls)"
)


class Hold:
    """The least and the greatest of several readings, V."""

    def __init__(self) -> None:
        self.low_v, self.high_v = math.inf, -math.inf
        self.complete = False

    def take(self, volts: float) -> None:
        """One more reading."""
        self.low_v, self.high_v = min(self.low_v, volts), max(self.high_v, volts)


class Meter:
    """Terminals by name; every method raises `UnknownTerminal` for one there is not."""

    def __init__(self, rig: Rig, seed: int) -> None:
        self._rig = rig
        self._scene = rig.scene.gauges.meter
        self._noise = drawn(seed, "meter.noise")
        self._ac_noise = drawn(seed, "meter.noise.ac")
        self._ohm_noise = drawn(seed, "meter.noise.ohm")
        self._holding: list[Callable[[], None]] = []

    def terminals(self, prefix: str = "") -> list[str]:
        """Names that a probe can touch, optionally of one joint or part only."""
        return self._rig.harness.terminals(prefix)

    def volts(self, red: str, black: str) -> float:
        """One DC reading between two terminals, V.

        A floating conductor wanders by what its leakage drifts; hum averages out.
        """
        self._show()
        meter, harness = self._scene, self._rig.harness
        volts = harness.volts_between(red, black, meter.ohm, self._rig.pulse_duty())
        volts += self._wander(harness.node(red), meter.ohm)
        volts -= self._wander(harness.node(black), meter.ohm)
        volts *= self._rig.individual.meter_gain
        volts += meter.digit_v * self._noise.uniform(-meter.counts, meter.counts) / 2
        return to_digit(meter.digit_v, volts)

    def _show(self) -> None:
        """Bring what turns and slides up to now."""
        self._rig.counting.show()
        if self._rig.gripper is not None:
            self._rig.gripper.show()

    def _wander(self, node: str, meter_ohm: float) -> float:
        """What the drift of a floating input adds at a node that hangs on it."""
        circuit = self._rig.harness.circuit
        island = circuit.island_of.get(node)
        if island is None:
            return 0.0
        source = self._rig.harness.look(node).source_ohm(node)
        ohm = 1 / (1 / max(source, 1e-3) + 1 / meter_ohm)
        drift = 0.0
        for joint in self._rig.scene.joint:
            for name in input_pins(joint.name):
                if name in island.index and self._rig.harness.tied(node, name):
                    drift += self._rig.pins[name].drift_v(self._rig.now, ohm)
        return drift

    def volts_ac(self, red: str, black: str) -> float:
        """One AC reading, V: true RMS of what swings about the mean.

        Mains hum and choppers by the phasors of the inputs, under the meter's own load, and running
        step pulses; what is not correlated adds by squares.
        """
        meter, harness = self._scene, self._rig.harness
        self._show()
        duty = self._rig.pulse_duty()
        with harness.loaded(red, black, meter.ohm):
            nodes = harness.node(red), harness.node(black)
            square = sum(abs(self._phasor_v(of, *nodes)) ** 2 / 2 for of in (hum_v, chop_v))
            for output, swing in harness.swings_v(red, black, duty)[1].items():
                square += duty[output] * (1 - duty[output]) * swing**2
        volts = math.sqrt(square) * self._rig.individual.meter_ac_gain
        volts += meter.digit_v * self._ac_noise.uniform(-meter.ac_counts, meter.ac_counts) / 2
        return to_digit(meter.digit_v, max(volts, 0.0))

    def _phasor_v(self, of: Phasor, red: str, black: str) -> complex:
        """Peak phasor of the hum, or of the choppers, between two nodes of the circuit as it is.

        Every input's coupled current into the island, with every input's capacitance across it.
        """
        harness, total = self._rig.harness, 0j
        for node, sign in ((red, 1), (black, -1)):
            island = harness.circuit.island_of.get(node)
            if island is None:
                continue
            pins = [pin for name, pin in self._rig.pins.items() if name in island.index]
            if not pins:
                continue
            total += sign * of(harness.look(node), pins, node)
        return total

    def ohms(self, red: str, black: str) -> float:
        """One reading of resistance, ohms, over every path there is; infinite on overload.

        Raises `LiveCircuit` while the main supply is on.
        """
        meter, harness = self._scene, self._rig.harness
        if harness.main_supply:
            raise LiveCircuit(LIVE)
        ohm = harness.ohm_between(red, black)
        if not ohm <= meter.limit_ohm:
            return math.inf
        ohm *= self._rig.individual.meter_ohm_gain
        digit = meter.digit_ohm
        while ohm > meter.full_counts * digit:
            digit *= 10
        ohm += digit * self._ohm_noise.uniform(-meter.ohm_counts, meter.ohm_counts) / 2
        return to_digit(digit, max(ohm, 0.0))

    def continuous(self, red: str, black: str) -> bool:
        """Whether the meter beeps. Raises `LiveCircuit` while the main supply is on."""
        return self.ohms(red, black) < self._scene.continuity_ohm

    def hold(self, red: str, black: str, time_s: float) -> Hold:
        """Begin to take DC readings for so long: the first and the last at its two ends.

        What the rig does meanwhile is in them, a short rise of the supply too (`look`); the result
        is complete when the time is over.
        """
        held, rig = Hold(), self._rig
        held.take(self.volts(red, black))
        every, end = ticks(self._scene.reading_s), rig.now + ticks(time_s)

        def take() -> None:
            held.take(self.volts(red, black))

        def read() -> None:
            take()
            held.complete = rig.now >= end
            if held.complete:
                self._holding.remove(take)
            else:
                rig.at(min(rig.now + every, end), read)

        self._holding.append(take)
        rig.at(min(rig.now + every, end), read)
        return held

    def look(self) -> None:
        """Let readings that hold the least and the greatest see what is there now."""
        for take in self._holding:
            take()
