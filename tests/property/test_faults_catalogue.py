"""What holds for every fault of the catalogue, one by one and for random pairs and triples."""

from __future__ import annotations

import json
import random
import subprocess
import sys
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dryrig.faults import KINDS, Injector, enumerate_faults
from dryrig.faults.grammar import parse_fault
from dryrig.scenes import load_scene
from dryrig.sim import TICKS_PER_S, Rig
from dryrig.sim.circuit import RAILS

SCENE = load_scene("heron")
CATALOGUE = list(enumerate_faults(SCENE))
ON_PARTS = [fault for fault in CATALOGUE if parse_fault(fault).kind.apply is not None]
SEED, POSE = 5, [0.0, 20.0, -60.0, 0.0, 10.0, 0.0]

_RUN = """
def outcome(rig, break_it=None, at_s=0.7123):
    from dryrig.sim import TICKS_PER_S
    rig.trace.start()
    for axis in range(6):
        rig.card.enable(axis, True)
        rig.card.set_rate(axis, 3000)
        rig.card.move(axis, 2000 if axis % 2 else -2000)
    rig.advance(int(at_s * TICKS_PER_S))
    if break_it is not None:
        break_it()
    rig.advance(int(1.0 * TICKS_PER_S))
    rig.hands.press(4)
    rig.advance(int(1.2 * TICKS_PER_S))
    rig.hands.release(4)
    rig.hands.set_motor_supply(False)
    rig.hands.turn(3, 3.0)
    rig.advance(int(1.5 * TICKS_PER_S))
    counts = [rig.card.count(axis) for axis in range(6)]
    return [rig.trace.edges, rig.trace.digest(), counts, list(rig.truth_deg())]
"""
_names: dict[str, Any] = {}
exec(_RUN, _names)
outcome = _names["outcome"]


def new_rig(parts: dict[str, Any] | None = None) -> Rig:
    return Rig(SCENE, SEED, start_pose_deg=POSE, parts=parts)


@pytest.fixture(scope="module")
def untouched() -> list[Any]:
    with new_rig() as rig:
        return list(outcome(rig))


@pytest.fixture(scope="module")
def standing() -> Iterator[Rig]:
    with new_rig() as rig:
        yield rig


def one_of_each_kind() -> list[str]:
    """A fault of each kind, at random places, and one more of the kinds with hundreds."""
    draw, chosen = random.Random(1), []
    for kind in KINDS:
        mine = [fault for fault in CATALOGUE if fault.partition("@")[0] == kind]
        chosen += draw.sample(mine, min(len(mine), 2 if len(mine) > 50 else 1))
    return chosen


SPREAD = one_of_each_kind()


def due(rig: Rig) -> str:
    """The parts that the rig is about to get, as text; nobody looks at the rig for it."""
    assert rig.due is not None
    return json.dumps(rig.due.to_dict())


def test_every_fault_goes_in_and_out_and_changes_something_meanwhile(standing: Rig) -> None:
    injector, sound = Injector(standing), json.dumps(standing.harness.parts.to_dict())
    assert len(CATALOGUE) > 1200
    for fault in CATALOGUE:
        injector.insert(fault)
        assert (due(standing) != sound) != (injector.line is not None), fault
        injector.remove(fault)
        assert due(standing) == sound, fault
        assert injector.line is None
    assert json.dumps(standing.harness.parts.to_dict()) == sound


