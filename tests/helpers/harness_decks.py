"""Decks of the whole Heron harness for ngspice, with at most one fault in them.

They are drawn from the scene's description and its wiring list, and a fault is worked into its
deck by what it says in iron; nothing of the plant's netlist is used. Only what a seed draws
(conductors' ohms, rail volts, bias currents of inputs) is shared.

What stands for what in a deck: a supply is an EMF behind its resistance that gives at most its
limit (and takes any current); an output of the card, a switch in 25 ohm to 5 V or 0 V; an opto
input, 330 ohm above 1.2 V and 1 Gohm below; an encoder, a resistor that draws its current and three
outputs, which without supply fall back to a weak tie to its own 0 V; a drive's supply, a resistor
by whether it is energised; each leg of a drive's bridge, its middle volts behind a resistance; an
input, leakage and bias. Every node leaks 0.1 pS, or it would have no volts of its own.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path

import numpy as np

from dryrig.scenes import Joint, load_scene
from dryrig.sim.individual import draw_individual, drawn

SEED = 7
SCENE = load_scene("heron")
DRAWN = draw_individual(SCENE, SEED)
SUPPLIES, CARD, DRIVE, ENCODER = SCENE.supplies, SCENE.card, SCENE.drive, SCENE.encoder
assert SCENE.io is not None
assert SCENE.gripper is not None
IO, GRIPPER, STOP = SCENE.io, SCENE.gripper, SCENE.stop
STATES = {
    "SW": (0, 1, 2),
    "ENC": (0, 1, 2, 3, 4),
    "INPUTS": tuple(range(8)),
    "DRIVE": (2, 3, 4, 5),
    "MOTOR": (0, 2),
    "IO": tuple(range(6)),
    "STOP": (0, 1),
}
"""The states that matter to a fault at a plug: in those of `SW` each joint sees all settings of its
switch, of `ENC` all contact states of its encoder, of `INPUTS` all levels of the drive's inputs, of
`DRIVE` both loads of the drive with its supply on and off, of `STOP` the button out and in, of
`IO` outputs, contacts, the potentiometer and the servo's load in six mixtures. Neighbours are in
different states."""
OPEN_OHM, APART_OHM, DARK_OHM = 1e12, 1e18, 1e9


@cache
def node(name: str) -> str:
    """A terminal's name as ngspice takes it; the 0 V rail is its ground."""
    plain = name.lower().replace(".", "_").replace("+", "p").replace("-", "m")
    return {"rail_0v": "0", "rail_24v": "r24", "rail_5v": "r5", "rail_3v3": "r3"}.get(plain, plain)


@cache
def plug(place: str) -> str:
    """`J1.ENC` for `J1.ENC.A`; the drive's inputs share one plug."""
    joint, *rest = place.split(".")
    if joint in ("IO", "STOP"):
        return joint
    return f"{joint}.{rest[0]}" if len(rest) > 1 else f"{joint}.INPUTS"


