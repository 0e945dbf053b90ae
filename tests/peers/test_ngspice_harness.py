"""The whole Heron harness against ngspice: sound, and with every single wiring fault.

What a deck holds, and how it comes to be without the plant's netlist: tests/helpers.
"""

from __future__ import annotations

import itertools
import random
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from harness_decks import (
    OPEN_OHM,
    SCENE,
    SEED,
    STATES,
    SUPPLIES,
    Loom,
    Ngspice,
    Values,
    alterations,
    dead_deck,
    live_deck,
    motor_deck,
    motor_supply,
    node,
    plug,
    settings,
    spoilt,
    states,
)

from dryrig.faults.catalogue import enumerate_faults
from dryrig.faults.grammar import parse_fault
from dryrig.scenes import Joint
from dryrig.sim.harness import Harness
from dryrig.sim.individual import draw_individual

WIRING = ("open", "resist", "short", "swap", "unplug", "cross", "soaked", "worn")
"""Kinds that change conductors, bridges or contacts; all others change motors, gears and cams."""
MILLIVOLT, SHARE = 1e-3, 1e-3
TEST_A = 1e-9
ROUNDING = 5e-3
"""For the part's pins of a plug that is out: they hang on terohms beside contacts of 50 mohm, and
of sixteen digits three are left. Exact fractions lie between the plant and ngspice (J1, pressed:
1.7613 V; plant 1.7588, ngspice 1.7645)."""

pytestmark = pytest.mark.skipif(
    shutil.which("ngspice") is None,
    reason="ngspice is not installed (Debian: apt-get install ngspice)",
)


def wiring_faults() -> list[str]:
    return [fault for fault in enumerate_faults(SCENE) if fault.split("@")[0] in WIRING]


@pytest.fixture
def harness() -> Harness:
    return Harness(SCENE, draw_individual(SCENE, SEED), SEED)


Fit = Callable[[str], None]


@pytest.fixture
def fit(harness: Harness) -> Fit:
    """Put one fault into the plant's harness, in place of the one before."""
    sound = harness.parts.copy()

    def put(text: str) -> None:
        parts = sound.copy()
        if text:
            fault = parse_fault(text)
            assert fault.kind.apply is not None
            fault.kind.apply(parts, fault.places, fault.values)
        harness.fit(parts)

    return put


def node_volts(harness: Harness) -> Values:
    """Every node of the plant's circuit, its fixed ones (rails, legs) left out."""
    found = dict(zip(harness.circuit.known, harness.circuit.known_v.tolist(), strict=True))
    found = {name: volts for name, volts in found.items() if name.startswith("RAIL.")}
    for island in harness.circuit.islands:
        volts, _, _ = island.solve(harness.settings, harness.circuit.known_v)
        found |= dict(zip(island.nodes, volts.tolist(), strict=True))
    return found


def test_every_node_of_the_harness_sound_and_with_every_wiring_fault(
    harness: Harness, fit: Fit, tmp_path: Path, record_property: Callable[[str, Any], None]
) -> None:
    faults = ["", *wiring_faults()]
    peer = Ngspice(
        tmp_path,
        (
            (live_deck(loom), [list(alterations(loom, k, fault)) for k in states(fault)])
            for fault in faults
            for loom in [spoilt(fault)]
        ),
    )
    try:
        ours = [(fault, *found) for fault in faults for found in _plant(harness, fit, fault)]
        theirs = list(peer.answers())
    finally:
        peer.stop()
    assert len(theirs) == len(ours)
    names = [name for name in ours[0][2] if name != "RAIL.0V"]
    columns = [f"v({node(name)})" for name in names]
    helpers = {"v(mains)", *(f"v({node(j.name)}_level_{c})" for j in SCENE.joint for c in "abz")}
    for (fault, _, mine), peers in zip(ours, theirs, strict=True):
        # No node of one is missing in the other.
        assert {name for name in peers if name.startswith("v(")} - helpers == set(columns), fault
        assert set(mine) == {*names, "RAIL.0V"}, fault
    table = np.array([[mine[name] for name in names] for _, _, mine in ours])
    peer_table = np.array([[peers[column] for column in columns] for peers in theirs])
    off = np.abs(table - peer_table)
    loose = np.array([[fault == f"unplug@{plug(name)}" for name in names] for fault, _, _ in ours])
    share = np.where(loose, ROUNDING, SHARE)
    excess = off / np.maximum(MILLIVOLT, share * np.abs(peer_table))
    worst_v = float(off[~loose].max())
    record_property("comparisons", table.size)
    record_property("worst_v", worst_v)
    print(
        f"{len(faults) - 1} faults and sound, {len(ours)} operating points, {table.size} node "
        f"voltages: worst difference {worst_v * 1e6:.1f} uV; {loose.sum()} at pins unplugged: "
        f"{off[loose].max() * 1e3:.1f} mV"
    )
    row, column = np.unravel_index(int(excess.argmax()), excess.shape)
    assert float(excess.max()) <= 1, (
        f"{(excess > 1).sum()} of {table.size} differ; worst: {ours[row][0] or 'sound'} in state "
        f"{ours[row][1]}, {names[column]}: {table[row, column]:.6f} V, ngspice "
        f"{peer_table[row, column]:.6f} V"
    )


