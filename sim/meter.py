"""The multimeter: DC and AC volts, ohms, continuity, least and greatest reading over a time.

On volts its input resistance is part of the circuit while it reads, behind both of its leads; with
the red lead in the amps socket it is a shunt there instead, behind a fuse, and the volts input
hangs in the air. Each function has its own accuracy, as percent of the reading plus counts of the
last digit (common practice for hand-held meters, no published source).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from ..errors import LiveCircuit
from .cable import Cable
from .circuit import GROUND, OPEN_OHM, Link
from .clock import ticks
from .gauges import to_digit
from .individual import drawn
from .netlist import CHASSIS
from .pick_up import chop_v, hum_v

if TYPE_CHECKING:
    from ..scenes import Scene
    from .parts import Parts
    from .rig import Rig
    from .solved import Solved

Phasor = Callable[["Solved", Sequence["Cable"], str], complex]
_LEAD_FARAD = 100e-12  # of a lead to all around it; value from memory
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


_MELTS = 2.1
"""Times its rated current that a fuse carries for as long as a reading takes (IEC 60127-2: at 2.1
times it breaks within half an hour; value from memory)."""


def _cable(
    name: str, scene: Scene, seed: int, farad: float, hum_a: float, wander_a: float
) -> Cable:
    return Cable(
        name,
        seed,
        farad=farad,
        hum_a=hum_a,
        hum_hz=scene.supplies.mains_hz,
        drift_a=wander_a,
        chopper_hz=scene.drive.chopper_hz,
    )


def chassis_cable(scene: Scene, seed: int) -> Cable:
    """What the arm's bare metal picks up."""
    part = scene.chassis
    return _cable(CHASSIS, scene, seed, part.farad, part.hum_a, part.wander_a)