class Loom:
    """The wiring list of one arm, with at most one fault worked into it."""

    def __init__(self) -> None:
        self.rail_volts = DRAWN.rail_volts
        self.ohm = dict(DRAWN.wire_ohm)
        self.start, self.end = {}, {}
        for place in self.ohm:
            joint, wire = place.split(".", 1)
            wires = {"IO": IO.wires, "STOP": STOP.wires}.get(joint, SCENE.harness.wires)
            begins = wires[wire].from_
            own = f"CARD.{joint}.{wire}"
            self.start[place] = own if begins in ("card", "drive") else f"RAIL.{begins}"
            self.end[place] = place
        self.bridges: list[tuple[str, str, float]] = []
        self.contact_ohm = {joint.name: SCENE.switch.closed_ohm for joint in SCENE.joint}

    def spoil(self, fault: str) -> None:
        """Work a fault in: what its words say, with the ohms its kind has when none are given."""
        kind, _, where = fault.partition("@")
        one, _, other = where.partition("/")
        match kind:
            case "open":
                self.ohm[one] = OPEN_OHM
            case "resist":
                self.ohm[one] += 4700.0
            case "short":  # at the part, where the plug's pins lie side by side
                self.bridges.append((one, other, 0.05))
            case "swap":
                self.end[one], self.end[other] = other, one
            case "unplug":
                self.ohm |= dict.fromkeys(self._pins(one), OPEN_OHM)
            case "cross":
                for pin in self._pins(one):
                    twin = pin.replace(one.split(".")[0], other.split(".")[0])
                    self.end[pin], self.end[twin] = twin, pin
            case "soaked":
                self.bridges += [(f"{one}.COM", f"{one}.{throw}", 0.05) for throw in ("NC", "NO")]
            case "worn":
                self.contact_ohm[one.split(".")[0]] += 1000.0
            case _:
                raise AssertionError(f"no wiring fault: {fault}")

    def pull(self, name: str) -> None:
        """Pull a plug: the conductors that end at its socket's pins end in the air."""
        for place, end in self.end.items():
            if plug(end) == name:
                self.end[place] = f"PLUG.{place}"

    def at(self, terminal: str) -> str:
        """The node at a terminal's name."""
        kind, _, place = terminal.partition(".")
        if kind == "CARD":
            return self.start[place]
        return self.end[place] if kind == "PLUG" else terminal

    def _pins(self, name: str) -> list[str]:
        return [place for place in self.ohm if plug(place) == name]

    def conductors(self) -> Iterator[str]:
        """Conductors and bridges."""
        for place, ohm in self.ohm.items():
            yield f"rw_{node(place)} {node(self.start[place])} {node(self.end[place])} {ohm!r}"
        for number, (one, other, ohm) in enumerate(self.bridges):
            yield f"rbridge{number} {node(one)} {node(other)} {ohm!r}"


def switched(name: str, one: str, other: str) -> str:
    """A contact, open until a state closes it."""
    return f"{name} {node(one)} {node(other)} {APART_OHM!r}"


def live_deck(loom: Loom) -> list[str]:
    """The arm with its supplies on."""
    deck = ["dryrig harness"]
    for rail, supply, closed in (
        ("RAIL.24V", SUPPLIES.v24, f"v(mains) * (v(card_stop_12) > {STOP.hold_v} ? 1 : 0)"),
        ("RAIL.5V", SUPPLIES.v5, "1"),
        ("RAIL.3V3", SUPPLIES.v3v3, "1"),
    ):
        at, emf = node(rail), loom.rail_volts[rail]
        amps = f"min(({emf!r}-v({at}))/{supply.ohm!r},{supply.limit_a!r})"
        deck.append(f"b{at} 0 {at} i = {closed} > 0.5 ? {amps} : ({emf!r}-v({at}))/{OPEN_OHM!r}")
    deck.append("vmains mains 0 1")
    deck += loom.conductors()
    for joint in SCENE.joint:
        deck += _outputs(joint)
        deck += _inputs(joint)
        deck += _drive_and_motor(joint)
        deck += _live_encoder(joint)
        for throw in ("NC", "NO"):
            name = f"r{node(joint.name)}_{throw.lower()}"
            deck.append(switched(name, f"{joint.name}.SW.COM", f"{joint.name}.SW.{throw}"))
    deck += stop_parts()
    deck += [switched(f"r{pair}", *ends) for pair, ends in STOP_CONTACTS.items()]
    deck += BENCH
    deck += _second_card()
    deck += _gripper()
    return [*deck, ".option rshunt=1e13 reltol=1e-6", ".end"]


IO_OUTPUTS = ("IO.SERVO", "IO.DO1")
IO_CONTACTS = {"GRIPPER.CONTACT": GRIPPER.contact, "GRIPPER.OPENED": GRIPPER.opened}


def _second_card() -> Iterator[str]:
    for name in IO_OUTPUTS:
        yield switched(f"r{node(name)}_low", f"CARD.{name}", "RAIL.0V")
        yield switched(f"r{node(name)}_high", f"CARD.{name}", "RAIL.5V")


def _gripper() -> Iterator[str]:
    """What the cable ties together at both ends; contacts, slider and load apart."""
    yield from io_resistors()
    for name, wire in IO_CONTACTS.items():
        yield switched(f"r{node(name)}", "IO.5V", f"IO.{wire}")
    yield switched("rpot_low", f"IO.{GRIPPER.pot}", "IO.0V")
    yield switched("rpot_high", f"IO.{GRIPPER.pot}", "IO.5V")
    yield switched("rservo_load", "IO.5V", "IO.0V")


