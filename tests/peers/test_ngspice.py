"""One switch circuit and one encoder circuit against ngspice, to 1 mV; ohms of a cable to 0.1 %.

The netlists below are written by hand from the scene's drawing, not derived from the harness: six
encoders on the 5 V rail, each behind its own two supply wires; one changeover switch between 0 V
and 3.3 V. Only the drawn figures of the individual arm (wire resistances, rail volts) are shared.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from dryrig.scenes import load_scene
from dryrig.sim.harness import Harness
from dryrig.sim.individual import draw_individual

MILLIVOLT = 1e-3
SEED = 7
SCENE = load_scene("heron")
STATES = {(0, 0): 0, (1, 0): 1, (1, 1): 2, (0, 1): 3}  # (A, B) to the disc's quarter

needs_ngspice = pytest.mark.skipif(
    shutil.which("ngspice") is None,
    reason="ngspice is not installed (Debian: apt-get install ngspice)",
)


def rig() -> Harness:
    """The harness of one individual arm."""
    return Harness(SCENE, draw_individual(SCENE, SEED), SEED)


def ngspice(lines: list[str], nodes: list[str], folder: Path) -> dict[str, float]:
    """Operating point of a netlist, volts by node."""
    deck = folder / "deck.cir"
    prints = "\n".join(f"print v({node})" for node in nodes)
    deck.write_text(
        "\n".join(["dryrig check", *lines, ".control", "op", prints, ".endc", ".end", ""])
    )
    run = subprocess.run(
        ["ngspice", "-b", str(deck)], capture_output=True, text=True, timeout=60, check=False
    )
    found = dict(re.findall(r"^v\((\w+)\) = (\S+)$", run.stdout, flags=re.MULTILINE))
    assert found.keys() == set(nodes), run.stdout + run.stderr
    return {node: float(value) for node, value in found.items()}


def switch_deck(harness: Harness, *, pressed: bool) -> list[str]:
    """J5's switch: 3.3 V through its throw, or 0 V through the other, to the card's input."""
    ohm, card = harness.parts.ohm, SCENE.card
    emf = harness.individual.rail_volts["RAIL.3V3"]
    closed = SCENE.switch.closed_ohm
    return [
        f"Vsource emf 0 {emf!r}",
        f"Rsource emf rail {SCENE.supplies.v3v3.ohm!r}",
        f"Rno rail no {ohm['J5.SW.NO']!r}",
        f"Rnc 0 nc {ohm['J5.SW.NC']!r}",
        f"Rcontact lug {'no' if pressed else 'nc'} {closed!r}",
        f"Rcom lug pin {ohm['J5.SW.COM']!r}",
        f"Rleak pin 0 {card.input_leak_ohm!r}",
        # The open throw hangs on its wire alone; ngspice wants a path to ground.
        "Rspare1 no 0 1e12",
        "Rspare2 nc 0 1e12",
    ]


SWITCH_PARTS = {
    "sound": {},
    "4.7 kohm in the common": {"J5.SW.COM": 4700.0},
    "dirty throws": {"J5.SW.NO": 900.0, "J5.SW.NC": 1200.0},
}


@needs_ngspice
@pytest.mark.parametrize("pressed", [False, True])
@pytest.mark.parametrize("pull_ohm", [None, 10e3])
@pytest.mark.parametrize("changes", SWITCH_PARTS.values(), ids=SWITCH_PARTS.keys())
def test_a_switch_circuit(
    changes: dict[str, float], pull_ohm: float | None, pressed: bool, tmp_path: Path
) -> None:
    harness = rig()
    parts = harness.parts.copy()
    for conductor, ohm in changes.items():
        parts.set_resistance(conductor, ohm)
    if pull_ohm is not None:  # the test resistor of trade practice, to the opposite rail
        parts.bridge("CARD.J5.SW.COM", "RAIL.0V" if pressed else "RAIL.3V3", pull_ohm)
    harness.fit(parts)
    harness.set("J5.SW", int(pressed))
    deck = switch_deck(harness, pressed=pressed)
    if pull_ohm is not None:
        deck.append(f"Rpull pin {'0' if pressed else 'rail'} {pull_ohm!r}")
    theirs = ngspice(deck, ["pin", "lug", "rail"], tmp_path)
    look = harness.look("CARD.J5.SW.COM")
    assert look.volt("CARD.J5.SW.COM") == pytest.approx(theirs["pin"], abs=MILLIVOLT)
    assert look.volt("J5.SW.COM") == pytest.approx(theirs["lug"], abs=MILLIVOLT)
    assert look.volt("RAIL.3V3") == pytest.approx(theirs["rail"], abs=MILLIVOLT)


def encoder_deck(harness: Harness, levels: tuple[int, int]) -> list[str]:
    """All six encoders on the 5 V rail; each channel's output drives its wire to the card."""
    ohm, part = harness.parts.ohm, SCENE.encoder
    load = SCENE.supplies.v5.volts / part.supply_a
    deck = [
        f"Vsource emf 0 {harness.individual.rail_volts['RAIL.5V']!r}",
        f"Rsource emf rail {SCENE.supplies.v5.ohm!r}",
    ]
    for n in range(1, 7):
        deck += [
            f"Rp{n} rail plus{n} {ohm[f'J{n}.ENC.5V']!r}",
            f"Rm{n} 0 minus{n} {ohm[f'J{n}.ENC.0V']!r}",
            f"Rload{n} plus{n} minus{n} {load!r}",
        ]
        for channel, level in zip("AB", levels if n == 1 else (0, 0), strict=True):
            low = channel.lower()
            deck += [
                f"Rout{low}{n} {'plus' if level else 'minus'}{n} out{low}{n} {part.output_ohm!r}",
                f"Rwire{low}{n} out{low}{n} pin{low}{n} {ohm[f'J{n}.ENC.{channel}']!r}",
                f"Rleak{low}{n} pin{low}{n} 0 {SCENE.card.input_leak_ohm!r}",
            ]
    return deck


