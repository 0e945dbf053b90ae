"""The marking of a drill, rule by rule.

The trade's grading: common practice, no published source.
"""

from __future__ import annotations

import pytest

from dryrig.bench.drill_answer import Answer
from dryrig.bench.drill_cases import Candidate
from dryrig.bench.drill_marks import Conduct, Marking, grade
from dryrig.bench.drill_readings import word
from dryrig.bench.drill_suspects import Done, Evidence
from dryrig.bench.drill_words import Vocabulary, read_line
from dryrig.commission.arm import load_arm
from dryrig.scenes import scene_path

KNOWN = Vocabulary(load_arm(scene_path("heron")), ("J3.DIR", "RAIL.0V"), ("J3.ENC",), ())
TRUTH: Candidate = ("open@J3.DIR",)
TWIN: Candidate = ("short@J3.DIR/J3.OPTO0V",)
OTHERS: list[Candidate] = [
    (), ("open@J3.STEP",), ("open@J3.ENA",), ("open@J3.ENC.A",), ("open@J3.SW.COM",),
    ("swap@J3.DIR/J3.STEP",),
]  # fmt: skip
ALL = [TRUTH, TWIN, *OTHERS]


def done(line: str, number: int = 0, *, expected: str = "", after: bool = False) -> Done:
    clean = [word("cycle", "clean")] if line == "cycle" else [word("seen", "so")]
    return Done(read_line(line, KNOWN), clean, number, expected, after)


ACTS = [done("jog J3 +2", 1, expected="+2"), done("jog J3 -2", 2), done("volts J3.DIR RAIL.0V", 3)]


def evidence(removed: dict[Candidate, int], splits: dict[Candidate, int] | None = None) -> Evidence:
    return Evidence(
        ACTS,
        ALL,
        {one: removed.get(one) for one in ALL},
        {one: (splits or {}).get(one) for one in ALL},
    )


PROVED = evidence({one: at % 3 for at, one in enumerate([TWIN, *OTHERS])})
CLASS = evidence({one: at % 3 for at, one in enumerate(OTHERS)})
SPLITTABLE = evidence({one: at % 3 for at, one in enumerate(OTHERS)}, {TWIN: 9})
NOTHING = evidence({}, {one: 0 for one in ALL if one != TRUTH})


def answer(*alternatives: Candidate) -> Answer:
    return Answer("as said", alternatives)


def whole(**changed: object) -> Conduct:
    """A drill as it should be."""
    after = [done("jog J3 +2", 4, after=True), done("cycle", 5, after=True)]
    conduct = Conduct(acts=[*ACTS, *after], answer=answer(TRUTH), repaired=True, notes=2,
                      notes_after=1)  # fmt: skip
    for name, value in changed.items():
        assert hasattr(conduct, name)
        setattr(conduct, name, value)
    return conduct


def marked(conduct: Conduct, proof: Evidence, truth: Candidate = TRUTH) -> Marking:
    return grade(conduct, proof, truth, [0, 1], "J3")


def points(marking: Marking, what: str) -> float:
    (mark,) = [mark for mark in marking.marks if mark.what.startswith(what)]
    return mark.points


def test_the_marks_add_up_to_a_hundred_in_the_trades_shares() -> None:
    marks = marked(whole(), PROVED).marks
    shares = {"evidence": 35, "answer": 20, "order": 15, "repair": 15, "no needless": 10}
    for what, most in shares.items():
        got = sum(mark.most for mark in marks if mark.what.startswith(what))
        if what == "repair":
            got += sum(mark.most for mark in marks if mark.what.startswith("supplies"))
        assert got == most
    assert sum(mark.most for mark in marks) == 100


def test_a_drill_as_it_should_be_loses_only_what_was_not_foretold() -> None:
    marking = marked(whole(), PROVED)
    assert marking.caps == ()
    assert points(marking, "evidence: expected") == pytest.approx(10 * 1 / 1.5)
    assert marking.total == pytest.approx(100 - 10 / 3, abs=0.05)


def test_a_lesser_act_caps_at_half() -> None:
    marking = marked(whole(cautions=["ohms J3.DIR RAIL.0V"]), PROVED)
    assert marking.total == 50
    assert marking.caps == ("1 caution(s): at most 50",)


