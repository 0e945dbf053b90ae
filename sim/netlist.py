"""What the parts of an arm are to its circuit: resistors, LEDs, contacts, currents.

Conductors, bridges and whatever a person holds to the terminals come from the harness.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from ..scenes import STOP, Joint, Scene
from .circuit import GROUND, Choice, Led, Link, Netlist
from .disc import GATES
from .individual import drawn
from .io_harness import add_io
from .parts import INPUTS, OUTPUTS, Parts

COILS = ("A", "B")
CHANNELS = ("A", "B", "Z")
_QUADRATURE = ((0, 0), (1, 0), (1, 1), (0, 1))
STOP_INPUT, STOP_SOURCE, STOP_COIL = (f"CARD.{STOP}.{pin}" for pin in ("21", "11", "12"))
"""The card's stop input: tied to 0 V by the STOP button's second contact, else pulled up by the
card, whose logic lives on the host's cable, so that a broken circuit reads as an open one. The
first contact's two ends: what feeds it, and the coil of the contactor."""
CHASSIS = "CHASSIS"
"""The arm's bare metal."""
PROVING = ("PROVE.+", "PROVE.-")
"""Terminals of the known source on the bench."""
LEAST_FILM_OHM = 0.1
_APART_OHM = 1e9  # from the bench to everything else


def input_pins(joint: str) -> tuple[str, ...]:
    """The card's input pins of a joint: switch, then channels A, B, Z of the encoder."""
    return tuple(f"CARD.{joint}.{pin}" for pin in INPUTS)