def _plant(harness: Harness, fit: Fit, fault: str) -> Iterator[tuple[int, Values]]:
    """The plant's volts in all states, come to one after the other as on a running rig."""
    if "STOP" in fault:  # the contactor is in when the fault comes
        fit("")
        harness.set("STOP", 0)
        harness.set_motor_supply(True)
    fit(fault)
    for number in states(fault):
        for name, setting in settings(number, fault).items():
            harness.set(name, setting)
        harness.set_motor_supply(motor_supply(number))
        yield number, node_volts(harness)


def test_a_meter_with_its_black_lead_on_the_chassis_and_one_in_the_amps_socket(
    harness: Harness, tmp_path: Path
) -> None:
    """10 Mohm from a rail to bare metal; a shunt of 0.1 ohm across each supply, at its limit."""
    ohm, shunt_ohm = SCENE.gauges.meter.ohm, SCENE.gauges.meter.amps_ohm
    rails = ("RAIL.24V", "RAIL.5V", "RAIL.3V3")
    wires = [f"rmeter {node(rail)} chassis {ohm!r}" for rail in rails]
    wires += [f"rmeter {node(rail)} 0 {shunt_ohm!r}" for rail in rails]
    jobs = []
    for wire in wires:
        deck = live_deck(Loom())
        jobs.append(([*deck[:-2], wire, *deck[-2:]], [list(alterations(Loom(), 0, ""))]))
    peer = Ngspice(tmp_path, jobs)
    try:
        for name, setting in settings(0).items():
            harness.set(name, setting)
        ours = [harness.volts_between(rail, "CHASSIS", ohm) for rail in rails]
        for rail in rails:
            harness.shunt = (rail, "RAIL.0V", shunt_ohm)
            harness.fit(harness.parts)
            ours.append(harness.look(rail).volt(rail))
        theirs = list(peer.answers())
    finally:
        peer.stop()
    read = [v[f"v({node(rail)})"] - v["v(chassis)"] for rail, v in zip(rails, theirs, strict=False)]
    read += [v[f"v({node(rail)})"] for rail, v in zip(rails, theirs[3:], strict=True)]
    print(f"{ours} V, ngspice {read} V")
    assert np.isclose(ours, read, rtol=SHARE, atol=MILLIVOLT).all()


def test_coil_currents_with_every_fault_of_a_motors_wiring(
    harness: Harness, fit: Fit, tmp_path: Path, record_property: Callable[[str, Any], None]
) -> None:
    faults = ["", *(fault for fault in wiring_faults() if ".MOTOR" in fault)]

    def motors(fault: str) -> list[Joint]:
        return [joint for joint in SCENE.joint if not fault or f"{joint.name}." in fault]

    def points(fault: str) -> Iterator[list[str]]:
        """One bridge after the other drives its set current."""
        bridges = [(joint, coil) for joint in motors(fault) for coil in "ab"]
        for which in bridges:
            changes = []
            for joint, coil in bridges:
                half = SUPPLIES.v24.volts / 2 if (joint, coil) == which else 0.0
                leg = f"v{node(joint.name)}_leg_{coil}"
                changes += [f"alter @{leg}p[dc] = {half}", f"alter @{leg}m[dc] = {-half}"]
            yield changes

    jobs = ((motor_deck(spoilt(fault)), list(points(fault))) for fault in faults)
    peer = Ngspice(tmp_path, jobs)
    try:
        answers = iter(list(peer.answers()))
    finally:
        peer.stop()
    ours, theirs = [], []
    for fault in faults:
        fit(fault)
        for of, bridge in itertools.product(motors(fault), (0, 1)):
            volts = next(answers)
            for joint, coil in itertools.product(motors(fault), (0, 1)):
                pins = f"{node(joint.name)}_motor_{'ab'[coil]}"
                across = volts[f"v({pins}p)"] - volts[f"v({pins}m)"]
                theirs.append(across / joint.motor.coil_ohm / joint.motor.current_a)
                ours.append(harness.coil_currents(joint, of)[coil][bridge])
    off = np.abs(np.array(ours) - np.array(theirs))
    record_property("comparisons", len(ours))
    print(f"{len(faults) - 1} faults and sound, {len(ours)} currents: worst {off.max():.2e}")
    # In parts of the set current.
    assert np.isclose(ours, theirs, rtol=SHARE, atol=1e-6).all()
    assert (np.abs(theirs) > 0.5).sum() > len(faults)


