"""Closed form and engine agree; what slips slips by whole wells; what is limp falls."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from dryrig.faults import Injector
from dryrig.scenes import Scene, load_scene
from dryrig.sim import TICKS_PER_S, Rig

SCENE: Scene = load_scene("heron")
POSE = [0.0, 20.0, -60.0, 0.0, 10.0, 0.0]


@pytest.fixture
def rig() -> Iterator[Rig]:
    with Rig(SCENE, 3, start_pose_deg=POSE) as rig:
        yield rig


def enable_all(rig: Rig) -> None:
    for axis in range(rig.card.axes):
        rig.card.enable(axis, True)


def at_deg_per_s(rig: Rig, axis: int, rate: float, acceleration: float = 100.0) -> float:
    unit = SCENE.joint[axis].steps_per_deg
    rig.card.set_rate(axis, rate * unit)
    rig.card.set_acceleration(axis, acceleration * unit)
    return unit


def wait(rig: Rig, seconds: float = 60.0) -> bool:
    return rig.run_until(
        lambda: not any(rig.card.moving(axis) for axis in range(rig.card.axes)),
        rig.now + round(seconds * TICKS_PER_S),
    )


def coordinated_move(rig: Rig) -> list[tuple[float, ...]]:
    seen = []
    for axis, deg in enumerate((30, -20, 40, 60, -30, 50)):
        rig.card.move(axis, round(deg * at_deg_per_s(rig, axis, 20.0)))
    for _ in range(45):
        rig.advance(rig.now + TICKS_PER_S // 10)
        seen.append(rig.truth_deg())
    return seen


def test_the_closed_form_stays_with_the_engine(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    """The engine rings after every change of acceleration; the closed form is its middle."""
    enable_all(rig)
    locked = coordinated_move(rig)
    assert not rig.motion.engine
    with Rig(SCENE, 3, start_pose_deg=POSE) as other:
        enable_all(other)
        monkeypatch.setattr(other.motion, "_agree", lambda tick: False)
        other.motion._start_engine(other.now)
        slipping = coordinated_move(other)
        assert other.motion.engine
    gaps = [
        abs(one - two)
        for a, b in zip(locked, slipping, strict=True)
        for one, two in zip(a, b, strict=True)
    ]
    assert max(gaps) < 0.03
    # At rest both lie within the play that friction leaves a rotor (J6: 0.005 deg either side).
    assert max(gaps[-6:]) < 0.01


def test_time_may_be_cut_into_any_pieces(rig: Rig) -> None:
    enable_all(rig)
    whole = coordinated_move(rig)
    with Rig(SCENE, 3, start_pose_deg=POSE) as other:
        enable_all(other)
        for axis, deg in enumerate((30, -20, 40, 60, -30, 50)):
            other.card.move(axis, round(deg * at_deg_per_s(other, axis, 20.0)))
        while other.now < rig.now:
            other.advance(min(other.now + 77_777, rig.now))
            other.truth_deg()
        assert other.truth_deg() == whole[-1]
        assert [other.card.count(axis) for axis in range(6)] == [
            rig.card.count(axis) for axis in range(6)
        ]


def test_a_stall_at_a_stop_loses_whole_multiples_of_four_full_steps(rig: Rig) -> None:
    """Published: a stepper slips by whole multiples of four full steps (7.2 degrees at 200)."""
    enable_all(rig)
    unit = at_deg_per_s(rig, 0, 20.0)
    before = rig.truth_deg()[0]
    rig.card.run(0, -1)
    rig.advance(rig.now + 12 * TICKS_PER_S)
    assert rig.motion.engine
    assert rig.truth_deg()[0] == pytest.approx(SCENE.joint[0].stops_deg[0], abs=0.3)
    rig.card.abort(0)
    assert wait(rig)
    rig.card.move(0, round(30 * unit))
    assert wait(rig)
    rig.advance(rig.now + TICKS_PER_S)
    assert not rig.motion.engine
    lost = rig.truth_deg()[0] - before - rig.card.steps(0) / unit
    well = 7.2 / SCENE.joint[0].ratio
    assert abs(lost) > 10 * well
    assert lost / well == pytest.approx(round(lost / well), abs=0.02)


def test_limp_links_rest_on_the_stand_and_fall_without_it(rig: Rig) -> None:
    start = rig.truth_deg()
    rig.advance(TICKS_PER_S)
    assert rig.truth_deg() == start
    rig.hands.set_stand(False)
    rig.advance(rig.now + 2 * TICKS_PER_S)
    assert rig.truth_deg()[1] < start[1] - 10
    assert rig.touching()  # the table has it
    rig.advance(rig.now + 60 * TICKS_PER_S)
    assert rig.motion.resting


def test_a_hand_leads_a_limp_joint_and_strains_at_a_live_one(rig: Rig) -> None:
    start = rig.truth_deg()[4]
    rig.hands.turn(4, 8.0)
    rig.run_until(lambda: not rig.hands.busy, rig.now + TICKS_PER_S)
    assert rig.hands.feel(4) == "FREE"
    assert rig.truth_deg()[4] == pytest.approx(start + 8.0, abs=0.01)
    enable_all(rig)
    held = rig.truth_deg()[1]
    rig.hands.turn(1, 8.0)
    rig.run_until(lambda: not rig.hands.busy, rig.now + TICKS_PER_S)
    assert rig.hands.feel(1) == "STIFF"
    rig.advance(rig.now + TICKS_PER_S)
    assert rig.truth_deg()[1] == pytest.approx(held, abs=0.02)


def test_a_hand_stops_at_a_stop(rig: Rig) -> None:
    rig.hands.turn(2, 120.0)
    rig.run_until(lambda: not rig.hands.busy, rig.now + 20 * TICKS_PER_S)
    assert rig.hands.feel(2) == "STOP"
    assert rig.truth_deg()[2] == pytest.approx(SCENE.joint[2].stops_deg[1], abs=0.1)


def test_a_halt_latches_the_edge_and_brakes(rig: Rig) -> None:
    enable_all(rig)
    unit = at_deg_per_s(rig, 2, 15.0)
    rig.card.arm_halt(2, "RISE")
    rig.card.run(2, 1)
    assert wait(rig)
    latch = rig.card.latch(2)
    braking = 15.0**2 / (2 * 100.0)
    assert latch.hit
    assert (rig.card.steps(2) - latch.step) / unit == pytest.approx(braking, abs=1.01 / unit)
    assert latch.tick < rig.now
    tripped = rig.individual.switch_deg[2]
    # 1 ms of contact transfer at 15 deg/s lies between cam and edge.
    at_edge = rig.truth_deg()[2] - braking
    assert at_edge == pytest.approx(tripped + 0.015, abs=SCENE.switch.repeat_deg + 0.02)


def test_weak_current_slips_under_load() -> None:
    with Rig(SCENE, 0, start_pose_deg=[0, 0, 0, 0, 0, 0]) as rig:
        Injector(rig).insert("weak@J2.MOTOR,current=0.2")
        enable_all(rig)
        rig.hands.set_stand(False)
        rig.advance(rig.now + 2 * TICKS_PER_S)
        assert rig.truth_deg()[1] < -10


@pytest.mark.parametrize("fault", ["weak@J2.MOTOR,current=0.2", "slip@J2.COUPLING"])
def test_the_stand_catches_a_live_link_that_its_motor_cannot_hold(fault: str) -> None:
    """It sinks by a well; the stand is lowered as far as the motor is moved down, not raised."""
    with Rig(SCENE, 3, start_pose_deg=[0, 10, -10, 0, 0, 0]) as rig:
        Injector(rig).insert(fault)
        enable_all(rig)
        rig.advance(rig.now + TICKS_PER_S)
        assert rig.motion.resting
        caught = rig.truth_deg()[1]
        assert 9.3 < caught < 9.9
        unit = SCENE.joint[1].direction * at_deg_per_s(rig, 1, 10.0)
        for deg, expected in ((5.0, 0.0), (-5.0, -5.0), (5.0, -5.0)):
            rig.card.move(1, round(deg * unit))
            assert wait(rig)
            assert rig.truth_deg()[1] == pytest.approx(caught + expected, abs=0.5)
        rig.hands.set_stand(False)
        rig.advance(rig.now + 2 * TICKS_PER_S)
        assert rig.truth_deg()[1] < -8
        assert rig.touching()


def test_a_meter_shows_the_average_of_a_train_of_steps(rig: Rig) -> None:
    """Common practice, no published source: 5 us pulses of 5 V at 2 kHz read 0.05 V."""
    enable_all(rig)
    rig.card.set_rate(3, 2000.0)
    rig.card.run(3, 1)
    rig.advance(rig.now + TICKS_PER_S)
    assert rig.meter.volts("CARD.J4.STEP", "RAIL.0V") == pytest.approx(0.05, abs=0.005)
    rig.card.abort(3)
    assert wait(rig)
    assert abs(rig.meter.volts("CARD.J4.STEP", "RAIL.0V")) < 0.005