def io_resistors() -> Iterator[str]:
    """Input resistors of the second card and the servo, and the lamp."""
    for pin, ohm in (("di1", IO.input_ohm), ("di2", IO.input_ohm), ("ai1", IO.analog_ohm)):
        yield f"rin_{pin} card_io_{pin} 0 {ohm!r}"
    yield f"rsignal io_servo io_0v {GRIPPER.signal_ohm!r}"
    yield f"rlamp io_do1 io_0v {GRIPPER.lamp_ohm!r}"


def servo_load_ohm(setting: int) -> float:
    amps = (GRIPPER.idle_a, GRIPPER.moving_a, GRIPPER.stall_a)[setting]
    return SUPPLIES.v5.volts / amps


def pot_ohm(turn: int) -> tuple[float, float]:
    """From the wiper to the 0 V end and to the 5 V end."""
    low = GRIPPER.pot_ohm * turn / GRIPPER.pot_turns
    return GRIPPER.pot_end_ohm + low, GRIPPER.pot_end_ohm + GRIPPER.pot_ohm - low


STOP_CONTACTS = {
    "stop_coil": ("STOP.11", "STOP.12"),
    "stop_told": ("STOP.21", "STOP.22"),
}
"""The two opening contacts of the button."""


def stop_parts() -> list[str]:
    """5 V behind 10 ohm, a coil of 125 ohm, and the card's pull-up of 4.7 kohm to 3.3 V."""
    return [
        "isource 0 card_stop_11 0.5",
        "rsource card_stop_11 0 10",
        "rcoil card_stop_12 0 125",
        "rstop_pull card_stop_21 0 4700",
        f"istop 0 card_stop_21 {3.3 / 4700!r}",
    ]


BENCH = [
    f"rchassis chassis 0 {SCENE.chassis.ohm!r}",
    "iprove prove_m prove_p 4.5",
    "rprove prove_p prove_m 2",
    "rprove_apart prove_m 0 1e9",
]
"""Bare metal over the supplies' discharge resistor; 9 V behind 2 ohm, insulated by 1 Gohm."""


def _outputs(joint: Joint) -> Iterator[str]:
    for pin in ("DIR", "STEP", "ENA"):
        name, card = f"{joint.name}.{pin}", f"CARD.{joint.name}.{pin}"
        yield switched(f"r{node(name)}_low", card, "RAIL.0V")
        yield switched(f"r{node(name)}_high", card, "RAIL.5V")
        across = f"v({node(name)},{node(joint.name)}_opto0v)"
        lit = f"({across}-{DRIVE.opto_forward_v})/{DRIVE.opto_ohm}"
        ends = f"{node(name)} {node(joint.name)}_opto0v"
        yield f"b{node(name)} {ends} i = {across} > {DRIVE.opto_forward_v} ? {lit} : 0"
        yield f"r{node(name)}_dark {ends} {DARK_OHM!r}"


def input_names(joint: Joint) -> list[str]:
    return [f"CARD.{joint.name}.{pin}" for pin in ("SW.COM", "ENC.A", "ENC.B", "ENC.Z")]


@cache
def bias_a(pin: str) -> float:
    return drawn(SEED, f"{pin}.bias").uniform(*CARD.input_bias_a)


def _inputs(joint: Joint) -> Iterator[str]:
    for pin in input_names(joint):
        yield f"rleak_{node(pin)} {node(pin)} 0 {CARD.input_leak_ohm!r}"
        yield f"ibias_{node(pin)} 0 {node(pin)} {bias_a(pin)!r}"


def _drive_and_motor(joint: Joint) -> Iterator[str]:
    name = node(joint.name)
    yield switched(f"r{name}_load", f"{joint.name}.DRIVE.24V", f"{joint.name}.DRIVE.0V")
    leg = leg_ohm(joint)
    for coil in "ab":
        pins = f"{name}_motor_{coil}p {name}_motor_{coil}m"
        yield f"r{name}_coil_{coil} {pins} {joint.motor.coil_ohm!r}"
        for end in "pm":
            yield f"r{name}_leg_{coil}{end} 0 card_{name}_motor_{coil}{end} {leg!r}"


