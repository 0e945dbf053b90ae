"""Faults of the second card's cable: what they do comes through its conductors."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from dryrig.faults import Injector, enumerate_faults
from dryrig.scenes import load_scene
from dryrig.sim import TICKS_PER_S, Rig
from dryrig.sim.gripper import Gripper
from dryrig.sim.io_card import IoCard

SCENE = load_scene("heron")


@dataclass
class Held:
    """An arm whose gripper holds an object of 20 mm; `faults` puts faults in."""

    rig: Rig
    card: IoCard
    hand: Gripper
    faults: Injector

    def wait(self, time_s: float) -> None:
        self.rig.advance(self.rig.now + round(time_s * TICKS_PER_S))

    def ask(self, width_s: float) -> float:
        """Give the servo a width; the gap a second later, in mm."""
        self.card.set_width(width_s)
        self.wait(1.0)
        return self.hand.gap_mm()


@pytest.fixture
def held() -> Iterator[Held]:
    with Rig(SCENE, 3, start_pose_deg=SCENE.rest_pose_deg) as rig:
        assert rig.io is not None
        assert rig.gripper is not None
        held = Held(rig, rig.io, rig.gripper, Injector(rig))
        held.wait(0.2)
        held.card.set_servo(True)
        held.ask(2e-3)
        held.hand.put_object(20.0)
        assert held.ask(1e-3) == pytest.approx(18.5)
        assert [held.card.level(n) for n in (0, 1)] == [1, 0]
        yield held


def test_the_catalogue_holds_every_conductor_of_the_cable() -> None:
    listed = set(enumerate_faults(SCENE))
    wires = [f"IO.{name}" for name in ("5V", "0V", "SERVO", "DI1", "DI2", "DO1", "AI1")]
    assert {f"open@{wire}" for wire in wires} <= listed
    assert {"unplug@IO", "swap@IO.SERVO/IO.DI1", "short@IO.DI1/RAIL.0V"} <= listed
    assert {"frozen@CARD.IO.SERVO", "frozen@CARD.IO.DI1,level=2", "drift@CARD.IO.DI2"} <= listed
    # Not to the rail a conductor starts on, nor pins of two cables.
    assert not {"short@IO.5V/RAIL.5V", "short@IO.DI1/J1.DIR"} & listed


@pytest.mark.parametrize(
    "fault", ["open@IO.SERVO", "open@IO.5V", "open@IO.0V", "unplug@IO", "short@IO.SERVO/IO.0V",
              "swap@IO.SERVO/IO.DO1", "frozen@CARD.IO.SERVO", "frozen@CARD.IO.SERVO,level=2",
              "short@IO.SERVO/RAIL.5V"]
)  # fmt: skip
def test_without_signal_or_supply_the_fingers_go_limp_and_stay(held: Held, fault: str) -> None:
    held.faults.insert(fault)
    held.wait(0.5)
    assert held.hand.limp
    assert held.hand.force_n() == pytest.approx(5.0)  # friction holds what is left
    assert held.ask(2e-3) == pytest.approx(19.75)
    held.faults.clear()
    held.wait(1.0)
    assert held.hand.gap_mm() == pytest.approx(40.0)  # the servo heeds the pulses again


@pytest.mark.parametrize(
    ("fault", "levels"),
    [
        ("open@IO.DI1", [0, 0]),
        ("short@IO.DI1/RAIL.0V", [0, 0]),
        ("frozen@CARD.IO.DI1", [0, 0]),
        ("frozen@CARD.IO.DI2,level=2", [1, 1]),
        ("swap@IO.DI1/IO.DI2", [0, 1]),
        ("short@IO.DI1/IO.DI2", [1, 1]),
        ("short@IO.DI2/RAIL.5V", [1, 1]),
        ("unplug@IO", [0, 0]),
    ],
)
def test_inputs_read_what_reaches_their_pins(held: Held, fault: str, levels: list[int]) -> None:
    held.faults.insert(fault)
    held.wait(0.01)
    assert [held.card.level(n) for n in (0, 1)] == levels


def test_a_resistance_in_an_input_divides_with_its_pull_down(held: Held) -> None:
    # 5.05 V x 10 / (10 + R) kohm against 2.0 and 0.8 V.
    for ohm, level in ((4700, 1), (14_000, 1), (20_000, 1), (56_000, 0)):
        held.faults.insert(f"resist@IO.DI1,ohm={ohm}")
        held.wait(0.01)
        assert held.card.level(0) == level, ohm  # 20 kohm: undecided, it stays
        held.faults.clear()


def test_a_short_in_the_cable_is_felt_on_the_rail(held: Held) -> None:
    held.faults.insert("short@IO.5V/IO.0V")
    held.wait(0.5)
    assert held.rig.meter.volts("RAIL.5V", "RAIL.0V") < 1.5
    assert held.hand.limp


def test_a_resistance_in_the_supply_makes_the_servo_drop_out_when_it_pulls(held: Held) -> None:
    held.ask(2e-3)
    held.faults.insert("resist@IO.5V,ohm=10")
    held.wait(0.5)
    assert held.hand.gap_mm() == pytest.approx(40.0)
    assert held.rig.meter.volts("IO.5V", "IO.0V") > 4.8  # idle draws little
    # Moving draws 0.15 A: 3.4 V are left, it starts anew at each tenth of a second.
    held.card.set_width(1e-3)
    held.wait(0.3)
    assert 35.0 < held.hand.gap_mm() <= 40.0


def test_a_lamp_shows_its_wire(held: Held) -> None:
    held.card.set_output(0, True)
    assert held.hand.lamp_lit()
    held.faults.insert("open@IO.DO1")
    assert not held.hand.lamp_lit()
    assert held.card.output(0)
    held.faults.clear()
    held.card.set_output(0, False)
    assert not held.hand.lamp_lit()


@pytest.mark.parametrize(
    ("fault", "low_v", "high_v"), [("open@IO.AI1", 0.0, 0.01), ("open@IO.0V", 4.5, 5.12)]
)
def test_an_analog_input_reads_what_reaches_its_pin(
    held: Held, fault: str, low_v: float, high_v: float
) -> None:
    assert held.card.analog_v(0) == pytest.approx(5.05 * 18.5 / 40, abs=0.05)
    held.faults.insert(fault)
    assert low_v <= held.card.analog_v(0) <= high_v


def test_pulses_that_reach_an_input_are_read_as_they_are_at_that_time(held: Held) -> None:
    held.ask(2e-3)
    held.hand.put_object(0.0)
    held.faults.insert("short@IO.SERVO/IO.DI1")
    held.wait(0.1)
    start = held.card.pulses.phases[-1][0]
    frames = (held.rig.now - start) // 240_000 + 1
    seen = []
    for offset_s in (0.001, 0.003, 0.019):
        held.rig.advance(start + frames * 240_000 + round(offset_s * TICKS_PER_S))
        seen.append(held.card.level(0))
    assert seen == [1, 0, 0]


def test_the_gripper_of_an_arm_rebuilt_from_its_parts_alone_does_the_same(held: Held) -> None:
    held.faults.insert("swap@IO.SERVO/IO.DO1")
    parts = held.rig.harness.parts.to_dict()
    with Rig(SCENE, 3, start_pose_deg=SCENE.rest_pose_deg, parts=parts) as rig:
        assert rig.io is not None
        assert rig.gripper is not None
        rig.io.set_servo(True)
        rig.advance(TICKS_PER_S)
        assert rig.gripper.limp


def test_fingers_that_bind_stop_there_from_either_side(held: Held) -> None:
    """By hand: a spot of 0.2 mm at 12 mm ends a way at 12.1 from above, at 11.9 from below."""
    held.ask(2e-3)
    held.hand.put_object(0.0)
    held.faults.insert("jam@IO.GRIPPER,mm=12")
    before_v = held.rig.harness.look("IO.5V").volt("IO.5V")
    assert held.ask(1e-3) == pytest.approx(12.1)
    # The servo presses on with nothing between the fingers, which only the supply shows.
    assert held.card.level(0) == 0
    assert held.rig.harness.look("IO.5V").volt("IO.5V") < before_v - 0.02
    assert held.ask(2e-3) == pytest.approx(40.0)
    held.faults.remove("jam@IO.GRIPPER,mm=12")
    assert held.ask(1e-3) == pytest.approx(0.0)
    held.faults.insert("jam@IO.GRIPPER,mm=12")
    assert held.ask(2e-3) == pytest.approx(11.9)
    # Gone, the fingers go on by themselves to where the pulses ask.
    held.faults.clear()
    held.wait(1.0)
    assert held.hand.gap_mm() == pytest.approx(40.0)


def test_a_jam_weaker_than_the_servo_or_beyond_an_object_stops_nothing(held: Held) -> None:
    held.faults.insert("jam@IO.GRIPPER,mm=12")
    assert held.hand.gap_mm() == pytest.approx(18.5)
    assert held.hand.force_n() == pytest.approx(30.0)
    held.faults.clear()
    held.ask(2e-3)
    held.hand.put_object(0.0)
    held.faults.insert("jam@IO.GRIPPER,n=5,mm=12")
    assert held.ask(1e-3) == pytest.approx(0.0)