ENCODER_PARTS = {
    "sound": ({}, []),
    "0.9 ohm crimp in the 5 V wire": ({"J1.ENC.5V": 0.9}, []),
    "corroded 0 V": ({"J1.ENC.0V": 22.0}, []),
    # A bridge from A to 0 V through 220 ohm: neither a good one nor a good zero.
    "A leaks to ground": ({}, [("CARD.J1.ENC.A", "RAIL.0V", 220.0)]),
    "A and B bridged": ({}, [("J1.ENC.A", "J1.ENC.B", 0.5)]),
    "the 5 V rail loaded by 6.8 ohm": ({}, [("RAIL.5V", "RAIL.0V", 6.8)]),
}
SPICE_NAME = {
    "CARD.J1.ENC.A": "pina1",
    "CARD.J1.ENC.B": "pinb1",
    "J1.ENC.A": "outa1",
    "J1.ENC.B": "outb1",
    "J1.ENC.5V": "plus1",
    "J1.ENC.0V": "minus1",
    "RAIL.5V": "rail",
    "RAIL.0V": "0",
}


@needs_ngspice
@pytest.mark.parametrize("levels", STATES)
@pytest.mark.parametrize("change", ENCODER_PARTS.values(), ids=ENCODER_PARTS.keys())
def test_an_encoder_circuit(
    change: tuple[dict[str, float], list[tuple[str, str, float]]],
    levels: tuple[int, int],
    tmp_path: Path,
) -> None:
    harness = rig()
    parts = harness.parts.copy()
    ohms, bridges = change
    for conductor, ohm in ohms.items():
        parts.set_resistance(conductor, ohm)
    for one, other, ohm in bridges:
        parts.bridge(one, other, ohm)
    harness.fit(parts)
    for n in range(1, 7):
        harness.set(f"J{n}.ENC", STATES[levels if n == 1 else (0, 0)])
    deck = encoder_deck(harness, levels)
    for number, (one, other, ohm) in enumerate(bridges):
        deck.append(f"Rbridge{number} {SPICE_NAME[one]} {SPICE_NAME[other]} {ohm!r}")
    wanted = {place: name for place, name in SPICE_NAME.items() if name != "0"}
    theirs = ngspice(deck, list(wanted.values()), tmp_path)
    for place, name in wanted.items():
        ours = harness.look(place).volt(place)
        assert ours == pytest.approx(theirs[name], abs=MILLIVOLT), place