def _live_encoder(joint: Joint) -> Iterator[str]:
    name = node(joint.name)
    plus, minus = f"{name}_enc_5v", f"{name}_enc_0v"
    yield f"r{name}_supply {plus} {minus} {SUPPLIES.v5.volts / ENCODER.supply_a!r}"
    works = f"v({plus},{minus}) >= {ENCODER.supply_min_v}"
    for channel in "abz":
        out, level = f"{name}_enc_{channel}", f"{name}_level_{channel}"
        yield f"v{level} {level} 0 0"
        high = f"v({level})*v({plus},{out})/{ENCODER.output_ohm}"
        low = f"(1-v({level}))*v({out},{minus})/{ENCODER.output_ohm}"
        yield f"bh{out} {plus} {out} i = {works} ? {high} : 0"
        yield f"bl{out} {out} {minus} i = {works} ? {low} : v({out},{minus})/{ENCODER.dead_ohm}"


def leg_ohm(joint: Joint) -> float:
    """A bridge gives its set current to a sound coil from half the supply on each leg."""
    wire = SCENE.harness.wires["MOTOR.A+"].ohm_per_m * joint.cable_m + 2 * SCENE.harness.crimp_ohm
    whole = SUPPLIES.v24.volts / joint.motor.current_a
    return (whole - joint.motor.coil_ohm - 2 * wire) / 2


def motor_deck(loom: Loom) -> list[str]:
    """Motors and bridges alone; by superposition rails are 0 V."""
    deck = ["dryrig motors", *(line for line in loom.conductors() if "_motor_" in line)]
    deck = [re.sub(r"\b(r24|r5|r3)\b", "0", line) for line in deck]
    for joint in SCENE.joint:
        name = node(joint.name)
        for coil in "ab":
            pins = f"{name}_motor_{coil}p {name}_motor_{coil}m"
            deck.append(f"r{name}_coil_{coil} {pins} {joint.motor.coil_ohm!r}")
            for end in "pm":
                leg = f"{name}_leg_{coil}{end}"
                deck += [f"v{leg} {leg} 0 0", f"r{leg} {leg} card_{name}_motor_{coil}{end} "]
                deck[-1] += repr(leg_ohm(joint))
    return [*deck, ".option rshunt=1e13 reltol=1e-6", ".end"]


def dead_deck(loom: Loom, contacts: dict[str, int]) -> list[str]:
    """The arm with all supplies off: rails are bare conductors, bridges and LEDs do not conduct.

    A current source feeds every terminal; a meter is two of them, with opposite currents.
    """
    deck = ["dryrig harness, off", *loom.conductors()]
    for joint in SCENE.joint:
        name = node(joint.name)
        for pin in ("DIR", "STEP", "ENA"):
            rail = "RAIL.5V" if contacts[f"{joint.name}.{pin}"] else "RAIL.0V"
            card = f"card_{name}_{pin.lower()}"
            deck.append(f"r{card} {card} {node(rail)} {CARD.output_ohm!r}")
            deck.append(f"rdark_{card} {name}_{pin.lower()} {name}_opto0v {DARK_OHM!r}")
        for pin in input_names(joint):
            deck.append(f"rleak_{node(pin)} {node(pin)} 0 {CARD.input_leak_ohm!r}")
        amps = DRIVE.load_a if contacts[f"{joint.name}.DRIVE"] else DRIVE.idle_a
        drive_ohm = SUPPLIES.v24.volts / amps
        deck.append(f"r{name}_load {name}_drive_24v {name}_drive_0v {drive_ohm!r}")
        for coil in "ab":
            ends = f"{name}_motor_{coil}p {name}_motor_{coil}m"
            deck.append(f"r{name}_coil_{coil} {ends} {joint.motor.coil_ohm!r}")
        supply_ohm = SUPPLIES.v5.volts / ENCODER.supply_a
        deck.append(f"r{name}_supply {name}_enc_5v {name}_enc_0v {supply_ohm!r}")
        for channel in "abz":
            deck.append(f"r{name}_{channel} {name}_enc_{channel} {name}_enc_0v {ENCODER.dead_ohm}")
        if (contact := contacts[f"{joint.name}.SW"]) < 2:
            throw = ("nc", "no")[contact]
            ohm = loom.contact_ohm[joint.name]
            deck.append(f"r{name}_contact {name}_sw_com {name}_sw_{throw} {ohm!r}")
    deck += [line for line in stop_parts() if line.startswith("r")]
    for pair, (one, other) in STOP_CONTACTS.items():
        if not contacts["STOP"]:
            deck.append(f"r{pair} {node(one)} {node(other)} {STOP.contact_ohm!r}")
    deck += _dead_io(contacts)
    for name in sorted({*terminals(loom)} - {"0"}):
        # Not by `rshunt`: ngspice 39 falls over a node that nothing but a source is tied to.
        deck += [f"rfloat_{name} {name} 0 1e13", f"i{name} 0 {name} 0"]
    return [*deck, ".option reltol=1e-6", ".end"]


