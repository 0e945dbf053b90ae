"""Optocouplers of a drive: late DIR, under-driven inputs."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from dryrig.faults import Injector
from dryrig.scenes import Scene, load_scene
from dryrig.sim import TICKS_PER_S, Rig
from dryrig.sim.opto import Opto

SCENE: Scene = load_scene("heron")
POSE = [0.0, 60.0, -90.0, 0.0, 30.0, 0.0]
AXIS = 3
MICROSTEP_DEG = 360 / (200 * 16 * 16)


@pytest.fixture
def rig() -> Iterator[Rig]:
    with Rig(SCENE, 3, start_pose_deg=POSE) as rig:
        for axis in range(rig.card.axes):
            rig.card.enable(axis, True)
        rig.card.set_rate(AXIS, 3000)
        rig.card.set_acceleration(AXIS, 40_000)
        yield rig


def move(rig: Rig, steps: int) -> None:
    rig.card.move(AXIS, steps)
    assert rig.run_until(lambda: not rig.card.moving(AXIS), rig.now + 60 * TICKS_PER_S)
    rig.advance(rig.now + TICKS_PER_S // 10)


def lost(rig: Rig, reversals: int, steps: int) -> float:
    """Microsteps by which J4 is off after so many there-and-backs."""
    move(rig, steps)
    move(rig, -steps)
    before = rig.truth_deg()[AXIS]
    for _ in range(reversals):
        move(rig, steps)
        move(rig, -steps)
    return (rig.truth_deg()[AXIS] - before) / MICROSTEP_DEG


def test_a_late_dir_that_is_over_before_the_first_pulse_loses_nothing(rig: Rig) -> None:
    late_s = SCENE.card.direction_lead_s - SCENE.drive.opto_off_s
    Injector(rig).insert(f"lag@J4.DRIVE,s={0.9 * late_s}")
    assert lost(rig, 3, 200) == pytest.approx(0, abs=0.01)


def test_the_first_pulse_follows_dir_by_its_lead(rig: Rig) -> None:
    rig.trace.start()
    move(rig, 50)
    move(rig, -50)
    step, direction = (rig.trace.signals().wave(f"J4.{pin}") for pin in ("STEP", "DIR"))
    rises = step.ticks[step.values == 1]
    assert len(rises) == 100
    for change in direction.ticks[1:]:
        first = rises[np.searchsorted(rises, change)]
        assert first - change == round(SCENE.card.direction_lead_s * TICKS_PER_S)


@pytest.mark.parametrize("extra_ohm", [0, 400, 520, 530, 540, 570, 600, 700])
def test_what_an_under_driven_step_input_loses(rig: Rig, extra_ohm: int) -> None:
    """Common practice, no published source: dead, or short by odd microsteps.

    LED current by Ohm's law: (5.05 - 1.2) V over opto, output and the bad contact.
    """
    if extra_ohm:
        Injector(rig).insert(f"resist@J4.STEP,ohm={extra_ohm}")
    before = rig.truth_deg()[AXIS]
    move(rig, 1600)
    moved = (rig.truth_deg()[AXIS] - before) / MICROSTEP_DEG
    amps = (5.05 - 1.2) / (330 + 25 + extra_ohm)
    if extra_ohm <= 400:
        assert moved == pytest.approx(1600, abs=1.5)
    elif extra_ohm < 540:
        assert 0 < moved < 1590
        assert moved == pytest.approx(1600 * Opto(SCENE).taken(amps), abs=250)
    elif extra_ohm >= 570:
        assert moved == pytest.approx(0, abs=1.5)
    if amps < SCENE.drive.opto_threshold_a:
        assert moved == pytest.approx(0, abs=1.5)


def test_the_width_needed_grows_as_the_current_falls() -> None:
    opto = Opto(SCENE)
    sound = (5.05 - 1.2) / 355
    needs = [opto.on_s(amps) for amps in (0.02, sound, 0.006, 0.0045, 0.00401)]
    assert needs == sorted(needs)
    assert opto.on_s(sound) == pytest.approx(SCENE.drive.pulse_min_s)
    assert opto.on_s(SCENE.drive.opto_threshold_a) == float("inf")
    shares = [opto.taken(amps) for amps in (sound, 0.0045, 0.0044, 0.0043, 0.004)]
    assert shares == sorted(shares, reverse=True)
    assert shares[0] == 1
    assert shares[-1] == 0


def test_an_unlit_threshold_is_dead_whatever_the_pulse(rig: Rig) -> None:
    Injector(rig).insert("open@J4.STEP")
    before = rig.truth_deg()[AXIS]
    move(rig, 1600)
    assert rig.truth_deg()[AXIS] == pytest.approx(before, abs=1e-6)
