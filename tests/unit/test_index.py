"""The encoder's index: once a turn, gated to A and B, latched and halted on by the card."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from dryrig.faults import Injector
from dryrig.scenes import Scene, load_scene
from dryrig.sim import TICKS_PER_S, Rig
from dryrig.sim.axis import Latch
from dryrig.sim.pose import Pose
from dryrig.sim.slipping import SUBSTEP

SCENE: Scene = load_scene("heron")
POSE = [0.0, 60.0, -90.0, 0.0, 30.0, 0.0]


@pytest.fixture
def rig() -> Iterator[Rig]:
    with Rig(SCENE, 3, start_pose_deg=POSE) as rig:
        for axis in range(rig.card.axes):
            rig.card.enable(axis, True)
            rig.card.set_rate(axis, 3000)
            rig.card.set_acceleration(axis, 20_000)
        yield rig


def seek(rig: Rig, axis: int, sign: int, limit_s: float = 10.0) -> Latch:
    rig.card.arm_halt(axis, "INDEX")
    rig.card.run(axis, sign)
    rig.run_until(lambda: not rig.card.moving(axis), rig.now + round(limit_s * TICKS_PER_S))
    return rig.card.latch(axis)


@pytest.mark.parametrize("axis", range(6))
@pytest.mark.parametrize("sign", [1, -1])
def test_from_index_to_index_lie_the_counts_of_a_turn(rig: Rig, axis: int, sign: int) -> None:
    """Common practice, no published source: counts from index to index equal counts a turn."""
    first, second = seek(rig, axis, sign), seek(rig, axis, sign)
    assert first.hit
    assert second.hit
    assert abs(second.count - first.count) == SCENE.joint[axis].encoder.counts
    turn = SCENE.joint[axis].motor.full_steps * SCENE.joint[axis].microsteps
    assert second.step - first.step == pytest.approx(sign * turn, abs=1)


def test_the_latch_is_made_at_the_tick_of_the_traced_edge(rig: Rig) -> None:
    rig.trace.start()
    latches = [seek(rig, 3, sign) for sign in (1, 1, -1)]
    z = rig.trace.signals().wave("J4.ENC.Z")
    rises = z.ticks[z.values == 1].tolist()
    assert all(min(abs(latch.tick - rise) for rise in rises) <= 1 for latch in latches)


def test_the_index_is_high_in_one_state_of_a_and_b_only(rig: Rig) -> None:
    """Gated to one A/B state: NI M-series manual; a quarter cycle wide, value from memory."""
    assert SCENE.encoder.index_gate == "11"
    rig.trace.start()
    seek(rig, 0, 1)
    seek(rig, 0, 1)
    rig.advance(rig.now + TICKS_PER_S // 10)
    signals = rig.trace.signals()
    a, b, z = (signals.wave(f"J1.ENC.{channel}") for channel in "ABZ")
    assert z.values.tolist() == [0, 1, 0, 1, 0]
    for rise, fall in z.ticks[1:].reshape(-1, 2):
        edges = np.concatenate([a.ticks, b.ticks])
        assert ((edges > rise) & (edges < fall)).sum() == 0
        for pin in (a, b):
            assert pin.values[np.searchsorted(pin.ticks, rise, side="right") - 1] == 1


def test_in_the_engine_it_comes_near_the_closed_forms(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    exact = seek(rig, 0, 1)
    with Rig(SCENE, 3, start_pose_deg=POSE) as other:
        for axis in range(6):
            other.card.enable(axis, True)
        other.card.set_rate(0, 3000)
        other.card.set_acceleration(0, 20_000)
        monkeypatch.setattr(Pose, "needs_engine", lambda self: True)
        found = seek(other, 0, 1)
        assert other.motion.engine
    # The rotor swings about where the closed form has it, by some counts at these ramps.
    assert found.count == pytest.approx(exact.count, abs=1)
    assert abs(found.tick - exact.tick) < 12 * SUBSTEP


def test_a_halt_that_is_not_armed_leaves_nothing_to_watch(rig: Rig) -> None:
    rig.card.arm_halt(0, "INDEX")
    assert rig.motion.waiting
    rig.card.arm_halt(0, "RISE")
    assert not rig.motion.waiting
    rig.card.arm_halt(0, "INDEX")
    rig.card.reset()
    assert not rig.motion.waiting
    rig.card.enable(0, True)
    assert seek(rig, 0, 1).hit
    assert not rig.motion.waiting


@pytest.mark.parametrize("fault", ["short@J1.ENC.Z/RAIL.0V", "open@J1.ENC.5V"])
def test_a_lost_index_never_comes(rig: Rig, fault: str) -> None:
    Injector(rig).insert(fault)
    assert not seek(rig, 0, 1, limit_s=2.5).hit
    assert rig.card.moving(0)


def test_a_floating_index_wire_may_give_one_by_its_hum(rig: Rig) -> None:
    """Common practice, no published source: an unpulled input picks up the mains."""
    Injector(rig).insert("open@J4.ENC.Z")
    hits = []
    for _ in range(10):
        rig.card.arm_halt(3, "INDEX")
        rig.run_until(lambda: rig.card.latch(3).hit, rig.now + TICKS_PER_S)
        hits.append(rig.card.latch(3))
    assert any(latch.hit for latch in hits)
    # The shaft has not moved.
    assert {latch.count for latch in hits if latch.hit} == {rig.card.count(3)}


def test_another_wire_on_the_index_comes_once_a_cycle(rig: Rig) -> None:
    Injector(rig).insert("swap@J1.ENC.A/J1.ENC.Z")
    first, second = seek(rig, 0, 1), seek(rig, 0, 1)
    assert first.hit
    assert second.hit
    assert second.step - first.step < 100