def pairs(fault: str, loom: Loom) -> list[tuple[str, str]]:
    """What a person would meter: pins of the plug, both ends of its conductors, and anything."""
    chance = random.Random(fault)
    place = fault.partition("@")[2].partition("/")[0]
    pins = [pin for pin in loom.ohm if plug(pin) == place or plug(pin) == plug(place)]
    names = [*loom.rail_volts, "RAIL.0V", *loom.ohm, *(f"PLUG.{pin}" for pin in pins)]
    names += [f"CARD.{pin}" for pin in loom.ohm]
    wanted = [*itertools.combinations(pins, 2), *((f"CARD.{pin}", pin) for pin in pins)]
    wanted += [tuple(chance.sample(names, 2)) for _ in range(16)]
    return [pair for pair in wanted if loom.at(pair[0]) != loom.at(pair[1])]


def metered(loom: Loom, tries: list[tuple[str, str]]) -> list[list[str]]:
    """For each pair a small current from one terminal to the other, and nothing more."""
    points, fed = [], []
    for pair in tries:
        changes = [f"alter @i{at}[dc] = 0" for at in fed]
        fed = [node(loom.at(name)) for name in pair]
        changes += [
            f"alter @i{at}[dc] = {amps}"
            for at, amps in zip(fed, (TEST_A, -TEST_A), strict=True)
            if at != "0"
        ]
        fed = [at for at in fed if at != "0"]
        points.append(changes)
    return points


@pytest.mark.parametrize("out", [False, True], ids=["plugs in", "plug out"])
def test_ohms_between_any_two_terminals_with_power_off(
    out: bool, harness: Harness, fit: Fit, tmp_path: Path, record_property: Callable[..., None]
) -> None:
    faults = ["", *wiring_faults()[::14]]
    jobs, wanted = [], []
    for number, fault in enumerate(faults):
        loom = spoilt(fault)
        place = fault.partition("@")[2].partition("/")[0] or "J1.SW"
        name = place if place.partition(".")[2] in STATES else plug(place)
        if out:
            loom.pull(name)
        contacts = settings(number % len(STATES["INPUTS"]))
        tries = pairs(fault or "sound@J1.SW", loom)
        jobs.append((dead_deck(loom, contacts), metered(loom, tries)))
        wanted += [(fault, name, contacts, loom, *pair) for pair in tries]
    peer = Ngspice(tmp_path, jobs)
    try:
        ours, last = [], None
        for fault, name, contacts, _, one, other in wanted:
            if fault != last:
                last = fault
                for each in harness.plugs.names:
                    harness.plugs.put(each, inserted=not (out and each == name))
                harness.settings |= contacts
                fit(fault)
            ours.append(harness.ohm_between(one, other))
        theirs = list(peer.answers())
    finally:
        peer.stop()
    assert len(ours) == len(theirs) > 1500
    worst, infinite = 0.0, 0
    for ohm, volts, (fault, _, _, loom, one, other) in zip(ours, theirs, wanted, strict=True):
        ends = [volts.get(f"v({node(loom.at(name))})", 0.0) for name in (one, other)]
        peer_ohm = (ends[0] - ends[1]) / TEST_A
        if peer_ohm > OPEN_OHM / 10:  # nothing but insulation
            infinite += 1
            assert ohm > OPEN_OHM / 10, (fault, one, other, ohm, peer_ohm)
        else:
            worst = max(worst, abs(ohm / peer_ohm - 1))
            assert ohm == pytest.approx(peer_ohm, rel=1e-3), (fault, one, other)
    record_property("comparisons", len(ours))
    print(
        f"{len(faults) - 1} faults and sound, {len(ours)} pairs of terminals, {infinite} of them "
        f"apart: worst difference {worst * 100:.4f} %"
    )
