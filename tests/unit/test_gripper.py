"""The gripper in the physics: what reaches the servo moves the fingers, an object stops them.

Hand calculations: time to close is way / speed; force on an object is stiffness x compression.
Pulses of 1 to 2 ms, 50 a second, for the travel of a model servo: common practice, no published
source.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from dryrig.errors import NoRoom
from dryrig.scenes import GripperPart, load_scene
from dryrig.sim import TICKS_PER_S, Rig
from dryrig.sim.gripper import Gripper
from dryrig.sim.io_card import IoCard
from dryrig.sim.servo_pulses import FRAME, ServoPulses

SCENE = load_scene("heron")
POSE = SCENE.rest_pose_deg
TICK_MM = 80 / TICKS_PER_S
assert SCENE.gripper is not None
PART: GripperPart = SCENE.gripper


@pytest.fixture
def rig() -> Iterator[Rig]:
    with Rig(SCENE, 3, start_pose_deg=POSE) as rig:
        wait(rig, 0.2)  # the servo starts up
        yield rig


def wait(rig: Rig, time_s: float) -> None:
    rig.advance(rig.now + round(time_s * TICKS_PER_S))


def gripper(rig: Rig) -> Gripper:
    assert rig.gripper is not None
    return rig.gripper


def io(rig: Rig) -> IoCard:
    assert rig.io is not None
    return rig.io


def opened(rig: Rig) -> Gripper:
    io(rig).set_width(2e-3)
    io(rig).set_servo(True)
    wait(rig, 1.0)
    assert gripper(rig).gap_mm() == pytest.approx(40.0)
    return gripper(rig)


@pytest.mark.parametrize(
    ("width_s", "gap_mm"), [(1e-3, 0.0), (1.25e-3, 10.0), (1.5e-3, 20.0), (2e-3, 40.0)]
)
def test_the_gap_follows_the_pulse_evenly(rig: Rig, width_s: float, gap_mm: float) -> None:
    io(rig).set_width(width_s)
    io(rig).set_servo(True)
    wait(rig, 1.0)
    assert gripper(rig).gap_mm() == pytest.approx(gap_mm, abs=1e-9)
    assert gripper(rig).force_n() == 0


@pytest.mark.parametrize(("width_s", "gap_mm"), [(0.5e-3, 0.0), (2.5e-3, 40.0)])
def test_beyond_its_travel_the_servo_presses_against_its_stop(
    rig: Rig, width_s: float, gap_mm: float
) -> None:
    resting_v = rig.meter.volts("IO.5V", "IO.0V")
    io(rig).set_width(width_s)
    io(rig).set_servo(True)
    wait(rig, 1.0)
    assert gripper(rig).gap_mm() == pytest.approx(gap_mm, abs=1e-9)
    ohm = sum(rig.harness.parts.ohm[f"IO.{wire}"] for wire in ("5V", "0V"))
    sag_v = resting_v - rig.meter.volts("IO.5V", "IO.0V")
    assert sag_v == pytest.approx((PART.stall_a - PART.idle_a) * (ohm + 0.05), rel=0.1)


def test_the_time_to_close_is_way_by_speed(rig: Rig) -> None:
    opened(rig)
    asked = rig.now
    io(rig).set_width(1e-3)
    frame = io(rig).pulses.phases[-1][0]
    assert 0 <= frame - asked < FRAME
    heard = frame + TICKS_PER_S // 1000
    rig.advance(heard - 1)
    assert gripper(rig).gap_mm() == pytest.approx(40.0)
    rig.advance(heard + TICKS_PER_S // 4)
    assert gripper(rig).gap_mm() == pytest.approx(40.0 - 0.25 * PART.speed_mm_s, abs=TICK_MM)
    closed = heard + round(PART.stroke_mm / PART.speed_mm_s * TICKS_PER_S)
    rig.advance(closed - 2)
    assert gripper(rig).gap_mm() > 0
    rig.advance(closed + 2)
    assert gripper(rig).gap_mm() == 0


def test_an_object_stops_the_fingers_when_its_force_is_the_servos(rig: Rig) -> None:
    hand = opened(rig)
    hand.put_object(20.0)
    io(rig).set_width(1e-3)
    wait(rig, 1.0)
    assert hand.gap_mm() == pytest.approx(20.0 - 30.0 / 20.0)  # N by N/mm
    assert hand.force_n() == pytest.approx(30.0)
    # Asked to be there, the fingers press with no more than the object gives.
    io(rig).set_width(1.475e-3)
    wait(rig, 1.0)
    assert hand.gap_mm() == pytest.approx(19.0)
    assert hand.force_n() == pytest.approx(20.0 * 1.0)


def test_the_contact_closes_at_its_force_at_the_tick_of_the_closed_form(rig: Rig) -> None:
    hand = opened(rig)
    hand.put_object(20.0)
    rig.trace.start()
    io(rig).set_width(1e-3)
    heard = io(rig).pulses.phases[-1][0] + TICKS_PER_S // 1000
    wait(rig, 1.0)
    (contact,) = rig.trace.waves(["IO.DI1"])
    way_mm = 40.0 - (20.0 - PART.contact_n / PART.object_n_per_mm)
    assert contact.values.tolist() == [0, 1]
    assert contact.ticks[1] == pytest.approx(heard + way_mm / PART.speed_mm_s * TICKS_PER_S, abs=2)


def test_an_object_taken_out_lets_the_fingers_close(rig: Rig) -> None:
    hand = opened(rig)
    hand.put_object(20.0)
    io(rig).set_width(1e-3)
    wait(rig, 1.0)
    assert io(rig).level(0) == 1
    hand.put_object(0.0)
    wait(rig, 1.0)
    assert (hand.gap_mm(), hand.force_n(), io(rig).level(0)) == (0.0, 0.0, 0)
    with pytest.raises(
        NoRoom,
        match=r"^an object of 20 mm does not fit: the fingers are 0 mm apart; open them first$",
    ):
        hand.put_object(20.0)


def test_without_pulses_the_servo_goes_limp_after_a_while_and_holds_by_friction(rig: Rig) -> None:
    hand = opened(rig)
    hand.put_object(20.0)
    io(rig).set_width(1e-3)
    wait(rig, 1.0)
    io(rig).set_servo(False)
    wait(rig, 0.5 * PART.lost_s)
    assert not hand.limp
    wait(rig, PART.lost_s)
    assert hand.limp
    assert hand.force_n() == pytest.approx(PART.friction_n)
    assert io(rig).level(0) == 1  # friction presses more than the contact needs


def test_a_step_within_the_dead_band_moves_nothing(rig: Rig) -> None:
    hand = opened(rig)
    io(rig).set_width(2e-3 - 0.9 * PART.dead_band_s)
    wait(rig, 0.5)
    assert hand.gap_mm() == pytest.approx(40.0)
    io(rig).set_width(2e-3 - 1.1 * PART.dead_band_s)
    wait(rig, 0.5)
    # A tick of the pulse's width is 0.003 mm.
    assert hand.gap_mm() == pytest.approx(40.0 - 1.1 * PART.dead_band_s / 1e-3 * 40.0, abs=4e-3)


def test_of_several_widths_in_one_frame_the_last_counts(rig: Rig) -> None:
    hand = opened(rig)
    for width_s in (1.0e-3, 1.2e-3, 1.5e-3):
        io(rig).set_width(width_s)
    wait(rig, 1.0)
    assert hand.gap_mm() == pytest.approx(20.0)


def test_the_potentiometer_reads_the_gap_to_a_turn_of_wire(rig: Rig) -> None:
    for width_s, gap_mm in ((1e-3, 0.0), (1.3e-3, 12.0), (1.75e-3, 30.0)):
        io(rig).set_width(width_s)
        io(rig).set_servo(True)
        wait(rig, 1.0)
        supply_v = rig.meter.volts("IO.5V", "IO.0V")
        share = io(rig).analog_v(0) / supply_v
        # A turn, and what 1 Mohm draws through up to a quarter of 5 kohm.
        assert share == pytest.approx(gap_mm / 40.0, abs=1 / PART.pot_turns + 0.003)


def test_a_gripper_at_rest_costs_no_events(rig: Rig) -> None:
    opened(rig)
    assert not rig.pending()
    before = rig.harness.circuit.known_v.copy()
    wait(rig, 1000.0)
    assert not rig.pending()
    assert (rig.harness.circuit.known_v == before).all()


def test_the_same_done_gives_the_same_edges() -> None:
    def run() -> str:
        with Rig(SCENE, 5, start_pose_deg=POSE) as rig:
            rig.trace.start()
            wait(rig, 0.2)
            opened(rig).put_object(15.0)
            io(rig).set_width(0.9e-3)
            wait(rig, 0.7)
            return f"{rig.trace.edges} {rig.trace.digest()}"

    assert run() == run()


def test_the_traced_pulses_are_as_wide_as_asked_and_a_frame_apart(rig: Rig) -> None:
    rig.trace.start()
    wait(rig, 0.01)
    began = rig.now
    io(rig).set_width(1.25e-3)
    io(rig).set_servo(True)
    wait(rig, 0.107)
    io(rig).set_width(1.75e-3)
    wait(rig, 0.1)
    io(rig).set_servo(False)
    wait(rig, 0.1)
    (pulses,) = rig.trace.waves(["IO.SERVO"])
    rises, falls = pulses.ticks[1::2], pulses.ticks[2::2]
    assert (np.diff(rises) == FRAME).all()
    assert rises[0] == began
    widths_us = (falls - rises) / TICKS_PER_S * 1e6
    assert widths_us.round(3).tolist() == [1250.0] * 6 + [1750.0] * 5
    (gap,) = rig.trace.waves(["GRIPPER.GAP_MM"])
    assert gap.values[-1] == pytest.approx(30.0)
    assert gap.unit == "mm"


def test_a_train_that_is_ended_and_begun_within_a_frame_goes_on() -> None:
    pulses = ServoPulses()
    pulses.change(1000, 18_000)
    pulses.change(2000, 0)
    pulses.change(3000, 18_000)
    assert pulses.phases == [(0, 0), (1000, 18_000)]
    assert pulses.next_end(3000) == (19_000, 18_000)
    assert pulses.next_end(19_000) == (19_000 + FRAME, 18_000)
    pulses.change(20_000, 0)
    assert pulses.next_end(20_000) is None
    assert pulses.running(20_000)
    assert not pulses.running(1000 + FRAME)


def test_the_meter_shows_the_pulses_as_their_average(rig: Rig) -> None:
    opened(rig)
    volts = rig.meter.volts("CARD.IO.SERVO", "RAIL.0V")
    assert volts == pytest.approx(5.05 * 2.0 / 20.0, rel=0.03)
    assert rig.meter.volts("IO.SERVO", "IO.0V") == pytest.approx(volts, abs=0.05)