class PartsList:
    """The netlist of one arm with these parts, `links` between its terminals given.

    `made` is how often each switch has operated. `coil_ohm`, one a joint, replaces the nameplates':
    a drive that is on holds its current whatever its coils have, so only what is measured without
    power has use for it.
    """

    def __init__(
        self,
        scene: Scene,
        seed: int,
        parts: Parts,
        links: Iterable[Link],
        made: Mapping[str, int],
        coil_ohm: Sequence[float] = (),
    ) -> None:
        self._made = made
        self._scene, self._seed, self._parts = scene, seed, parts
        self._links: list[Link] = list(links)
        self._leds: list[Led] = []
        self._choices: list[Choice] = []
        self._injections: list[tuple[str, float]] = []
        self._fixed: list[str] = []
        self._add_bench()
        self._add_stop()
        for number, joint in enumerate(scene.joint):
            self._add_card(joint)
            self._add_drive(joint, coil_ohm[number] if coil_ohm else joint.motor.coil_ohm)
            self._choices.append(self._encoder(joint))
            self._choices.append(self._switch(joint))
        add_io(scene, parts, self._links, self._choices)

    @property
    def netlist(self) -> Netlist:
        """What a circuit is built from."""
        return Netlist(self._links, self._leds, self._choices, self._injections, self._fixed)

    def _add_bench(self) -> None:
        """The chassis, and the proving unit as its equivalent current source."""
        self._links.append((CHASSIS, GROUND, self._scene.chassis.ohm))
        plus, minus = PROVING
        unit = self._scene.gauges.proving
        self._links += [(plus, minus, unit.ohm), (minus, GROUND, _APART_OHM)]
        amps = unit.volts / unit.ohm
        self._injections += [(plus, amps), (minus, -amps)]

    def _add_stop(self) -> None:
        """Two sources as their equivalent currents, the contactor's coil, the button's contacts."""
        stop = self._scene.stop
        self._links.append((STOP_INPUT, GROUND, stop.pull_ohm))
        self._links.append((STOP_SOURCE, GROUND, stop.source_ohm))
        self._links.append((STOP_COIL, GROUND, stop.coil_ohm))
        contacts = [
            (f"{STOP}.{one}", f"{STOP}.{other}", stop.contact_ohm)
            for one, other in (("11", "12"), ("21", "22"))
        ]
        self._choices.append(Choice(STOP, (contacts, [])))
        self._injections.append((STOP_INPUT, stop.logic_v / stop.pull_ohm))
        self._injections.append((STOP_SOURCE, stop.volts / stop.source_ohm))

    def _add_card(self, joint: Joint) -> None:
        card = self._scene.card
        for output in OUTPUTS:
            name = f"{joint.name}.{output}"
            pin = f"CARD.{name}"
            levels = ([(pin, GROUND, card.output_ohm)], [(pin, "RAIL.5V", card.output_ohm)])
            stuck = round(self._parts.parameter(pin, "stuck"))
            self._choices.append(Choice(name, (levels[stuck - 1],) * 2 if stuck else levels))
        for pin in input_pins(joint.name):
            self._links.append((pin, GROUND, card.input_leak_ohm))
            bias_a = drawn(self._seed, f"{pin}.bias").uniform(*card.input_bias_a)
            self._injections.append((pin, bias_a))

    def _add_drive(self, joint: Joint, coil_ohm: float) -> None:
        drive, name, volts = self._scene.drive, joint.name, self._scene.supplies.v24.volts
        opto_ohm = drive.opto_ohm * self._parts.parameter(f"{name}.DRIVE", "opto_ohm")
        for which in OUTPUTS:
            self._leds.append(
                Led(
                    f"{name}.{which}",
                    f"{name}.{which}",
                    f"{name}.OPTO0V",
                    opto_ohm,
                    drive.opto_forward_v,
                )
            )
        supply = (f"{name}.DRIVE.24V", f"{name}.DRIVE.0V")
        # What the coils' copper turns into heat comes from the supply: by the current's square.
        share = self._parts.parameter(f"{name}.MOTOR", "current") ** 2
        load_a = drive.idle_a + share * (drive.load_a - drive.idle_a)
        self._choices.append(
            Choice(
                f"{name}.DRIVE",
                ([(*supply, volts / drive.idle_a)], [(*supply, volts / load_a)]),
            )
        )
        leg_ohm = _leg_ohm(self._scene, joint)
        for coil in COILS:
            self._links.append((f"{name}.MOTOR.{coil}+", f"{name}.MOTOR.{coil}-", coil_ohm))
            for end in ("+", "-"):
                leg = f"LEG.{name}.{coil}{end}"
                self._fixed.append(leg)
                self._links.append((leg, f"CARD.{name}.MOTOR.{coil}{end}", leg_ohm))

    def _encoder(self, joint: Joint) -> Choice:
        part, name = self._scene.encoder, joint.name
        plus, minus = f"{name}.ENC.5V", f"{name}.ENC.0V"
        self._links.append((plus, minus, self._scene.supplies.v5.volts / part.supply_a))
        at_index = _QUADRATURE[GATES[part.index_gate]]
        encoder = f"{name}.ENC"
        dead_channel = round(self._parts.parameter(encoder, "dead")) - 1
        dead_level = round(self._parts.parameter(encoder, "dead_level"))
        high_ohm = part.output_ohm + self._parts.parameter(encoder, "pull_up_ohm")
        settings = []
        for pins in [*((*pair, 0) for pair in _QUADRATURE), (*at_index, 1)]:
            row: list[Link] = []
            for number, (channel, level) in enumerate(zip(CHANNELS, pins, strict=True)):
                high = dead_level if number == dead_channel else level
                end, ohm = (plus, high_ohm) if high else (minus, part.output_ohm)
                row.append((f"{encoder}.{channel}", end, ohm))
            settings.append(row)
        dead = [(f"{encoder}.{channel}", minus, part.dead_ohm) for channel in CHANNELS]
        return Choice(encoder, (*settings, dead), (plus, minus, part.supply_min_v))

    def _switch(self, joint: Joint) -> Choice:
        """At rest on the ground throw, pressed on the 3.3 V throw, in transit on neither."""
        name = joint.name
        ohm = self._scene.switch.closed_ohm + self._parts.parameter(f"{name}.SW", "ohm")
        ohm += self._film_ohm(f"{name}.SW")
        common = f"{name}.SW.COM"
        return Choice(
            f"{name}.SW",
            ([(common, f"{name}.SW.NC", ohm)], [(common, f"{name}.SW.NO", ohm)], []),
        )

    def _film_ohm(self, switch: str) -> float:
        """What lies on its contacts since they last made: any decade is as likely as another."""
        most = self._parts.parameter(switch, "film_ohm")
        if not most:
            return 0.0
        random = drawn(self._seed, f"{switch}.film.{self._made[switch]}")
        return math.exp(random.uniform(math.log(LEAST_FILM_OHM), math.log(most)))


def _leg_ohm(scene: Scene, joint: Joint) -> float:
    """What makes half the supply on each leg drive the set current through a sound coil."""
    wire = scene.harness.wires["MOTOR.A+"].ohm_per_m * joint.cable_m
    wires = 2 * (wire + 2 * scene.harness.crimp_ohm)
    whole = scene.supplies.v24.volts / joint.motor.current_a
    return (whole - joint.motor.coil_ohm - wires) / 2
