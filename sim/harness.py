"""The harness of a scene: which terminal is tied to which, through what.

Each conductor of a joint has two terminals: `CARD.J3.DIR` where it starts (card, drive or rail)
and `J3.DIR` at the part. A conductor that starts on a rail shares the rail's terminal there. While
the plug at its part is out, a conductor ends at `PLUG.J3.DIR`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager

from ..errors import UnknownTerminal, nearest
from ..scenes import STOP, Joint, Scene
from .circuit import (
    GROUND,
    OPEN_OHM,
    RAILS,
    Circuit,
    Island,
    Link,
    Netlist,
    Source,
)
from .drive import Coils
from .individual import Individual
from .io_harness import io_settings
from .netlist import CHASSIS, COILS, PROVING, STOP_COIL, PartsList
from .parts import OUTPUTS, Parts
from .plugs import LOOSE, Plugs
from .resistance import resistance_ohm
from .solved import Solved

_HALF_24V = 12.0
_WHOLE_ARM = (*RAILS, CHASSIS, *PROVING)
TEST_OHM = 10e3
"""The test resistor that a person clips between two terminals."""


class Harness:
    """Netlist, settings of all contacts and outputs, and the circuit solved from them."""

    def __init__(self, scene: Scene, individual: Individual, seed: int) -> None:
        self.scene = scene
        self.individual = individual
        self._seed = seed
        self.near_end = {
            place: f"CARD.{place}" if wire.from_ in ("card", "drive") else f"RAIL.{wire.from_}"
            for place, (wire, _) in scene.conductors().items()
        }
        self.parts = Parts(dict(individual.wire_ohm), {place: place for place in self.near_end})
        self.settings = io_settings(scene)
        for joint in scene.joint:
            for output in OUTPUTS:
                self.settings[f"{joint.name}.{output}"] = 0
            for part in ("SW", "ENC", "DRIVE"):
                self.settings[f"{joint.name}.{part}"] = 0
        self.settings[STOP] = 0
        self.main_supply = self.motor_supply = True
        self.fed_back: Source | None = None  # what motors give back to the 24 V rail
        self.made = {f"{joint.name}.SW": 0 for joint in scene.joint}
        """How often each switch has operated."""
        self.plugs = Plugs(self.near_end)
        self.clip: tuple[str, str] | None = None
        self.shunt: Link | None = None  # a meter's, between what its probes touch
        self.fit(self.parts)

    @property
    def conductors(self) -> list[str]:
        """All conductors, joint by joint, then those of the second card."""
        return list(self.near_end)

    def terminals(self, prefix: str = "") -> list[str]:
        """Names a meter's probe can touch, optionally of one joint only (`J5`, or `IO`)."""
        names = [*_WHOLE_ARM, *(f"CARD.{place}" for place in self.near_end), *self.near_end]
        names += [end for end in map(self._end, self.near_end) if end.startswith(LOOSE)]
        if not prefix:
            return names
        start = prefix.removeprefix("CARD.").removeprefix(LOOSE)
        return [n for n in names if n.removeprefix("CARD.").removeprefix(LOOSE).startswith(start)]

    def _end(self, conductor: str) -> str:
        """The node at which a conductor ends."""
        return self.plugs.end(conductor, self.parts.far_end[conductor])

    def node(self, terminal: str) -> str:
        """The node behind a terminal's name.

        Raises `UnknownTerminal` with the nearest name.
        """
        if terminal in _WHOLE_ARM or terminal in self.near_end:
            return terminal
        place = terminal.removeprefix("CARD.")
        if terminal.startswith("CARD.") and place in self.near_end:
            return self.near_end[place]
        place = terminal.removeprefix(LOOSE)
        if terminal.startswith(LOOSE) and place in self.near_end:
            return self._end(place)
        raise UnknownTerminal(
            f"no terminal {terminal!r}: expected one like 'J5.SW.COM', 'CARD.J5.SW.COM', "
            f"'PLUG.J5.SW.COM' or 'RAIL.5V'{nearest(terminal, self.terminals())}"
        )

    def fit(self, parts: Parts) -> None:
        """Take these parts and solve anew; the settings of contacts stay."""
        self.parts = parts
        self.circuit = Circuit(*self._netlist())
        self._settle()

    def _settle(self, changed: Island | None = None) -> None:
        self.circuit.settle_rails(self._sources(), self.settings, changed)
        if self.motor_supply and self.coil_v < self.scene.stop.hold_v:
            self.motor_supply = False
            self.circuit.settle_rails(self._sources(), self.settings)

    def _sources(self) -> list[Source]:
        supplies = self.scene.supplies
        if not self.main_supply:
            return [Source(rail, 0.0, OPEN_OHM) for rail in RAILS if rail != GROUND]
        sources = []
        for rail, supply in zip(RAILS, (supplies.v24, supplies.v5, supplies.v3v3), strict=False):
            volts = self.individual.rail_volts[rail] * self.parts.parameter(rail, "volts")
            ohm = supply.ohm + self.parts.parameter(rail, "ohm")
            if rail == "RAIL.24V" and self.fed_back is not None:
                sources.append(self.fed_back)
                continue
            if rail == "RAIL.24V" and not (self.motor_supply or self._welded):
                ohm += OPEN_OHM
            sources.append(Source(rail, volts, ohm, supply.limit_a))
        return sources

    def supply_a(self, rail: str) -> float:
        """Amps that the supply of a rail gives, by the drop over its own resistance."""
        at = RAILS.index(rail)
        source = next(source for source in self._sources() if source.rail == rail)
        amps = (source.volts - float(self.circuit.known_v[at])) / source.ohm
        return min(amps, source.limit_a)

    def feed_back(self, source: Source | None) -> None:
        """Let a source raise the 24 V rail beyond its supply, which takes nothing back; or none."""
        self.fed_back = source
        self._settle()

    @property
    def coil_v(self) -> float:
        """Volts at the coil of the motor supply's contactor."""
        return self.look(STOP_COIL).volt(STOP_COIL)

    @property
    def _welded(self) -> bool:
        return self.parts.parameter("CONTACTOR", "welded") > 0

    def set_motor_supply(self, on: bool) -> None:
        """Throw the switch of the contactor, which pulls in if its coil has the volts for it."""
        pulls_in = self.coil_v >= self.scene.stop.close_v
        self.motor_supply = on and (self.motor_supply or pulls_in)
        self._settle()

    @property
    def stop_pressed(self) -> bool:
        """Whether the STOP button is in."""
        return self.settings[STOP] == 1

    def press_stop(self, pressed: bool) -> None:
        """Push the STOP button in, or pull it out.

        One contact is in the line of the contactor that switches the 24 V supply. Without its coil
        the contactor falls out, and stays out until somebody switches the supply on again.
        """
        self.settings[STOP] = int(pressed)
        self._settle()

    def set_main_supply(self, on: bool) -> None:
        """Close or open the switch of all three supplies."""
        self.main_supply = on
        self._settle()

    def set(self, name: str, setting: int) -> bool:
        """Put a contact or output into a setting. True when the rails were solved anew."""
        if self.settings[name] == setting:
            return False
        self.settings[name] = setting
        island = self.circuit.island_of_choice.get(name)
        if island is not None:
            self._settle(island)
        return island is not None

    def look(self, node: str) -> Solved:
        """The island around a node, solved as things are."""
        return Solved(self.circuit, self.settings, self.circuit.island_of.get(node))

    def volts_between(
        self, red: str, black: str, load_ohm: float, duty: Mapping[str, float] | None = None
    ) -> float:
        """DC volts between two terminals with a meter of `load_ohm` across them.

        The meter is a resistor in the netlist while it reads, so it pulls a floating node down.
        Of an output that pulses it shows the average; `duty` is the part of the time for which
        such an output (`J3.STEP`) is high.
        """
        with self.loaded(red, black, load_ohm):
            volts, swings = self.swings_v(red, black, duty or {})
        return volts + sum((duty or {})[output] * swing for output, swing in swings.items())

    def swings_v(
        self, red: str, black: str, outputs: Mapping[str, float]
    ) -> tuple[float, dict[str, float]]:
        """Volts between two terminals as things are, and by how much each output raises them."""
        volts, swings = self._between(red, black), {}
        for output in outputs:
            self.settings[output] = 1
            swings[output] = self._between(red, black) - volts
            self.settings[output] = 0
        return volts, swings

    def _between(self, red: str, black: str) -> float:
        a, b = self.node(red), self.node(black)
        return self.look(a).volt(a) - self.look(b).volt(b)

    def ohm_between(self, red: str, black: str, coil_ohm: Sequence[float] = ()) -> float:
        """Ohms between two terminals over all paths, with all sources off; may be infinite.

        `coil_ohm` is what the coils of each joint have as warm as they are.
        """
        one, other = self.node(red), self.node(black)
        return resistance_ohm(self._netlist(coil_ohm), self.settings, one, other)

    @contextmanager
    def loaded(self, red: str, black: str, load_ohm: float) -> Iterator[None]:
        """The circuit with a meter of `load_ohm` across two terminals; rails stay as they are."""
        a, b = self.node(red), self.node(black)
        spare = self.parts
        loaded = spare.copy()
        loaded.bridge(a, b, load_ohm)
        kept, known = self.circuit, self.circuit.known_v.copy()
        try:
            self.parts = loaded
            self.circuit = Circuit(*self._netlist())
            self.circuit.known_v = known
            yield
        finally:
            self.parts, self.circuit = spare, kept

    def _netlist(self, coil_ohm: Sequence[float] = ()) -> Netlist:
        links: list[Link] = []
        for place in self.near_end:
            ohm = min(self.parts.ohm[place], OPEN_OHM)
            links.append((self.near_end[place], self._end(place), ohm))
        links.extend(self.parts.bridges)
        if self.clip is not None:
            links.append((self.node(self.clip[0]), self.node(self.clip[1]), TEST_OHM))
        if self.shunt is not None:
            links.append(self.shunt)
        return PartsList(self.scene, self._seed, self.parts, links, self.made, coil_ohm).netlist

    def tied(self, one: str, other: str) -> bool:
        """Whether volts at one node follow volts at the other: a low resistance between them."""
        if one == other:
            return True
        island = self.circuit.island_of.get(one)
        if island is None or other not in island.index:
            return False
        _, block, _ = island.solve(self.settings, self.circuit.known_v)
        i, j = island.index[one], island.index[other]
        return bool(block.transfer[i, j] > 0.5 * block.transfer[j, j])

    def coil_currents(self, joint: Joint, of: Joint | None = None) -> Coils:
        """How much of its set current each coil gets from each bridge, signs included.

        Row = coil A, B; column = bridge A, B of the joint's own drive, or of another joint's. A
        sound motor has the identity of its own and nothing of others.
        """
        rows, of = [], of or joint
        known_index = {node: i for i, node in enumerate(self.circuit.known)}
        for coil in COILS:
            plus, minus = f"{joint.name}.MOTOR.{coil}+", f"{joint.name}.MOTOR.{coil}-"
            row = []
            for bridge in COILS:
                change = 0.0
                for end, volts in (("+", _HALF_24V), ("-", -_HALF_24V)):
                    leg = known_index[f"LEG.{of.name}.{bridge}{end}"]
                    change += volts * (self._slope(plus, leg) - self._slope(minus, leg))
                row.append(change / joint.motor.coil_ohm / joint.motor.current_a)
            rows.append((row[0], row[1]))
        return rows[0], rows[1]

    def feeding_drives(self, joint: Joint) -> list[str]:
        """Names of the other joints whose drives have a leg on this joint's motor."""
        names: set[str] = set()
        for coil in COILS:
            for end in ("+", "-"):
                island = self.circuit.island_of.get(f"{joint.name}.MOTOR.{coil}{end}")
                links = island.links if island else []
                names |= {a.split(".")[1] for a, _, _ in links if a.startswith("LEG.")}
        return sorted(names - {joint.name})

    def _slope(self, node: str, known: int) -> float:
        island = self.circuit.island_of.get(node)
        if island is None:
            return 0.0
        _, block, _ = island.solve(self.settings, self.circuit.known_v)
        return float(block.by_known[island.index[node], known])

    def lit(self, joint: Joint) -> tuple[bool, bool, bool]:
        """Whether the DIR, STEP and ENABLE inputs of a drive conduct enough to switch."""
        least = self.scene.drive.opto_threshold_a
        direction, step, enable = self.opto_amps(joint)
        return direction >= least, step >= least, enable >= least

    def opto_amps(self, joint: Joint) -> tuple[float, float, float]:
        """LED currents of the DIR, STEP and ENABLE inputs of a drive."""
        island = self.circuit.island_of[f"{joint.name}.OPTO0V"]
        known_v = self.circuit.known_v
        volts, _, on = island.solve(self.settings, known_v)
        amps = dict(
            zip([led.name for led in island.leds], island.led_amps(on, volts, known_v), strict=True)
        )
        return amps[f"{joint.name}.DIR"], amps[f"{joint.name}.STEP"], amps[f"{joint.name}.ENA"]

    def drive_supply_v(self, joint: Joint) -> float:
        """Volts at a drive's supply terminals."""
        plus, minus = f"{joint.name}.DRIVE.24V", f"{joint.name}.DRIVE.0V"
        return self.look(plus).volt(plus) - self.look(minus).volt(minus)

    def joints_in(self, island: Island) -> Sequence[str]:
        """Names of the joints whose opto inputs lie in an island."""
        return sorted({led.name.split(".", 1)[0] for led in island.leds})