class Meter:
    """Terminals by name; every method raises `UnknownTerminal` for one there is not."""

    def __init__(self, rig: Rig, seed: int) -> None:
        self._rig = rig
        self._scene = rig.scene.gauges.meter
        self._noise = drawn(seed, "meter.noise")
        self._ac_noise = drawn(seed, "meter.noise.ac")
        self._ohm_noise = drawn(seed, "meter.noise.ohm")
        self._holding: list[Callable[[], None]] = []
        meter = self._scene
        self._lead = _cable(
            "METER", rig.scene, seed, _LEAD_FARAD, meter.lead_hum_a, meter.lead_wander_a
        )
        self._lead_ohm = 0.0
        self._in_amps = self._on_chassis = self.fuse_blown = False
        self._touch = 0  # how often a shunt was put on anything

    def fit(self, parts: Parts) -> None:
        """Take the parts' parameters. Who puts the red lead right looks at the fuse too."""
        lead_ohm = sum(parts.parameter("METER", f"{lead}_ohm") for lead in ("red", "black"))
        self._in_amps = parts.parameter("METER", "in_amps") > 0
        self._on_chassis = parts.parameter("METER", "on_chassis") > 0
        self.fuse_blown = self.fuse_blown and self._in_amps
        if not self._in_amps:
            self._rig.harness.shunt = None
        self._shunt_ohm = self._scene.amps_ohm + lead_ohm
        # Nothing is in the volts socket while the red lead is in the other one.
        self._lead_ohm = min(lead_ohm + self._in_amps * OPEN_OHM, OPEN_OHM)

    def touch(self, red: str, black: str, time_s: float | None = None) -> None:
        """Put the probes on two terminals for so long (s), or for one reading.

        What the volts input does there is part of each reading. A shunt of the amps socket does
        more: it lies between them until the probes are lifted, or its fuse melts: what it carries
        at first is taken to last, and the fuse's wire to lose no heat meanwhile. Raises
        `UnknownTerminal`.
        """
        nodes = self._probed(red, black)
        if not self._in_amps or self.fuse_blown or nodes[0] == nodes[1]:
            return
        rig = self._rig
        self._put((*nodes, self._shunt_ohm))
        solved = [rig.harness.look(node).volt(node) for node in nodes]
        amps, touch = abs(solved[0] - solved[1]) / self._shunt_ohm, self._touch
        lifted_s = self._scene.reading_s if time_s is None else time_s
        melts_s = self._scene.fuse_a2s / amps**2 if amps > _MELTS * self._scene.fuse_a else math.inf

        def part(blown: bool) -> None:
            if touch == self._touch and rig.harness.shunt is not None:
                self.fuse_blown = blown and self._in_amps
                self._put(None)

        rig.at(rig.now + ticks(min(melts_s, lifted_s)), lambda: part(melts_s < lifted_s))

    def _put(self, shunt: Link | None) -> None:
        self._touch += shunt is not None
        self._rig.harness.shunt = shunt
        self._rig.fit(self._rig.harness.parts)

    def _probed(self, red: str, black: str) -> tuple[str, str]:
        """The nodes that the probes are on when these terminals are meant."""
        node = self._rig.harness.node
        return node(red), CHASSIS if self._on_chassis and black == GROUND else node(black)

    def terminals(self, prefix: str = "") -> list[str]:
        """Names that a probe can touch, optionally of one joint or part only."""
        return self._rig.harness.terminals(prefix)

    def volts(self, red: str, black: str) -> float:
        """One DC reading between two terminals, V.

        A floating conductor wanders by what its leakage drifts; hum averages out.
        """
        self._show()
        meter, harness = self._scene, self._rig.harness
        red, black = self._probed(red, black)
        whole_ohm = meter.ohm + self._lead_ohm
        volts = harness.volts_between(red, black, whole_ohm, self._rig.pulse_duty())
        volts += self._wander(red, whole_ohm)
        volts -= self._wander(black, whole_ohm)
        volts *= meter.ohm / whole_ohm
        volts += self._lead.drift_v(self._rig.now, self._hanging_ohm)
        volts *= self._rig.individual.meter_gain
        volts += meter.digit_v * self._noise.uniform(-meter.counts, meter.counts) / 2
        return to_digit(meter.digit_v, volts)

    @property
    def _hanging_ohm(self) -> float:
        """What the meter's own end of a broken lead finds to 0 V; nothing of a sound one."""
        return self._scene.ohm * self._lead_ohm / (self._scene.ohm + self._lead_ohm)

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
        for name, cable in self._rig.cables.items():
            if name in island.index and self._rig.harness.tied(node, name):
                drift += cable.drift_v(self._rig.now, ohm)
        return drift

    def volts_ac(self, red: str, black: str) -> float:
        """One AC reading, V: true RMS of what swings about the mean.

        Mains hum and choppers by the phasors of the inputs, under the meter's own load, and running
        step pulses; what is not correlated adds by squares.
        """
        meter, harness = self._scene, self._rig.harness
        self._show()
        duty = self._rig.pulse_duty()
        whole_ohm = meter.ohm + self._lead_ohm
        nodes = self._probed(red, black)
        with harness.loaded(*nodes, whole_ohm):
            square = sum(abs(self._phasor_v(of, *nodes)) ** 2 / 2 for of in (hum_v, chop_v))
            for output, swing in harness.swings_v(*nodes, duty)[1].items():
                square += duty[output] * (1 - duty[output]) * swing**2
        square *= (meter.ohm / whole_ohm) ** 2
        amps, siemens = self._lead.hum()
        square += abs(self._hanging_ohm * amps / (1 + siemens * self._hanging_ohm)) ** 2 / 2
        volts = math.sqrt(square) * self._rig.individual.meter_ac_gain
        volts += meter.digit_v * self._ac_noise.uniform(-meter.ac_counts, meter.ac_counts) / 2
        return to_digit(meter.digit_v, max(volts, 0.0))

    def _phasor_v(self, of: Phasor, red: str, black: str) -> complex:
        """Peak phasor of the hum, or of the choppers, between two nodes of the circuit as it is.

        Every cable's coupled current into the island, with every cable's capacitance across it.
        """
        harness, total = self._rig.harness, 0j
        for node, sign in ((red, 1), (black, -1)):
            island = harness.circuit.island_of.get(node)
            if island is None:
                continue
            cables = [cable for name, cable in self._rig.cables.items() if name in island.index]
            if not cables:
                continue
            total += sign * of(harness.look(node), cables, node)
        return total

    def ohms(self, red: str, black: str) -> float:
        """One reading of resistance, ohms, over every path there is; infinite on overload.

        Raises `LiveCircuit` while the main supply is on.
        """
        meter, harness = self._scene, self._rig.harness
        if harness.main_supply:
            raise LiveCircuit(LIVE)
        ohm = harness.ohm_between(*self._probed(red, black), self._rig.heating.coil_ohm())
        ohm += self._lead_ohm
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
        self.touch(red, black, time_s)
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
