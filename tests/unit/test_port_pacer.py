from __future__ import annotations

from collections.abc import Iterator

import pytest

from dryrig.protocol.pacer import GIVE_UP_S, Pacer
from dryrig.protocol.station import Station
from dryrig.sim.clock import TICKS_PER_S


class Wall:
    """A wall clock that runs only when told to, and a little at each look."""

    def __init__(self) -> None:
        self.now_s = 1000.0
        self.look_s = 0.0

    def __call__(self) -> float:
        self.now_s += self.look_s
        return self.now_s


@pytest.fixture
def station() -> Iterator[Station]:
    with Station.build("heron", seed=1) as station:
        yield station


def rig_s(station: Station) -> float:
    return station.rig.now / TICKS_PER_S


def test_rig_time_follows_wall_time_without_adding_up_errors(station: Station) -> None:
    wall = Wall()
    pacer = Pacer(station, wall)
    for late_s in (0.001, 0.0135, 0.0002, 0.1):
        wall.now_s += late_s
        assert pacer.catch_up()
    assert rig_s(station) == pytest.approx(0.1147, abs=1e-6)


def test_pace_can_change_under_way(station: Station) -> None:
    wall = Wall()
    station.pace = 20.0
    pacer = Pacer(station, wall)
    wall.now_s += 0.1
    pacer.catch_up()
    assert rig_s(station) == pytest.approx(2.0, abs=1e-6)
    station.pace = 0.5
    pacer.catch_up()
    wall.now_s += 1.0
    pacer.catch_up()
    assert rig_s(station) == pytest.approx(2.5, abs=1e-6)


def test_a_turn_of_work_is_bounded(station: Station) -> None:
    wall = Wall()
    pacer = Pacer(station, wall)
    wall.now_s += 0.2
    wall.look_s = 0.004
    assert not pacer.catch_up()
    assert rig_s(station) < 0.05
    wall.look_s = 0.0
    assert pacer.catch_up()
    assert rig_s(station) == pytest.approx(wall.now_s - 1000.0, abs=1e-6)


def test_a_rig_that_cannot_keep_up_is_not_chased(station: Station) -> None:
    wall = Wall()
    pacer = Pacer(station, wall)
    wall.now_s += 4 * GIVE_UP_S
    wall.look_s = 0.02
    assert not pacer.catch_up()
    lost_s = wall.now_s - 1000.0 - rig_s(station)
    assert lost_s > 3 * GIVE_UP_S
    wall.look_s = 0.0
    wall.now_s += 0.1
    before_s = rig_s(station)
    assert pacer.catch_up()
    assert rig_s(station) - before_s < 0.15
