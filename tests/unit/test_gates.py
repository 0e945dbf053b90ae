"""When a fault acts: time, angle, chance, wiggling; what it switches is parts alone."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from dryrig.errors import FaultError
from dryrig.faults import Injector, parse_fault
from dryrig.faults.line import TO_HOST, LineByte
from dryrig.scenes import load_scene
from dryrig.sim import TICKS_PER_S, Rig

SCENE = load_scene("heron")
WIRE = "J5.SW.COM"


@pytest.fixture
def rig() -> Iterator[Rig]:
    with Rig(SCENE, 3, start_pose_deg=[0, 20, -60, 0, 10, 0]) as rig:
        yield rig


def broken(rig: Rig) -> bool:
    return rig.harness.parts.ohm[WIRE] > 1e9


def watch(rig: Rig, seconds: float) -> list[bool]:
    """Broken or not, every 20 ms."""
    seen = []
    for _ in range(round(seconds * 50)):
        rig.advance(rig.now + TICKS_PER_S // 50)
        seen.append(broken(rig))
    return seen


def test_a_time_window_opens_and_closes_on_the_tick(rig: Rig) -> None:
    injector = Injector(rig)
    injector.insert(f"open@{WIRE},from=1,to=2.5")
    assert not broken(rig)
    rig.advance(TICKS_PER_S - 1)
    assert not broken(rig)
    rig.advance(TICKS_PER_S)
    assert broken(rig)
    rig.advance(5 * TICKS_PER_S // 2)
    assert not broken(rig)
    assert injector.listed() == [f"open@{WIRE},from=1,to=2.5"]


def test_a_flexing_cable_breaks_over_a_span_of_its_joints_angle(rig: Rig) -> None:
    Injector(rig).insert(f"open@{WIRE},low=12,high=15")
    rig.hands.turn(4, 10.0, 10.0)
    spans = []
    while rig.hands.busy:
        rig.advance(rig.now + TICKS_PER_S // 100)
        if broken(rig):
            spans.append(rig.truth_deg()[4])
    assert spans
    # Looked at every 10 ms: 0.1 deg at 10 deg/s.
    assert min(spans) == pytest.approx(12, abs=0.2)
    assert max(spans) == pytest.approx(15, abs=0.2)


def test_chance_is_seeded_and_keeps_its_share(rig: Rig) -> None:
    Injector(rig).insert(f"open@{WIRE},duty=0.3")
    seen = watch(rig, 4.0)
    assert 0.15 < sum(seen) / len(seen) < 0.45
    with Rig(SCENE, 3, start_pose_deg=[0, 20, -60, 0, 10, 0]) as again:
        Injector(again).insert(f"open@{WIRE},duty=0.3")
        assert watch(again, 4.0) == seen


def test_a_loose_conductor_shows_only_while_its_cable_is_wiggled(rig: Rig) -> None:
    Injector(rig).insert(f"open@{WIRE},wiggle=1")
    assert not any(watch(rig, 1.0))
    rig.hands.wiggle(0)
    assert not any(watch(rig, 1.0))
    rig.hands.wiggle(4)
    assert any(watch(rig, 0.9))
    rig.advance(rig.now + TICKS_PER_S)
    assert not any(watch(rig, 1.0))


def test_taking_a_gated_fault_out_stops_its_gate(rig: Rig) -> None:
    injector, sound = Injector(rig), rig.harness.parts.to_dict()
    injector.insert(f"open@{WIRE},duty=0.5")
    injector.remove(f"open@{WIRE},duty=0.5")
    rig.advance(rig.now + TICKS_PER_S)
    assert not any(watch(rig, 1.0))
    assert rig.harness.parts.to_dict() == sound


def test_gates_are_part_of_the_grammar() -> None:
    assert parse_fault(f"open@{WIRE},to=2,low=-3").text == f"open@{WIRE},to=2,low=-3"
    with pytest.raises(FaultError, match=r"duty: got '2', expected 0 to 1 of the time, by chance$"):
        parse_fault(f"open@{WIRE},duty=2")
    with pytest.raises(FaultError, match=r"no parameter 'wigle' \(did you mean 'wiggle'\?\)"):
        parse_fault(f"open@{WIRE},wigle=1")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("open@J1.DIR,from=5,to=1", r"from=5 must lie below to=1, or it never acts$"),
        ("open@J1.DIR,low=10,high=-10", r"low=10 must lie below high=-10, or it never acts$"),
        ("resist@J1.DIR,ohm=5,ohm=6", r"ohm is given twice$"),
        ("stuck@J5.SW,on=1.5", r"on: got '1.5', expected a whole number, 1 to 2 1: at rest"),
        ("short@RAIL.5V/RAIL.0V,wiggle=1", r"wiggle needs a place at a joint$"),
        ("drop@LINE,low=0", r"low needs a place at a joint$"),
    ],
)
def test_a_gate_that_cannot_work_is_refused(rig: Rig, text: str, message: str) -> None:
    with pytest.raises(FaultError, match=message):
        Injector(rig).insert(text)


def test_a_filter_on_the_line_keeps_its_chances_when_other_faults_come_and_go(rig: Rig) -> None:
    def come(injector: Injector, first: int) -> list[str]:
        assert injector.line is not None
        sent = [LineByte(0, 65, TO_HOST, str(first + number)) for number in range(64)]
        return [byte.name for byte in injector.line(tuple(sent), {})[0]]

    injector = Injector(rig)
    injector.insert("drop@LINE,per=0.5")
    first = come(injector, 0)
    injector.insert("open@J1.DIR")
    second = come(injector, 64)
    assert 16 < len(first) < 48
    with Rig(SCENE, 3) as other:
        alone = Injector(other)
        alone.insert("drop@LINE,per=0.5")
        assert come(alone, 64) == second
        assert come(alone, 0) == first