def test_a_lucky_answer_is_capped_at_forty() -> None:
    marking = marked(whole(), NOTHING)
    assert marking.total == 40
    assert "the evidence does not carry it" in marking.caps[0]


def test_a_wrong_answer_without_evidence_is_not_called_lucky() -> None:
    marking = marked(whole(answer=answer(("open@J3.ENC.A",))), NOTHING)
    assert marking.caps == ()


@pytest.mark.parametrize("said", [TRUTH, TWIN])
def test_equal_credit_inside_a_class_that_nothing_splits(said: Candidate) -> None:
    assert points(marked(whole(answer=answer(said)), CLASS), "answer") == 20


@pytest.mark.parametrize("said", [TRUTH, TWIN])
def test_equal_but_less_credit_while_the_class_could_be_split(said: Candidate) -> None:
    assert points(marked(whole(answer=answer(said)), SPLITTABLE), "answer") == 12


def test_not_yet_with_the_measurement_that_splits_beats_a_guess() -> None:
    not_yet = answer(TRUTH, TWIN)
    assert points(marked(whole(answer=not_yet, next_splits=True), SPLITTABLE), "answer") == 16
    assert points(marked(whole(answer=not_yet), SPLITTABLE), "answer") == 12


def test_a_class_named_without_the_truth_earns_no_more_than_a_guess() -> None:
    apart = answer(TWIN, ("open@J3.ENA",))
    assert points(marked(whole(answer=apart, next_splits=True), SPLITTABLE), "answer") < 12


def test_place_part_and_kind_count_each() -> None:
    def said(fault: str) -> float:
        return points(marked(whole(answer=answer((fault,))), PROVED), "answer")

    assert said("open@J3.DIR") == 20
    assert said("resist@J3.DIR") == 14
    assert said("open@J3.ENA") == 12
    assert said("open@J4.DIR") == 0
    assert said("weak@J3.MOTOR") == 0


def test_of_two_faults_one_counts_half() -> None:
    both: Candidate = ("open@J3.DIR", "open@J3.ENC.A")
    proof = Evidence(ACTS, [both, ()], {both: None, (): 0})
    assert points(marked(whole(), proof, both), "answer") == 10
    assert points(marked(whole(answer=answer(both)), proof, both), "answer") == 20


def test_sound_is_an_answer() -> None:
    sound: Candidate = ()
    proof = Evidence(ACTS, ALL, {one: None if one == sound else 0 for one in ALL})
    conduct = whole(answer=answer(sound), repaired=False)
    assert points(marked(conduct, proof, sound), "answer") == 20
    assert points(marked(whole(answer=answer(TRUTH)), proof, sound), "answer") == 0


def test_no_answer_earns_nothing_for_it() -> None:
    assert points(marked(whole(answer=None), PROVED), "answer") == 0


def test_evidence_counts_in_halvings_of_what_can_be_told() -> None:
    half = evidence(dict.fromkeys(ALL[4:], 0), dict.fromkeys(ALL[1:4], 0))
    assert points(marked(whole(), half), "evidence: candidates") == pytest.approx(25 / 3)


def test_swapping_parts_costs_each_time() -> None:
    marking = marked(whole(needless=["J3.ENC"]), PROVED)
    assert points(marking, "no needless") == 5
    assert points(marked(whole(needless=["J3.ENC"], untested=2), PROVED), "no needless") == 0


def test_a_repair_is_proved_by_the_program_and_the_same_checks() -> None:
    bare = marked(whole(acts=ACTS), PROVED)
    assert points(bare, "repair proved: complaint") == 0
    assert points(bare, "repair proved: affected") == 0
    assert points(marked(whole(restored=False), PROVED), "supplies") == 0


def test_the_order_looks_before_it_probes() -> None:
    probing = Evidence([ACTS[2], ACTS[0]], ALL, dict.fromkeys(ALL))
    marking = marked(whole(), probing)
    assert points(marking, "order: complaint") == 0
    opened = Evidence([done("plug out J3.ENC"), *ACTS], ALL, dict.fromkeys(ALL))
    assert points(marked(whole(), opened), "order: cheap") == 0


def test_par_is_half_splitting() -> None:
    assert PROVED.par == 3
    assert CLASS.par == 2