@needs_ngspice
def test_an_encoder_that_lost_its_ground_pulls_both_channels_up(tmp_path: Path) -> None:
    harness = rig()
    parts = harness.parts.copy()
    parts.set_resistance("J1.ENC.0V", 1e12)
    harness.fit(parts)
    for n in range(1, 7):
        harness.set(f"J{n}.ENC", STATES[0, 0])
    # Below its least supply the output stage is off: it ties each channel to its own 0 V weakly.
    deck = encoder_deck(harness, (0, 0))
    deck = [
        line.replace(repr(SCENE.encoder.output_ohm), repr(SCENE.encoder.dead_ohm))
        if line.startswith(("Routa1", "Routb1"))
        else line
        for line in deck
    ]
    theirs = ngspice(deck, ["pina1", "pinb1", "minus1"], tmp_path)
    assert theirs["pina1"] > 4.5  # frozen high, as trade practice has it
    for place, name in (
        ("CARD.J1.ENC.A", "pina1"),
        ("CARD.J1.ENC.B", "pinb1"),
        ("J1.ENC.0V", "minus1"),
    ):
        assert harness.look(place).volt(place) == pytest.approx(theirs[name], abs=MILLIVOLT), place


def ohms_deck(harness: Harness, bridge_ohm: float) -> list[str]:
    """J5's switch at rest, its input leaking to the 5 V rail, all supplies off; 1 A in at the pin.

    Over the rail the current finds the six encoders, each behind its own two supply wires, and the
    gripper's idle servo and potentiometer (its wiper ends in 1 Mohm, which is left out).
    """
    ohm = harness.parts.ohm
    deck = [
        "Itest 0 pin 1",
        f"Rcom pin lug {ohm['J5.SW.COM']!r}",
        f"Rcontact lug nc {SCENE.switch.closed_ohm!r}",
        f"Rnc nc 0 {ohm['J5.SW.NC']!r}",
        f"Rleak pin 0 {SCENE.card.input_leak_ohm!r}",
        f"Rbridge pin rail {bridge_ohm!r}",
    ]
    for n in range(1, 7):
        deck += [
            f"Rp{n} rail plus{n} {ohm[f'J{n}.ENC.5V']!r}",
            f"Rload{n} plus{n} minus{n} {SCENE.supplies.v5.volts / SCENE.encoder.supply_a!r}",
            f"Rm{n} minus{n} 0 {ohm[f'J{n}.ENC.0V']!r}",
        ]
    gripper = SCENE.gripper
    assert gripper is not None
    return [
        *deck,
        f"Rio5 rail iop {ohm['IO.5V']!r}",
        f"Rservo iop iom {SCENE.supplies.v5.volts / gripper.idle_a!r}",
        f"Rpot iop iom {gripper.pot_ohm + 2 * gripper.pot_end_ohm!r}",
        f"Rio0 iom 0 {ohm['IO.0V']!r}",
    ]


@needs_ngspice
@pytest.mark.parametrize("common_ohm", [0.3, 470.0, 1e12])
@pytest.mark.parametrize("bridge_ohm", [33.0, 1e5])
def test_ohms_of_a_cable_with_parallel_paths(
    bridge_ohm: float, common_ohm: float, tmp_path: Path
) -> None:
    harness = rig()
    parts = harness.parts.copy()
    parts.set_resistance("J5.SW.COM", common_ohm)
    parts.bridge("CARD.J5.SW.COM", "RAIL.5V", bridge_ohm)
    harness.fit(parts)
    theirs = ngspice(ohms_deck(harness, bridge_ohm), ["pin"], tmp_path)["pin"]
    ours = harness.ohm_between("CARD.J5.SW.COM", "RAIL.0V")
    assert ours == pytest.approx(theirs, rel=1e-3)
    harness.plugs.put("J5.SW", inserted=False)
    harness.fit(parts)
    deck = [line for line in ohms_deck(harness, bridge_ohm) if not line.startswith("Rcom ")]
    deck.append("Rspare lug 0 1e12")  # what is left of the switch hangs on its other wire
    theirs = ngspice(deck, ["pin"], tmp_path)["pin"]
    assert harness.ohm_between("CARD.J5.SW.COM", "RAIL.0V") == pytest.approx(theirs, rel=1e-3)
