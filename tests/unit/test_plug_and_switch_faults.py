"""Faults of whole plugs and of a switch's contact: what they do to counts, inputs and rails."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import pytest

from dryrig.errors import FaultError
from dryrig.faults import Injector, enumerate_faults
from dryrig.scenes import load_scene
from dryrig.sim import TICKS_PER_S, Rig

SCENE = load_scene("heron")
J2, J3, J5 = 1, 2, 4
VOLTS = 0.02  # the meter's 0.5 % of 3.3 V, rounded up


@pytest.fixture
def rig() -> Iterator[Rig]:
    with Rig(SCENE, 5) as rig:
        yield rig


def wait(rig: Rig, time_s: float = 0.1) -> None:
    rig.advance(rig.now + round(time_s * TICKS_PER_S))


def levels(rig: Rig, presses: int = 2) -> list[int]:
    """Levels of J5's switch input: pressed, let go, and so on."""
    seen = []
    for _ in range(presses):
        for act in (rig.hands.press, rig.hands.release):
            act(J5)
            wait(rig)
            seen.append(rig.level(J5))
    return seen


def test_a_contact_that_sticks_pressed_stays_until_it_is_mended(rig: Rig) -> None:
    injector = Injector(rig)
    assert rig.level(J5) == 0
    injector.insert("stuck@J5.SW")
    wait(rig)
    assert rig.level(J5) == 0  # it sticks once it gets there
    assert levels(rig) == [1, 1, 1, 1]
    injector.remove("stuck@J5.SW")
    wait(rig)
    assert rig.level(J5) == 0
    assert levels(rig) == [1, 0, 1, 0]


def test_a_contact_that_sticks_at_rest_never_operates(rig: Rig) -> None:
    injector = Injector(rig)
    injector.insert("stuck@J5.SW,on=1")
    assert levels(rig) == [0, 0, 0, 0]
    rig.hands.press(J5)
    injector.clear()
    wait(rig)
    assert rig.level(J5) == 1


def test_in_and_out_at_one_instant_leaves_no_trace(rig: Rig) -> None:
    rig.trace.start()
    injector = Injector(rig)
    for fault in ("stuck@J5.SW", "stuck@J5.SW,on=1", "cross@J2.SW/J3.SW"):
        injector.insert(fault)
        injector.remove(fault)
    wait(rig)
    # Each pin has its first entry and nothing after it.
    assert rig.trace.edges == 0
    assert levels(rig, 1) == [1, 0]


def test_three_joined_terminals_pull_the_rail_down_to_its_current_limit(rig: Rig) -> None:
    supply = SCENE.supplies.v3v3
    before = rig.meter.volts("RAIL.3V3", "RAIL.0V")
    Injector(rig).insert("soaked@J5.SW")
    after = rig.meter.volts("RAIL.3V3", "RAIL.0V")
    assert before == pytest.approx(supply.volts, rel=0.02)
    # Two conductors of 2.4 m at 0.12 ohm/m with two crimps each (spread 20 %), two joins of 0.05.
    loop_ohm = 2 * (2.4 * 0.12 + 0.02) + 0.1
    assert after == pytest.approx(supply.limit_a * loop_ohm, rel=0.2)


def test_crossed_encoder_plugs_count_for_the_neighbour(rig: Rig) -> None:
    rig.hands.set_motor_supply(False)
    Injector(rig).insert("cross@J2.ENC/J3.ENC")
    before = [rig.card.count(axis) for axis in range(6)]
    rig.hands.turn(J2, 5.0)
    wait(rig, 1.0)
    moved = [rig.card.count(axis) - was for axis, was in enumerate(before)]
    # 4000 counts a motor turn, ratio 25, direction -1.
    assert moved[J3] == pytest.approx(-5.0 * 4000 * 25 / 360, abs=1)
    assert [n for axis, n in enumerate(moved) if axis != J3] == [0] * 5


def test_a_plug_that_is_out_leaves_every_pin_without_its_rail(rig: Rig) -> None:
    Injector(rig).insert("unplug@J5.ENC")
    assert abs(rig.meter.volts("J5.ENC.5V", "RAIL.0V")) < VOLTS
    assert rig.meter.volts("RAIL.5V", "RAIL.0V") > 4.9
    assert rig.meter.volts("J3.ENC.5V", "J3.ENC.0V") > 4.9


def test_plugs_of_two_sorts_do_not_fit(rig: Rig) -> None:
    injector = Injector(rig)
    with pytest.raises(FaultError, match=r"^fault 'cross@J2.ENC/J3.SW': plugs of two sorts do not"):
        injector.insert("cross@J2.ENC/J3.SW")
    with pytest.raises(FaultError, match=r"no place 'J2.ENK' for unplug \(did you mean 'J2.ENC'"):
        injector.insert("unplug@J2.ENK")
    assert injector.listed() == []


def test_the_catalogue_has_every_plug_every_neighbour_and_every_rail() -> None:
    names = list(enumerate_faults(SCENE))
    assert (
        sum(name.startswith("unplug@") for name in names) == 6 * 5 + 2
    )  # the tool's, the STOP button's
    assert sum(name.startswith("cross@") for name in names) == 5 * 5
    rails = {name.partition("/")[2] for name in names if name.startswith("short@J5.DIR/RAIL.")}
    assert rails == {"RAIL.24V", "RAIL.5V", "RAIL.3V3", "RAIL.0V"}
    assert "short@J5.ENC.5V/RAIL.5V" not in names


def test_a_meter_at_an_encoder_follows_its_shaft(rig: Rig) -> None:
    """Gray code: of A and B one changes with every count."""
    rig.hands.set_motor_supply(False)
    seen = []
    for _ in range(5):
        high = [rig.meter.volts(f"J5.ENC.{c}", "J5.ENC.0V") > 2.5 for c in ("A", "B")]
        seen.append(tuple(high))
        rig.hands.turn(J5, 360 / (4000 * 18))
        wait(rig)
    assert len(set(seen[:4])) == 4
    assert seen[4] == seen[0]
    assert all((a[0] != b[0]) != (a[1] != b[1]) for a, b in pairwise(seen))