def _dead_io(contacts: dict[str, int]) -> Iterator[str]:
    for name in IO_OUTPUTS:
        rail = "RAIL.5V" if contacts[name] else "RAIL.0V"
        yield f"r{node(name)} card_{node(name)} {node(rail)} {IO.output_ohm!r}"
    yield from io_resistors()
    for name, wire in IO_CONTACTS.items():
        if contacts[name]:
            yield f"r{node(name)} io_5v {node(f'IO.{wire}')} {GRIPPER.contact_ohm!r}"
    low, high = pot_ohm(contacts["GRIPPER.POT"])
    yield f"rpot_low {node(f'IO.{GRIPPER.pot}')} io_0v {low!r}"
    yield f"rpot_high {node(f'IO.{GRIPPER.pot}')} io_5v {high!r}"
    yield f"rservo_load io_5v io_0v {servo_load_ohm(contacts['GRIPPER.LOAD'])!r}"


def terminals(loom: Loom) -> list[str]:
    """Every node that a probe can touch, as ngspice calls it."""
    names = [*loom.rail_volts, "RAIL.0V", *loom.start.values(), *loom.end, *loom.end.values()]
    return list(dict.fromkeys(map(node, names)))


def quarters() -> list[tuple[int, int, int]]:
    """What A, B and Z do in each contact state: four quarter cycles, and the index."""
    gate = tuple(int(level) for level in ENCODER.index_gate)
    return [(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0), (gate[0], gate[1], 1)]


def settings(number: int, fault: str = "") -> dict[str, int]:
    """The contacts, outputs and loads of a state, by the plant's names.

    What a fault has nothing to do with stays as it is in state 0.
    """
    wanted = {}
    for n, joint in enumerate(SCENE.joint):
        k = n + (number if not fault or f"{joint.name}." in fault else 0)
        wanted[f"{joint.name}.SW"] = k % 3  # at rest, pressed, between
        wanted[f"{joint.name}.ENC"] = k % 5
        for bit, pin in enumerate(("DIR", "STEP", "ENA")):
            wanted[f"{joint.name}.{pin}"] = k >> bit & 1
        wanted[f"{joint.name}.DRIVE"] = k % 2
    k = number if not fault or "IO." in fault or fault.endswith("@IO") else 0
    for bit, name in enumerate((*IO_OUTPUTS, *IO_CONTACTS)):
        wanted[name] = (3 * k) >> bit & 1
    wanted["STOP"] = number if "STOP" in fault else 0
    wanted["GRIPPER.POT"] = k * 137 % (GRIPPER.pot_turns + 1)
    wanted["GRIPPER.LOAD"] = k % 3
    return wanted


def motor_supply(number: int) -> bool:
    return number not in (2, 5)


