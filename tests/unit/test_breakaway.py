"""Friction at rest is greater than in motion, in the engine as in the closed form.

Any text on friction (stick and slip; common practice, no published source): what rests stays until
its load exceeds the greater; what moves is braked by the lesser.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from dryrig.scenes import load_scene
from dryrig.sim import TICKS_PER_S, Rig

SCENE = load_scene("heron")
LEVEL = [0, 0, 0, 0, 0, 0]


@contextmanager
def sticky(joint: int, friction_n_m: float, breakaway: float) -> Iterator[Rig]:
    part = SCENE.joint[joint].model_copy(
        update={"friction_n_m": friction_n_m, "breakaway": breakaway}
    )
    joints = (*SCENE.joint[:joint], part, *SCENE.joint[joint + 1 :])
    tolerances = SCENE.tolerances.model_copy(update={"friction": 0.0})
    scene = SCENE.model_copy(update={"joint": joints, "tolerances": tolerances})
    with Rig(scene, 3, start_pose_deg=LEVEL) as rig:
        yield rig


def gravity_n_m(rig: Rig) -> float:
    return abs(rig.body.inverse_dynamics([0.0] * 6, [0.0] * 6, [0.0] * 6)[1])


@pytest.mark.parametrize(("share", "breakaway", "holds"), [(0.9, 1.2, True), (0.9, 1.0, False)])
def test_a_limp_joint_holds_what_only_friction_at_rest_can(
    share: float, breakaway: float, holds: bool
) -> None:
    with sticky(1, share * 12.1, breakaway) as rig:
        assert share * gravity_n_m(rig) == pytest.approx(share * 12.1, rel=0.02)
        for axis in (0, 2, 3, 4, 5):
            rig.card.enable(axis, True)
        rig.advance(TICKS_PER_S // 10)
        rig.hands.set_stand(False)
        rig.advance(rig.now + 2 * TICKS_PER_S)
        assert (rig.truth_deg()[1] > -0.1) == holds


def test_once_pushed_it_does_not_stop_again() -> None:
    with sticky(1, 0.9 * 12.1, 1.2) as rig:
        for axis in (0, 2, 3, 4, 5):
            rig.card.enable(axis, True)
        rig.advance(TICKS_PER_S // 10)
        rig.hands.set_stand(False)
        rig.hands.turn(1, -3.0)
        rig.run_until(lambda: not rig.hands.busy, rig.now + TICKS_PER_S)
        rig.advance(rig.now + 3 * TICKS_PER_S)
        assert rig.truth_deg()[1] < -10


def test_a_reversal_begins_when_the_lag_of_rest_is_overcome_and_follows_at_that_of_motion() -> None:
    """friction / (holding torque x ratio x efficiency) is the sine of the load angle; one microstep
    in 16 is 5.625 electrical degrees, 50 turns of which make one of the rotor."""
    with sticky(0, 4.0, 1.5) as rig:
        joint = SCENE.joint[0]
        electrical = joint.ratio * 50
        peak = rig.individual.holding_n_m[0] * joint.ratio * joint.efficiency
        slides, sticks = (math.degrees(math.asin(n_m / peak)) for n_m in (4.0, 6.0))
        rig.card.enable(0, True)
        rig.advance(TICKS_PER_S // 2)
        rig.card.set_acceleration(0, 500)
        rig.card.set_rate(0, 200)
        rig.card.move(0, 400)
        rig.advance(rig.now + 4 * TICKS_PER_S)
        rest = rig.truth_deg()[0]
        steps = 0
        while abs(rig.truth_deg()[0] - rest) < 1e-9:
            steps += 1
            assert steps < 20
            rig.card.move(0, -1)
            rig.advance(rig.now + TICKS_PER_S // 4)
        assert steps == math.ceil((slides + sticks) / 5.625)
        assert not rig.motion.engine
        moved = (rest - rig.truth_deg()[0]) * electrical
        assert moved == pytest.approx(steps * 5.625 - 2 * slides, abs=0.6)
