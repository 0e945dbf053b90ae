"""Wear of encoders and drives, against what the trade knows of it.

Lines 'Index at switch edge', 'Dirty disc', 'Slow encoder edge' and 'Late DIR' of the workshop's
table of faults often forgotten: common practice, no published source. Charge of a capacitor and
turns of a motor are calculated beside them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest

from dryrig.faults import Injector
from dryrig.scenes import Scene, load_scene
from dryrig.sim import TICKS_PER_S, Rig

SCENE: Scene = load_scene("heron")
POSE = [0.0, 60.0, -90.0, 0.0, 30.0, 0.0]
AXIS = 3
TURN = 3200  # microsteps of J4's motor
MICROSTEP_DEG = 360 / (TURN * 16)


@pytest.fixture
def rig() -> Iterator[Rig]:
    with Rig(SCENE, 3, start_pose_deg=POSE) as rig:
        for axis in range(rig.card.axes):
            rig.card.enable(axis, True)
        rig.card.set_acceleration(AXIS, 40_000)
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


def off_by(rig: Rig, reversals: int, steps: int) -> float:
    """Microsteps by which J4 is off after so many there-and-backs."""
    move(rig, steps)
    move(rig, -steps)
    before = rig.truth_deg()[AXIS]
    for _ in range(reversals):
        move(rig, steps)
        move(rig, -steps)
    return (rig.truth_deg()[AXIS] - before) / MICROSTEP_DEG


def home(rig: Rig, shift_deg: float) -> tuple[int, int, float]:
    """Release of J1's switch, then the next index: both counts, the true angle at the index."""
    injector = Injector(rig)
    if shift_deg:
        injector.insert(f"shift@J1.SW,deg={shift_deg:.6f}")
    card = rig.card
    limit = 60 * TICKS_PER_S
    for edge, sign, rate in (("RISE", -1, 1500), ("FALL", 1, 200)):
        card.set_rate(0, rate)
        card.arm_halt(0, edge)  # type: ignore[arg-type]
        card.run(0, sign)
        assert rig.run_until(lambda: not card.moving(0), rig.now + limit)
    released = card.latch(0).count
    card.set_rate(0, 1500)
    card.arm_halt(0, "INDEX")
    card.run(0, 1)
    assert rig.run_until(lambda: card.latch(0).hit, rig.now + limit)
    angle = rig.truth_deg()[0]
    assert rig.run_until(lambda: not card.moving(0), rig.now + limit)
    return released, card.latch(0).count, angle


def test_an_index_at_the_switch_edge_makes_home_jump_one_motor_turn() -> None:
    """Index at switch edge."""
    pose = [-160.0, *POSE[1:]]
    joint = SCENE.joint[0]
    counts_per_deg = joint.encoder.counts * joint.ratio / 360

    def homed(shift_deg: float) -> tuple[int, int, float]:
        with Rig(SCENE, 2, start_pose_deg=pose) as rig:
            for axis in range(6):
                rig.card.enable(axis, True)
            rig.card.set_acceleration(0, 20_000)
            return home(rig, shift_deg)

    released, index, _ = homed(0.0)
    to_edge_deg = (index - released) / counts_per_deg
    turn_deg = 360 / joint.ratio
    assert 0 < to_edge_deg < turn_deg
    if to_edge_deg > turn_deg / 2:  # the index before is nearer to the edge
        to_edge_deg -= turn_deg
    near, far = homed(to_edge_deg - 0.2), homed(to_edge_deg + 0.2)
    assert near[0] == pytest.approx(far[0], abs=0.6 * counts_per_deg)
    assert far[1] - near[1] == joint.encoder.counts
    # The halt that begins there moves the rotor by its load angle.
    assert far[2] - near[2] == pytest.approx(turn_deg, abs=0.005)


def test_missing_lines_are_lost_once_a_turn_fast_or_slow(rig: Rig) -> None:
    """Dirty disc: loss once per turn."""
    sound = move(rig, 3 * TURN)
    assert sound == about(12_000)
    move(rig, -3 * TURN)
    start = rig.card.count(AXIS)
    Injector(rig).insert("dirt@J4.ENC,lines=8")
    assert rig.card.count(AXIS) == start
    for rate in (300, 6000):
        assert move(rig, 3 * TURN, rate) == about(3 * (4000 - 32))
        assert move(rig, -3 * TURN, rate) == about(-3 * (4000 - 32))


def test_slow_edges_count_right_by_hand_and_lose_when_fast(rig: Rig) -> None:
    """Common practice, no published source: hand passes, fast loses ('Slow encoder edge').

    1 Mohm into 100 pF is 100 µs. A falling edge from 5 V reaches V_IL after ln(5/0.8) = 1.83 of
    them and must come before the next edge of B, a quarter cycle later: up to 5450 counts/s.
    """
    Injector(rig).insert("resist@J4.ENC.A,ohm=1e6")
    limit = 1 / (1e6 * 100e-12 * math.log(5 / 0.8))
    assert limit == pytest.approx(5457, abs=1)
    steps_per_count = TURN / 4000
    assert move(rig, 2 * TURN, 0.9 * limit * steps_per_count) == about(8000)
    assert abs(move(rig, -2 * TURN, 1.3 * limit * steps_per_count)) < 4000
    assert move(rig, 2 * TURN, 300) == about(8000)
    rig.hands.set_motor_supply(False)
    rig.advance(rig.now + TICKS_PER_S)
    before, angle = rig.card.count(AXIS), rig.truth_deg()[AXIS]
    rig.hands.turn(AXIS, 40.0, 20.0)
    assert rig.run_until(lambda: not rig.hands.busy, rig.now + 10 * TICKS_PER_S)
    turned = (rig.truth_deg()[AXIS] - angle) / 360 * 16 * 4000
    assert abs(turned) > 5000
    assert rig.card.count(AXIS) - before == pytest.approx(turned, abs=1)


@pytest.mark.parametrize(("reversals", "steps"), [(1, 200), (5, 200), (5, 1600), (1, 1600)])
def test_late_dir_loses_two_microsteps_there_and_back(rig: Rig, reversals: int, steps: int) -> None:
    """Common practice, no published source: it scales with reversals, not with distance."""
    assert off_by(rig, reversals, steps) == pytest.approx(0, abs=0.01)
    Injector(rig).insert("lag@J4.DRIVE")
    assert off_by(rig, reversals, steps) == pytest.approx(2 * reversals, abs=0.01)
