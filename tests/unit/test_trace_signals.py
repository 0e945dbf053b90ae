"""Traced angles, torques and volts, and the names of signals."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np
import pytest
from traced import JOINTS, POSE, SCENE, S, counted, moves

from dryrig.errors import TraceError
from dryrig.faults.inject import Injector
from dryrig.sim.rig import Rig
from dryrig.sim.vcd import leaf
from dryrig.sim.wave import Wave


@pytest.fixture
def rig() -> Iterator[Rig]:
    with Rig(SCENE, 5, start_pose_deg=POSE) as made:
        yield made


def test_signals_and_their_names(rig: Rig) -> None:
    rig.trace.start()
    moves(rig, rig.advance)
    names = rig.trace.signals().names
    assert len({leaf(name) for name in names}) == len(names)
    picked = rig.trace.waves(["J4.ENC.?", "RAIL.5V_V"])
    assert [wave.name for wave in picked] == [
        "J4.ENC.A",
        "J4.ENC.B",
        "J4.ENC.Z",
        "RAIL.5V_V",
    ]
    with pytest.raises(
        TraceError,
        match=r"^no signal 'J4\.ENC\.AA' in the trace: .* \(did you mean 'J4\.ENC\.A'\?\)$",
    ):
        rig.trace.waves(["J4.ENC.AA"])


def at(wave: Wave, tick: int) -> float:
    return float(wave.values[np.searchsorted(wave.ticks, tick, side="right") - 1])


def test_angles_torques_and_volts(rig: Rig) -> None:
    rig.trace.start()
    moves(rig, rig.advance)
    signals = rig.trace.signals()
    for joint in JOINTS:
        angle, shaft = (signals.wave(f"J{joint + 1}.{what}_DEG") for what in ("ANGLE", "SHAFT"))
        assert at(angle, rig.now) == pytest.approx(rig.truth_deg()[joint], abs=1e-9)
        motor = rig.motion.motor_rad(joint, rig.motion.shaft[joint])
        assert at(shaft, rig.now) == pytest.approx(math.degrees(motor), abs=1e-9)
    # Gravity pulls the level shoulder down, and nothing turns a vertical axis.
    assert at(signals.wave("J2.TORQUE_N_M"), rig.now) > 1.0
    assert abs(at(signals.wave("J1.TORQUE_N_M"), rig.now)) < 0.3
    switch, level = signals.wave("CARD.J6.SW.COM_V"), signals.wave("J6.SW")
    assert at(switch, rig.now) == pytest.approx(3.3 * at(level, rig.now), abs=0.1)
    assert set(np.round(switch.values).tolist()) == {0.0, 3.0}
    # An encoder's output goes up and down with its contacts.
    volts, pin = signals.wave("CARD.J1.ENC.A_V"), signals.wave("J1.ENC.A")
    for tick in (S, 3 * S // 2, 2 * S):
        assert at(volts, tick) == pytest.approx(5.0 * at(pin, tick), abs=0.2)


def test_another_ratio_on_the_way(rig: Rig) -> None:
    def session(rig: Rig, watch: Callable[[int], None]) -> None:
        moves(rig, watch, S)
        Injector(rig).insert("pulley@J1.GEAR,factor=0.5")
        watch(3 * S)

    rig.trace.start()
    session(rig, rig.advance)
    assert counted(rig, 0) == rig.card.count(0)
    wave = rig.trace.signals().wave("J1.SHAFT_DEG")
    chosen = [tick for tick in wave.ticks.tolist() if tick > S // 2 + 1][::3]
    assert len([tick for tick in chosen if tick > S]) > 20
    with Rig(SCENE, 5, start_pose_deg=POSE) as again:

        def check(until: int) -> None:
            while chosen and chosen[0] <= until:
                tick = chosen.pop(0)
                again.advance(tick)
                motor = again.motion.motor_rad(0, again.motion.places(tick)[1][0])
                assert at(wave, tick) == pytest.approx(math.degrees(motor), abs=0.05)
            again.advance(until)

        session(again, check)


def test_a_drive_without_supply_gives_no_torque(rig: Rig) -> None:
    rig.card.enable(1, True)
    rig.advance(S)
    rig.trace.start()
    rig.advance(2 * S)
    rig.hands.set_motor_supply(False)
    rig.advance(3 * S)
    torque = rig.trace.signals().wave("J2.TORQUE_N_M")
    assert at(torque, S) == at(torque, 2 * S - 1) > 1.0
    assert at(torque, 3 * S) == 0.0


def test_an_angle_is_sampled_along_its_parabola(rig: Rig) -> None:
    rig.trace.start()
    moves(rig, rig.advance, 3 * S // 2)
    wave = rig.trace.signals().wave("J1.ANGLE_DEG")
    chosen = [tick for tick in wave.ticks.tolist() if tick > S // 2 + 1][::5]
    with Rig(SCENE, 5, start_pose_deg=POSE) as again:

        def check(until: int) -> None:
            while chosen and chosen[0] <= until:
                tick = chosen.pop(0)
                again.advance(tick)
                assert again.truth_deg()[0] == pytest.approx(at(wave, tick), abs=1e-3)
            again.advance(until)

        moves(again, check, 3 * S // 2)
    assert not chosen
