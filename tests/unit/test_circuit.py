"""Nodal analysis against circuits that can be solved by hand, and the harness's sound levels."""

from __future__ import annotations

import pytest

from dryrig.errors import UnknownTerminal
from dryrig.scenes import load_scene
from dryrig.sim.circuit import Choice, Circuit, Led, Source
from dryrig.sim.harness import Harness
from dryrig.sim.individual import draw_individual

SOURCES = [
    Source("RAIL.24V", 24.0, 0.1),
    Source("RAIL.5V", 5.0, 0.05),
    Source("RAIL.3V3", 3.3, 0.05),
]


def volts(circuit: Circuit, settings: dict[str, int], node: str) -> float:
    island = circuit.island_of[node]
    return float(island.solve(settings, circuit.known_v)[0][island.index[node]])


def test_a_divider_between_rails_divides_and_loads_its_rail() -> None:
    circuit = Circuit([("RAIL.5V", "m", 100.0), ("m", "RAIL.0V", 300.0)], [], [], [])
    circuit.settle_rails(SOURCES, {})
    rail = 5.0 * 400 / 400.05
    assert circuit.known_v[1] == pytest.approx(rail, abs=1e-9)
    assert volts(circuit, {}, "m") == pytest.approx(rail * 0.75, abs=1e-9)


def test_islands_on_one_rail_feel_each_other() -> None:
    links = [("RAIL.5V", "a", 1.0), ("a", "RAIL.0V", 1.0), ("RAIL.5V", "b", 1e6)]
    circuit = Circuit([*links, ("b", "RAIL.0V", 1e9)], [], [], [])
    circuit.settle_rails(SOURCES, {})
    assert len(circuit.islands) == 2
    assert volts(circuit, {}, "b") == pytest.approx(5.0 * 2 / 2.05, rel=2e-3)


def test_an_led_takes_its_forward_voltage_once_there_is_enough() -> None:
    choice = Choice("pin", ([("p", "RAIL.0V", 50.0)], [("p", "RAIL.5V", 50.0)]))
    circuit = Circuit([], [Led("in", "p", "RAIL.0V", 330.0, 1.2)], [choice], [])
    for setting, amps in ((0, 0.0), (1, (5.0 - 1.2) / 380)):
        settings = {"pin": setting}
        circuit.settle_rails(SOURCES, settings)
        island = circuit.island_of["p"]
        node_v, _, lit = island.solve(settings, circuit.known_v)
        assert island.led_amps(lit, node_v, circuit.known_v)[0] == pytest.approx(amps, abs=2e-6)


@pytest.fixture(scope="module")
def harness() -> Harness:
    scene = load_scene("heron")
    return Harness(scene, draw_individual(scene, 0), 0)


def test_a_sound_switch_is_solid_ground_at_rest_and_solid_3v3_pressed(harness: Harness) -> None:
    for joint in range(1, 7):
        pin = f"CARD.J{joint}.SW.COM"
        harness.set(f"J{joint}.SW", 0)
        assert abs(harness.volts_between(pin, "RAIL.0V", 10e6)) < 1e-3
        harness.set(f"J{joint}.SW", 1)
        assert harness.volts_between(pin, "RAIL.0V", 10e6) == pytest.approx(3.3, abs=0.05)
        harness.set(f"J{joint}.SW", 0)


def test_a_lost_encoder_ground_leaves_both_outputs_high(harness: Harness) -> None:
    """As common practice has it (no published source): 0-2 V of supply, its 0 V at 3-5 V."""
    sound, broken = harness.parts, harness.parts.copy()
    broken.set_resistance("J1.ENC.0V", 1e12)
    harness.fit(broken)
    try:
        assert harness.volts_between("J1.ENC.5V", "J1.ENC.0V", 10e6) < 2.0
        assert 3.0 < harness.volts_between("J1.ENC.0V", "RAIL.0V", 10e6) < 5.2
        for channel in "AB":
            assert harness.volts_between(f"CARD.J1.ENC.{channel}", "RAIL.0V", 10e6) > 3.0
    finally:
        harness.fit(sound)


def test_a_shorted_rail_is_left_what_its_current_limit_makes(harness: Harness) -> None:
    sound, broken = harness.parts, harness.parts.copy()
    broken.bridge("RAIL.5V", "RAIL.0V", 0.05)
    harness.fit(broken)
    try:
        limit = harness.scene.supplies.v5.limit_a
        assert harness.circuit.known_v[1] == pytest.approx(limit * 0.05, rel=0.01)
    finally:
        harness.fit(sound)


def test_coils_get_what_the_wiring_gives_them(harness: Harness) -> None:
    joint, sound = harness.scene.joint[1], harness.parts
    (aa, ab), (ba, bb) = harness.coil_currents(joint)
    assert (aa, bb) == (pytest.approx(1, abs=0.01), pytest.approx(1, abs=0.01))
    assert (ab, ba) == (pytest.approx(0, abs=1e-9), pytest.approx(0, abs=1e-9))
    broken = sound.copy()
    broken.permute("J2.MOTOR.A+", "J2.MOTOR.A-")
    harness.fit(broken)
    assert harness.coil_currents(joint)[0][0] == pytest.approx(-1, abs=0.01)
    broken = sound.copy()
    broken.set_resistance("J2.MOTOR.B-", 1e12)
    harness.fit(broken)
    assert abs(harness.coil_currents(joint)[1][1]) < 1e-6
    harness.fit(sound)


def test_an_unknown_terminal_names_the_nearest(harness: Harness) -> None:
    with pytest.raises(
        UnknownTerminal, match=r"^no terminal 'J5.SW.CON'.*did you mean 'J5.SW.COM'"
    ):
        harness.node("J5.SW.CON")


def test_common_and_ground_throw_interchanged_pull_the_rail_down_when_pressed(
    harness: Harness,
) -> None:
    """Common practice, no published source: rest reads 0, pressed the rail collapses."""
    sound, broken = harness.parts, harness.parts.copy()
    broken.permute("J2.SW.COM", "J2.SW.NC")
    harness.fit(broken)
    try:
        assert abs(harness.volts_between("CARD.J2.SW.COM", "RAIL.0V", 10e6)) < 0.01
        harness.set("J2.SW", 1)
        assert harness.volts_between("RAIL.3V3", "RAIL.0V", 10e6) < 1.0
        harness.set("J2.SW", 0)
        assert harness.volts_between("RAIL.3V3", "RAIL.0V", 10e6) > 3.2
    finally:
        harness.set("J2.SW", 0)
        harness.fit(sound)