def alterations(loom: Loom, number: int, fault: str) -> Iterator[str]:
    """The same for a deck."""
    yield f"alter @vmains[dc] = {int(motor_supply(number))}"
    for name, wanted in settings(number, fault).items():
        if name == "STOP":
            ohm = APART_OHM if wanted else STOP.contact_ohm
            yield from (f"alter r{pair} = {ohm!r}" for pair in STOP_CONTACTS)
            continue
        joint, part = name.split(".")
        if joint in ("IO", "GRIPPER"):
            yield from _io_alterations(name, wanted)
            continue
        ngspice, now = node(joint), loom.contact_ohm[joint]
        if part == "SW":
            yield f"alter r{ngspice}_nc = {now if wanted == 0 else APART_OHM!r}"
            yield f"alter r{ngspice}_no = {now if wanted == 1 else APART_OHM!r}"
        elif part == "ENC":
            for channel, level in zip("abz", quarters()[wanted], strict=True):
                yield f"alter @v{ngspice}_level_{channel}[dc] = {level}"
        elif part == "DRIVE":
            amps = DRIVE.load_a if wanted else DRIVE.idle_a
            yield f"alter r{ngspice}_load = {SUPPLIES.v24.volts / amps!r}"
        else:
            on, off = ("high", "low") if wanted else ("low", "high")
            yield f"alter r{node(name)}_{on} = {CARD.output_ohm!r}"
            yield f"alter r{node(name)}_{off} = {APART_OHM!r}"


def _io_alterations(name: str, wanted: int) -> Iterator[str]:
    if name in IO_OUTPUTS:
        on, off = ("high", "low") if wanted else ("low", "high")
        yield f"alter r{node(name)}_{on} = {IO.output_ohm!r}"
        yield f"alter r{node(name)}_{off} = {APART_OHM!r}"
    elif name in IO_CONTACTS:
        yield f"alter r{node(name)} = {GRIPPER.contact_ohm if wanted else APART_OHM!r}"
    elif name == "GRIPPER.POT":
        for end, ohm in zip(("low", "high"), pot_ohm(wanted), strict=True):
            yield f"alter rpot_{end} = {ohm!r}"
    else:
        yield f"alter rservo_load = {servo_load_ohm(wanted)!r}"


Values = dict[str, float]


class Ngspice:
    """One process that works through many decks; its answers come back in order."""

    def __init__(self, folder: Path, jobs: Iterable[tuple[list[str], list[list[str]]]]) -> None:
        self._raw, script = folder / "out.raw", folder / "run.cir"
        lines = ["* all decks", ".control", "set appendwrite"]
        for number, (deck, points) in enumerate(jobs):
            (folder / f"{number}.cir").write_text("\n".join([*deck, ""]))
            lines.append(f"source {folder / f'{number}.cir'}")
            for changes in points:
                lines += [*changes, "op", f"write {self._raw}"]
            lines += ["destroy all", "remcirc"]
        script.write_text("\n".join([*lines, "quit", ".endc", ".end", ""]))
        self._log = folder / "log.txt"
        with self._log.open("w") as log:
            self._process = subprocess.Popen(
                ["ngspice", "-n", "-b", str(script)], stdout=log, stderr=subprocess.STDOUT
            )

    def answers(self) -> Iterator[Values]:
        """Volts by node for each operating point."""
        self._process.wait(timeout=300)
        data, at = self._raw.read_bytes(), 0
        while at < len(data):
            begin = data.index(b"Binary:\n", at) + len(b"Binary:\n")
            names = re.findall(r"^\t\d+\t(\S+)\t", data[at:begin].decode(), re.MULTILINE)
            at = begin + 8 * len(names)
            yield dict(zip(names, np.frombuffer(data[begin:at]).tolist(), strict=True))

    def stop(self) -> None:
        self._process.kill()
        self._process.wait()


def states(fault: str) -> tuple[int, ...]:
    """The states in which a fault is looked at; the sound arm in all."""
    if not fault:
        return STATES["INPUTS"]
    place = fault.partition("@")[2].partition("/")[0]
    if fault == "short@STOP.12/RAIL.24V":
        return (0,)  # pressed it has two answers: by where it comes from
    if plug(place) in ("IO", "STOP"):
        return STATES[plug(place)]
    part = place.partition(".")[2]
    return STATES[part if part in STATES else plug(place).partition(".")[2]]


def spoilt(fault: str) -> Loom:
    loom = Loom()
    if fault:
        loom.spoil(fault)
    return loom
