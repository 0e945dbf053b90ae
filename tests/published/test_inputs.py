"""The card's inputs against published figures: thresholds, hum that counts, contact bounce."""

from __future__ import annotations

import math
import statistics

import pytest

from dryrig.faults import Injector
from dryrig.scenes import Scene, load_scene
from dryrig.sim import TICKS_PER_S, Rig

SCENE: Scene = load_scene("heron")
POSE = [0.0, 60.0, -90.0, 0.0, 30.0, 0.0]
# JESD8C.01, 3.3 V LVCMOS, wide range (as a stored table has it: 0.8 and 2.0 V).
V_IL, V_IH = 0.8, 2.0
J5 = 4
PIN = "CARD.J5.SW.COM"
BOTH = ("open@J4.ENC.A", "open@J4.ENC.B")


def later(rig: Rig, seconds: float) -> None:
    rig.advance(rig.now + round(seconds * TICKS_PER_S))


def put_at(rig: Rig, volts: float) -> float:
    """Hold J5's switch input at so many volts by a divider; the volts it comes to."""
    rail = float(rig.harness.circuit.known_v[2])
    parts = rig.harness.parts.copy()
    parts.bridges.clear()
    parts.set_resistance("J5.SW.COM", 1e12)
    parts.bridge(PIN, "RAIL.0V", 1e3)
    parts.bridge(PIN, "RAIL.3V3", 1e3 * (rail / volts - 1))
    rig.fit(parts)
    later(rig, 0.001)
    return rig.harness.look(PIN).volt(PIN)


def test_levels_of_an_input_are_those_of_jesd8c() -> None:
    """At or below V_IL it is 0, at or above V_IH it is 1; between, it keeps what it was."""
    with Rig(SCENE, 3, start_pose_deg=POSE) as rig:
        for volts, level in [
            (0.1, 0),
            (V_IL + 0.05, 0),
            (V_IH - 0.05, 0),
            (V_IH + 0.01, 1),
            (3.2, 1),
            (V_IH - 0.05, 1),
            (V_IL + 0.05, 1),
            (V_IL - 0.01, 0),
            (1.06, 0),  # 4.7 kohm in the common under a pull-up of 10 kohm: undecided
        ]:
            assert put_at(rig, volts) == pytest.approx(volts, abs=0.005)
            assert rig.level(J5) == level, volts


def floating(hum_a: float, mains_hz: float, seed: int, *faults: str) -> Rig:
    """An arm with these faults in a place with that much hum."""
    scene = SCENE.with_figures({"card.hum_a": hum_a, "supplies.mains_hz": mains_hz})
    rig = Rig(scene, seed, start_pose_deg=POSE)
    injector = Injector(rig)
    for fault in faults:
        injector.insert(fault)
    later(rig, 0.5)
    return rig


def counted(rig: Rig, seconds: float = 1.0) -> int:
    before = rig.card.count(3)
    later(rig, seconds)
    return rig.card.count(3) - before


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_two_channels_that_float_in_hum_count_four_times_the_mains(
    mains_hz: float, seed: int
) -> None:
    """By hand: each period both pins rise and fall once, one after the other: four counts.

    200 or 240 a second. 200 nA into 100 pF (32 or 27 Mohm) swings by 6.4 or 5.3 V either way about
    at most 1 V + 2.5 V of bias and drift into 500 Mohm: past both thresholds.
    """
    reach = 200e-9 / (2 * math.pi * mains_hz * SCENE.card.input_farad)
    assert reach > V_IH + SCENE.card.input_wander_a * SCENE.card.input_leak_ohm
    with floating(200e-9, mains_hz, seed, *BOTH) as rig:
        a, b = (rig.pins[f"CARD.J4.ENC.{channel}"].hum()[0] for channel in "AB")
        apart = math.remainder(math.atan2(a.imag, a.real) - math.atan2(b.imag, b.real), 2 * math.pi)
        # The phase that leads rises first: A before B counts up.
        assert counted(rig) == pytest.approx(math.copysign(4 * mains_hz, apart), abs=2)


def test_one_channel_that_floats_in_hum_counts_nothing() -> None:
    """By hand: +1 and -1 take turns."""
    with floating(200e-9, 50.0, 1, "open@J4.ENC.A") as rig:
        assert abs(counted(rig)) <= 1


def test_two_floats_on_one_conductor_change_at_once_and_count_nothing() -> None:
    """Identical thresholds on one node give simultaneous edges: no net count (common practice).

    By hand the node swings by the sum of both currents into twice the capacitance.
    """
    with floating(200e-9, 50.0, 1, *BOTH) as rig:
        parts = rig.harness.parts.copy()
        parts.bridge("CARD.J4.ENC.A", "CARD.J4.ENC.B", 0.05)
        rig.fit(parts)
        later(rig, 0.5)
        rig.trace.start()
        assert abs(counted(rig)) <= 1
        a, b = rig.trace.waves(["J4.ENC.A", "J4.ENC.B"])
        assert a.edges == b.edges == pytest.approx(100, abs=1)  # both do see the mains
        both = sum(rig.pins[f"CARD.J4.ENC.{channel}"].hum()[0] for channel in "AB")
        reach = abs(both) / (2 * 2 * math.pi * 50.0 * SCENE.card.input_farad)
        period = [rig.pins["CARD.J4.ENC.A"].volts(rig.now + n * 2400) for n in range(100)]
        assert (max(period) - min(period)) / 2 == pytest.approx(reach, rel=0.02)


def bounce_s(seed: int) -> float:
    """From the first contact of one press to the last edge, on an input with a pull of 10 kohm."""
    with Rig(SCENE, seed, start_pose_deg=POSE) as rig:
        rig.hands.put_clip((PIN, "RAIL.0V"))
        Injector(rig).insert("bounce@J5.SW")
        later(rig, 0.1)
        rig.trace.start()
        rig.hands.press(J5)
        later(rig, 0.3)
        (wave,) = rig.trace.waves(["J5.SW"])
        assert wave.values[-1] == 1
        assert wave.edges % 2 == 1
        return float(wave.ticks[-1] - wave.ticks[1]) / TICKS_PER_S


def test_contacts_bounce_within_the_published_survey() -> None:
    """J. Ganssle, A Guide to Debouncing: 18 switches of some 300 presses each bounced for 1557 us
    in the mean, 6200 us at most, two switches left out (values from memory).
    """
    times = [bounce_s(seed) for seed in range(24)]
    assert max(times) <= 6200e-6
    assert statistics.mean(times) == pytest.approx(1557e-6, rel=0.35)
    assert len(set(times)) > 20  # every press its own
