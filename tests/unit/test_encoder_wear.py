"""Missing lines, slow edges and the counter's width: what a worn encoder path does to counts."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator

import numpy as np
import pytest

from dryrig.faults import Injector
from dryrig.scenes import Scene, load_scene
from dryrig.sim import TICKS_PER_S, Rig
from dryrig.sim.encoder import x4
from dryrig.sim.settling import Settling

SCENE: Scene = load_scene("heron")
POSE = [0.0, 60.0, -90.0, 0.0, 30.0, 0.0]
AXIS = 3


def a_rig(scene: Scene = SCENE) -> Rig:
    rig = Rig(scene, 3, start_pose_deg=POSE)
    for axis in range(rig.card.axes):
        rig.card.enable(axis, True)
    rig.card.set_acceleration(AXIS, 40_000)
    rig.trace.start()
    return rig


@pytest.fixture
def rig() -> Iterator[Rig]:
    with a_rig() as rig:
        yield rig


def about(counts: int) -> object:
    """Friction holds a shaft at rest within its load angle: some counts either way."""
    return pytest.approx(counts, abs=3)


def move(rig: Rig, steps: int, rate: float = 3000) -> int:
    """Counts of a move of J4."""
    before = rig.card.count(AXIS)
    rig.card.set_rate(AXIS, rate)
    rig.card.move(AXIS, steps)
    assert rig.run_until(lambda: not rig.card.moving(AXIS), rig.now + 60 * TICKS_PER_S)
    rig.advance(rig.now + TICKS_PER_S // 10)
    return rig.card.count(AXIS) - before


def traced(rig: Rig) -> int:
    """X4 count of J4's traced pins since the trace began."""
    a, b = (rig.trace.signals().wave(f"J4.ENC.{channel}") for channel in "AB")
    ticks = np.unique(np.concatenate([a.ticks, b.ticks]))
    pins = [
        tuple(int(w.values[np.searchsorted(w.ticks, tick, side="right") - 1]) for w in (a, b))
        for tick in ticks
    ]
    return sum(
        x4((before[0], before[1]), (after[0], after[1]))
        for before, after in itertools.pairwise(pins)
    )


TURN = 3200  # microsteps of J4's motor


def test_missing_lines_show_from_index_to_index(rig: Rig) -> None:
    Injector(rig).insert("dirt@J4.ENC,lines=8")
    counts = []
    for _ in range(3):
        rig.card.arm_halt(AXIS, "INDEX")
        rig.card.run(AXIS, 1)
        rig.run_until(lambda: not rig.card.moving(AXIS), rig.now + 10 * TICKS_PER_S)
        counts.append(rig.card.latch(AXIS).count)
    assert np.diff(counts).tolist() == [4000 - 32] * 2


@pytest.mark.parametrize("fault", ["dirt@J4.ENC,lines=8", "resist@J4.ENC.A,ohm=1e6"])
def test_the_trace_shows_what_the_card_counts(fault: str, rig: Rig) -> None:
    Injector(rig).insert(fault)
    origin = rig.card.count(AXIS) - traced(rig)
    for steps, rate in ((2000, 300), (5000, 9000), (-4000, 7000), (700, 4000)):
        move(rig, steps, rate)
        # Loose: near the knee an edge more or less late loses or keeps a whole cycle.
        assert traced(rig) + origin == pytest.approx(rig.card.count(AXIS), abs=8)


def test_a_source_that_settles_is_not_floating(rig: Rig) -> None:
    """1 Mohm settles between slow edges; with the leakage alone the channel is dead."""
    injector = Injector(rig)
    injector.insert("resist@J4.ENC.A,ohm=1e6")
    assert not rig.pins["CARD.J4.ENC.A"].floating
    assert move(rig, TURN, 300) == about(4000)
    injector.clear()
    injector.insert("open@J4.ENC.A")
    assert rig.pins["CARD.J4.ENC.A"].floating
    assert abs(move(rig, -TURN, 300)) <= 4


def test_a_slow_switch_input_follows_late(rig: Rig) -> None:
    Injector(rig).insert("resist@J1.SW.COM,ohm=1e6")
    rig.trace.start()
    rig.hands.press(0)
    pressed = rig.now
    rig.advance(rig.now + TICKS_PER_S // 10)
    edge = int(rig.trace.signals().wave("J1.SW").ticks[1])
    charge_s = 1e6 * 100e-12 * math.log(3.3 / (3.3 - 2.0))
    expected = SCENE.switch.transfer_s + charge_s
    assert (edge - pressed) / TICKS_PER_S == pytest.approx(expected, rel=0.02)


def test_an_input_charges_as_a_resistor_and_a_capacitor_do() -> None:
    """v = V (1 - exp(-t/RC)): 0.632 V after one time constant (any text on circuits)."""
    pin = Settling(0.8, 2.0, 0, 0.0)
    pin.drive(1000, 5.0, 400.0)
    assert pin.volts(1400) == pytest.approx(5 * 0.6321, abs=1e-3)
    assert pin.due() == 1000 + math.ceil(400 * math.log(5 / 3))
    pin.drive(1100, 0.0, 400.0)  # gone before the level changed: no edge
    assert pin.due() > 10**12


@pytest.mark.parametrize("bits", [8, 16, 32])
def test_the_counter_wraps_as_twos_complement(bits: int) -> None:
    card = SCENE.card.model_copy(update={"counter_bits": bits})
    half = 1 << (bits - 1)
    with a_rig(SCENE.model_copy(update={"card": card})) as rig:
        rig.card.preset_count(AXIS, half - 100)
        rig.card.arm_halt(AXIS, "INDEX")
        rig.card.move(AXIS, TURN)
        counts = set()
        while rig.card.moving(AXIS):
            rig.advance(rig.now + TICKS_PER_S // 1000)
            counts.add(rig.card.count(AXIS))
        assert -half <= min(counts) < -half + 100
        assert half - 100 <= max(counts) < half
        latch = rig.card.latch(AXIS)
        assert latch.hit
        assert -half <= latch.count < half
        assert latch.count < half - 100 or bits == 8


def test_a_rollover_can_be_preset_over(rig: Rig) -> None:
    rig.card.preset_count(AXIS, 2**31 - 1)
    assert move(rig, TURN) == about(4000 - 2**32)
    rig.card.preset_count(AXIS, 0)
    assert rig.card.count(AXIS) == 0