@pytest.mark.parametrize("start", range(4))
def test_every_eighth_fault_goes_into_the_rig_itself_and_out_again(start: int) -> None:
    """Fitted each time: what it does to circuit and motion runs, and leaves the parts alone."""
    with new_rig() as rig:
        injector, sound = Injector(rig), rig.harness.parts.to_dict()
        for fault in CATALOGUE[2 * start :: 32]:
            injector.insert(fault)
            rig.advance(rig.now + TICKS_PER_S // 100)
            injector.remove(fault)
            rig.advance(rig.now + TICKS_PER_S // 100)
            assert rig.harness.parts.to_dict() == sound, fault


@pytest.mark.parametrize("fault", SPREAD)
def test_in_and_out_at_one_instant_the_rig_goes_on_as_if_untouched(
    fault: str, untouched: list[Any]
) -> None:
    with new_rig() as rig:
        injector, sound = Injector(rig), rig.harness.parts.to_dict()

        def in_and_out() -> None:
            injector.insert(fault)
            injector.remove(fault)

        assert outcome(rig, in_and_out) == untouched
        assert rig.harness.parts.to_dict() == sound


@pytest.mark.parametrize("fault", SPREAD)
def test_in_for_a_while_and_out_again_the_parts_are_what_they_were(fault: str) -> None:
    with new_rig() as rig:
        injector, sound = Injector(rig), json.dumps(rig.harness.parts.to_dict())
        injector.schedule(f"{fault},to=0.9", 0.3)
        outcome(rig)
        assert json.dumps(rig.harness.parts.to_dict()) == sound
        injector.clear()
        assert json.dumps(rig.harness.parts.to_dict()) == sound


SWAPS = [fault for fault in CATALOGUE if fault.startswith(("swap@", "cross@"))]


def test_a_swap_and_the_same_again_are_none(standing: Rig) -> None:
    injector, sound = Injector(standing), json.dumps(standing.harness.parts.to_dict())
    for fault in SWAPS:
        kind, _, places = fault.partition("@")
        one, other = places.split("/")
        injector.insert(fault)
        once = due(standing)
        injector.insert(f"{kind}@{other}/{one}")
        assert due(standing) == sound != once
        injector.clear()


WIRES = ("J3.DIR", "J3.OPTO0V", "J2.DRIVE.24V", "J5.ENC.A", "J5.ENC.5V", "J5.SW.COM", "J5.SW.NC")


@pytest.mark.parametrize("wire", WIRES)
def test_a_resistance_toward_infinity_comes_to_an_open_conductor(standing: Rig, wire: str) -> None:
    def volts(fault: str) -> list[float]:
        injector = Injector(standing)
        injector.insert(fault)
        standing.counting.show()
        harness = standing.harness
        nodes = [*RAILS[:-1], wire, *(node for node in (harness.near_end[wire],))]
        read = [harness.look(node).volt(node) for node in nodes]
        injector.clear()
        return read

    broken = volts(f"open@{wire}")
    off = [
        max(abs(a - b) for a, b in zip(volts(f"resist@{wire},ohm={ohm:g}"), broken, strict=True))
        for ohm in (1e8, 1e9, 1e10, 1e11, 1e12)
    ]
    # A node left with a leak of 500 Mohm alone is the last to come near.
    assert off == sorted(off, reverse=True)
    assert off[-2] < 0.03
    assert off[-1] == 0.0


_REBUILD = f"""
import json, sys
sys.modules["dryrig.faults"] = None  # any import of it fails from here on
from dryrig.scenes import load_scene
from dryrig.sim import Rig
{_RUN}
scene = load_scene("heron")
for parts in json.load(sys.stdin):
    with Rig(scene, {SEED}, start_pose_deg={POSE}, parts=parts) as rig:
        print(json.dumps(outcome(rig)))
try:
    import dryrig.faults
except ImportError:
    print("no faults here")
"""


def test_rigs_rebuilt_from_their_parts_with_no_faults_to_import_go_on_identically() -> None:
    """One of each kind, and random pairs: the same trace, counts and angles, to the bit."""
    draw = random.Random(2)
    ours, parts = [], []
    chosen = [[fault] for fault in SPREAD]
    chosen += [draw.sample(ON_PARTS, 2) for _ in range(8)]
    for faults in chosen:
        with new_rig() as rig:
            injector = Injector(rig)
            for fault in faults:
                injector.insert(fault)
            parts.append(rig.harness.parts.to_dict())
            ours.append(json.dumps(outcome(rig)))
    told = subprocess.run(
        [sys.executable, "-c", _REBUILD],
        input=json.dumps(parts),
        capture_output=True,
        text=True,
        check=True,
    ).stdout.splitlines()
    assert told.pop() == "no faults here"
    for faults, mine, theirs in zip(chosen, ours, told, strict=True):
        assert mine == theirs, faults


GATES = st.sampled_from(
    ["", "", "", ",from=0.5", ",to=0.9", ",from=0.3,to=1.1", ",duty=0.5", ",low=-5", ",wiggle=1"]
)


@st.composite
def several_faults(draw: st.DrawFn) -> list[str]:
    """Two or three different faults of the catalogue, some with a gate."""
    chosen = draw(st.lists(st.sampled_from(ON_PARTS), min_size=2, max_size=3, unique=True))
    gated = []
    for fault in chosen:
        gate = draw(GATES)
        whole_arm = not any(f"J{number}." in fault for number in range(1, 7))
        gated.append(fault if whole_arm and gate in (",low=-5", ",wiggle=1") else fault + gate)
    return gated


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(faults=several_faults(), order=st.randoms(use_true_random=False))
def test_pairs_and_triples_come_and_go_and_leave_nothing(
    untouched: list[Any], faults: list[str], order: random.Random
) -> None:
    with new_rig() as rig:
        injector, sound = Injector(rig), rig.harness.parts.to_dict()

        def in_and_out() -> None:
            for fault in faults:
                injector.insert(fault)
            for fault in order.sample(faults, len(faults)):
                injector.remove(fault)

        assert outcome(rig, in_and_out) == untouched
        assert rig.harness.parts.to_dict() == sound
    # The same in for good: gates open and shut, and what is left can be taken out in any order.
    with new_rig() as rig:
        injector = Injector(rig)
        for fault in faults:
            injector.insert(fault)
        outcome(rig)
        rig.hands.wiggle(0)
        rig.advance(rig.now + TICKS_PER_S // 5)
        for fault in order.sample(faults, len(faults)):
            injector.remove(fault)
        assert rig.harness.parts.to_dict() == sound


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(faults=st.lists(st.sampled_from(ON_PARTS), min_size=2, max_size=3, unique=True))
def test_pairs_and_triples_are_in_the_parts_and_nowhere_else(faults: list[str]) -> None:
    """A rig with faults and one rebuilt from its parts, as text, are the same rig."""
    with new_rig() as rig:
        injector = Injector(rig)
        for fault in faults:
            injector.insert(fault)
        parts = json.loads(json.dumps(rig.harness.parts.to_dict()))
        ours = outcome(rig)
    with new_rig(parts) as rig:
        assert outcome(rig) == ours
