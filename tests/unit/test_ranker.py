"""The ranker by simulation: what a difference costs, and who answers to what was measured.

Expected values: by hand from what the modules say of their costs; contacts of a switch by the
scene's changeover (NC closed at rest, NO when pressed).
"""

from __future__ import annotations

import math
from contextlib import closing
from pathlib import Path

import pytest

from dryrig.commission.arm import load_arm
from dryrig.commission.client import Card
from dryrig.commission.diagnosis import SOUND
from dryrig.commission.findings import Check
from dryrig.commission.hand import PortHand
from dryrig.commission.measurements import Measurement, take
from dryrig.commission.result import Result
from dryrig.faults import enumerate_faults
from dryrig.protocol.again import apart, forget_runs, recent_runs
from dryrig.scenes import load_scene, scene_path
from dryrig.study.candidates import candidates
from dryrig.study.library import ARM, Library
from dryrig.study.menu import menu
from dryrig.study.ranker import SimulatedRanker
from dryrig.study.ranking import Classes
from dryrig.study.scales import Scales
from dryrig.study.signature import Numbers, Signature, signature_of

DIR = Measurement("V", "J3.DIR", "J3.OPTO0V", drive="J3", sign=1)


def test_plugs_crossed_between_any_two_joints_are_candidates() -> None:
    """Five plugs a joint, six joints: 15 pairs each, of which 5 are neighbours."""
    scene = load_scene("heron")
    listed, weighed = list(enumerate_faults(scene)), candidates(scene)
    assert weighed[: len(listed)] == listed
    more = weighed[len(listed) :]
    assert len(more) == len(set(more)) == 5 * (15 - 5)
    assert "cross@J4.MOTOR/J6.MOTOR" in more


def cost(seen: dict[str, Numbers], *known: dict[str, Numbers], fault: str = "open@J3.DIR") -> float:
    """What a fault costs that looked like `known`, an arm each."""
    arms = {ARM + number: Signature(one) for number, one in enumerate(known)}
    scales = Scales({"cold all|# ohm": [0.01]})
    return Classes({SOUND: {}, fault: arms}, scales).costs(Signature(seen))[fault]


def test_a_remark_costs_on_either_side_and_a_check_counts_as_one_thing_gone_wrong() -> None:
    one, five = {"jogs J3|a": ()}, {f"jogs J3|{n}": () for n in range(5)}
    assert cost(one, one) == 0.0
    assert cost(one, {}) == cost({}, one) == 3.0
    assert cost(five, {}) == cost({}, five) == 9.0
    assert cost({**five, **one}, {"jogs J4|a": ()}) == 9.0 + 3.0


def test_the_cold_check_counts_in_full() -> None:
    five: dict[str, Numbers] = {f"cold all|{n}": () for n in range(5)}
    assert cost(five, {}) == cost({}, five) == 15.0


def test_numbers_count_by_how_far_arms_differ() -> None:
    """Unlearned: 4 % and the least. Ohms: a tenth at least, though less was learned."""
    assert cost({"jogs J3|# V": (10.0,)}, {"jogs J3|# V": (10.5,)}) == pytest.approx(
        ((0.5 / (0.02 + 0.002 * 10.5 + 0.04 * 10.5)) ** 2) / 4.0
    )
    assert cost({"cold all|# ohm": (0.3,)}, {"cold all|# ohm": (0.4,)}) == pytest.approx(0.25)
    assert cost({"cold all|# ohm": (0.3,)}, {"cold all|# ohm": (9.0,)}) == 3.0


def test_of_several_arms_the_nearest_counts_and_what_happened_elsewhere_little() -> None:
    seen: dict[str, Numbers] = {f"jogs J5|{n}": () for n in range(3)}
    far, near = {"jogs J3|a": (), "jogs J3|b": ()}, {"jogs J3|a": ()}
    assert cost(seen, far) == 6.0 + 9.0
    assert cost(seen, far, near) == 3.0 + 3.0


def test_a_number_that_the_fault_leaves_alone_is_free_within_the_sound_span() -> None:
    def of(*values: float) -> dict[int, Signature]:
        return {ARM + n: Signature({"trim J3|#": (v,)}) for n, v in enumerate(values)}

    library = {SOUND: of(1.0, 3.0), "open@J3.DIR": of(1.2)}
    classes = Classes(library, Scales({"trim J|#": [0.1]}))
    assert classes.costs(Signature({"trim J3|#": (2.9,)}))["open@J3.DIR"] == 0.0
    assert classes.costs(Signature({"trim J3|#": (3.3,)}))["open@J3.DIR"] == 3.0


def test_the_rankers_own_rigs_are_not_among_the_runs_to_see_again() -> None:
    forget_runs()
    with closing(Card.open("dryrig://heron?seed=3&rig=mine")):
        (mine,) = recent_runs()
        with apart(), closing(Card.open("dryrig://heron?seed=4&rig=tried")):
            assert len(recent_runs()) == 2
        assert recent_runs() == [mine]


def test_who_comes_up_late_answers_to_what_was_measured(tmp_path: Path) -> None:
    """Twelve are weighed at a time. The thirteenth is no better for not having been asked."""
    result = Result("findings", "x", checks=[Check("jogs", "J3", "fail", "a; b; c; d")])
    seen = dict(signature_of(result).segments)
    worse = dict(list(seen.items())[:-1])
    twelve = [f"resist@J3.DIR,ohm={100 + n}" for n in range(12)]
    late, true = "open@J3.DIR", "open@J3.STEP"
    library = Library("heron", tmp_path / "none", closed=True)
    library.seen = {
        (ARM, SOUND): Signature({}),
        **{(ARM, name): Signature(seen) for name in twelve},
        (ARM, late): Signature(worse),
        (ARM, true): Signature(worse),
    }
    library.reads = {name: {DIR: 0.0} for name in (*twelve, late)} | {
        true: {DIR: 4.8},
        SOUND: {DIR: 4.8},
    }
    ranker = SimulatedRanker("heron", library)
    before = ranker.rank(result)
    assert set(before.classes[0].faults) >= set(twelve)
    after = ranker.told(DIR, 4.79)
    assert after.classes[0].faults == (true,)
    assert [one.reading for one in after.taken] == ["4.79 V"]


@pytest.mark.parametrize(
    ("fault", "held", "at_rest"),
    [
        ("", math.inf, 0.0),
        ("short@J6.SW.COM/J6.SW.NC", 0.0, 0.0),
        ("stuck@J6.SW,on=1", 0.0, 0.0),
    ],
)
def test_a_contact_is_measured_by_itself_at_rest_and_held_down(
    fault: str, held: float, at_rest: float
) -> None:
    rest = Measurement("ohm", "J6.SW.COM", "J6.SW.NC", plug="J6.SW")
    down = Measurement("ohm", "J6.SW.COM", "J6.SW.NC", press="J6", plug="J6.SW")
    assert {rest, down} <= set(menu(["swap@J6.SW.COM/J6.SW.NC"]))
    assert down.words.endswith("plug J6.SW out, J6's switch held down")
    url = f"dryrig://heron?seed=3&rig=contact{fault and '&fault=' + fault}"
    with closing(PortHand.open(f"{url}&port=hands")) as hand, closing(Card.open(url)) as card:
        read = take(load_arm(scene_path("heron")), card, hand, [down, rest])
    assert read[down] == pytest.approx(held, abs=0.4)
    assert read[rest] == pytest.approx(at_rest, abs=0.4)
