"""Marks of a drill, by the trade's grading: 35, 20, 15, 15, 10 and 5, and what caps them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from .drill_answer import FULL, Answer, likeness, same
from .drill_cases import Candidate
from .drill_suspects import Done, Evidence

EVIDENCE, EXPECTED = 25.0, 10.0
ORDER_PART = 5.0
GONE, CHECKED, RESTORED = 6.0, 5.0, 4.0
CHANGES, RECORD = 10.0, 5.0
UNSPLIT, NOT_YET = 0.6, 0.8
"""Share of the answer's points while the class could be split further: for one member of it, and
for naming the class with a measurement that splits it."""
LUCKY_SHARE, LUCKY_CAP, LESSER_CAP = 0.5, 40.0, 50.0
_ENOUGH_EXPECTED = 0.5
_NEEDLESS = 5.0
_LOOKS = ("look", "turn", "press", "wiggle", "count", "switch", "jog", "home", "cycle")
_INTRUSIVE = ("ohms", "beep", "plug", "clip")
_MOTIONS = ("turn", "press", "jog", "home", "cycle", "wiggle")
_PLENTY = 2.0


@dataclass
class Conduct:
    """What was done, apart from readings: repairs, cautions, how the arm was left."""

    acts: list[Done] = field(default_factory=list)
    cautions: list[str] = field(default_factory=list)
    answer: Answer | None = None
    answered_at: int = 0
    needless: list[str] = field(default_factory=list)
    untested: int = 0
    notes: int = 0
    notes_after: int = 0
    repaired: bool = False
    restored: bool = True
    next_splits: bool = False


@dataclass(frozen=True)
class Mark:
    """One line of the marking."""

    what: str
    points: float
    most: float
    why: str


@dataclass(frozen=True)
class Marking:
    """All lines, and the sum after caps. An act that could injure earns no marking at all."""

    marks: tuple[Mark, ...]
    caps: tuple[str, ...]
    total: float

    @property
    def most(self) -> float:
        """What could be had."""
        return sum(mark.most for mark in self.marks)


def grade(conduct: Conduct, evidence: Evidence, truth: Candidate, differing: Sequence[int],
          joint: str) -> Marking:  # fmt: skip
    """The marks. `differing` are indices of acts whose reading a sound arm would not have given."""
    marks = (
        _measured(evidence),
        _expected(evidence),
        _answered(conduct, evidence, truth),
        _reproduced(evidence, joint),
        _cheap_first(evidence),
        _halving(evidence),
        _gone(conduct),
        _checked(conduct, differing),
        Mark("supplies, plugs and stand as they were", RESTORED if conduct.restored else 0.0,
             RESTORED, "" if conduct.restored else "a plug is out, a clip on, or a switch off"),
        _changes(conduct),
        _record(conduct),
    )  # fmt: skip
    total, caps = sum(mark.points for mark in marks), []
    if conduct.cautions and total > LESSER_CAP:
        caps.append(f"{len(conduct.cautions)} caution(s): at most {LESSER_CAP:.0f}")
        total = LESSER_CAP
    if _lucky(conduct, evidence, truth) and total > LUCKY_CAP:
        caps.append(f"the answer is right, the evidence does not carry it: at most {LUCKY_CAP:.0f}")
        total = LUCKY_CAP
    return Marking(marks, tuple(caps), round(total, 1))


def _measured(evidence: Evidence) -> Mark:
    left, gone = len(evidence.live), len(evidence.candidates) - len(evidence.live)
    return Mark(
        "evidence: candidates removed",
        EVIDENCE * evidence.share,
        EVIDENCE,
        f"{gone} of {len(evidence.candidates)} candidates removed, {left} left; counted in "
        "halvings of what can be told apart",
    )


def _useful(evidence: Evidence) -> list[Done]:
    return [done for done, gone in zip(evidence.acts, evidence.by_act, strict=True) if gone]


def _expected(evidence: Evidence) -> Mark:
    useful = _useful(evidence)
    stated = sum(bool(done.expected) for done in useful)
    share = stated / (_ENOUGH_EXPECTED * len(useful)) if useful else 0.0
    why = f"{stated} of {len(useful)} readings that removed candidates were foretold"
    return Mark("evidence: expected reading stated before", EXPECTED * min(1.0, share), EXPECTED,
                f"{why}; half of them is enough")  # fmt: skip


def _answered(conduct: Conduct, evidence: Evidence, truth: Candidate) -> Mark:
    if conduct.answer is None:
        return Mark("answer", 0.0, FULL, "none given")
    given, live = conduct.answer.alternatives, evidence.live or [truth]
    points = sum(max(likeness(said, one) for one in live) for said in given) / len(given)
    fits = [said for said in given if any(same(said, one) for one in live)]
    if not evidence.splittable:
        why = f"the readings leave a class of {len(live)}, which nothing splits"
        return Mark("answer: place, part, kind", points, FULL, why if len(live) > 1 else "")
    holds_truth = any(same(said, truth) for said in given)
    if len(given) > 1 and conduct.next_splits and holds_truth:
        share, why = NOT_YET, "not yet distinguishable, and the next measurement splits the class"
    else:
        share = UNSPLIT if fits else 1.0
        why = f"{len(live)} candidates fitted the readings, and a further reading splits them"
    return Mark("answer: place, part, kind", points * share, FULL, why)


def _reproduced(evidence: Evidence, joint: str) -> Mark:
    for done in evidence.acts:
        at_joint = not done.act.joints or joint in [one.name for one in done.act.joints]
        if done.number and done.act.name in _LOOKS and at_joint:
            return Mark("order: complaint looked for first", ORDER_PART, ORDER_PART, "")
        if done.act.word.meter or done.act.name in _INTRUSIVE:
            break
    return Mark("order: complaint looked for first", 0.0, ORDER_PART,
                f"no look, feel or jog at {joint} before the first probe")  # fmt: skip


def _cheap_first(evidence: Evidence) -> Mark:
    cheap = 0
    for done in evidence.acts:
        if done.act.name in _INTRUSIVE:
            break
        cheap += bool(done.number)
    good = cheap >= 3
    why = "" if good else f"{cheap} readings before the first plug, clip or ohms"
    return Mark("order: cheap before intrusive", ORDER_PART * good, ORDER_PART, why)


def _halving(evidence: Evidence) -> Mark:
    taken = sum(bool(done.number) for done in evidence.acts)
    useful = len(_useful(evidence))
    share = min(1.0, _PLENTY * useful / taken) if taken else 0.0
    return Mark("order: readings that halve", ORDER_PART * share, ORDER_PART,
                f"{useful} of {taken} readings removed candidates")  # fmt: skip


def _after(conduct: Conduct) -> list[Done]:
    """Acts after the last repair; all of them when nothing was repaired."""
    if not conduct.repaired:
        return conduct.acts
    return [done for done in conduct.acts if done.after_repair]


def _gone(conduct: Conduct) -> Mark:
    cycles = [done for done in _after(conduct) if done.act.name == "cycle"]
    clean = bool(cycles) and cycles[-1].readings[0].value == "clean"
    why = "" if clean else "the customer's program was not seen to run to its end afterwards"
    return Mark("repair proved: complaint gone", GONE if clean else 0.0, GONE, why)


def _checked(conduct: Conduct, differing: Sequence[int]) -> Mark:
    """Whether what had shown the fault was done again: acts at the joint, else the readings."""
    what, after = (
        "repair proved: affected checks",
        [done for done in _after(conduct) if done.number],
    )
    if not conduct.repaired:
        share = len({done.act.name for done in after} & {"turn", "press", "jog"}) / 3
        return Mark(what, CHECKED * share, CHECKED, "hand, switch and jog of a sound arm")
    showed = [conduct.acts[index] for index in differing if conduct.acts[index].number]
    moved = [done for done in showed if done.act.name in _MOTIONS]
    kept = {_what(done) for done in moved or showed}
    again = {_what(done) for done in after}
    met = sum(any(name == n and joints & j for n, j in again) for name, joints in kept)
    share = met / len(kept) if kept else 1.0
    return Mark(what, CHECKED * share, CHECKED, f"{met} of {len(kept)} repeated")


def _what(done: Done) -> tuple[str, frozenset[str]]:
    """An act and where: a joint's, whatever the angle; a meter's between its two terminals."""
    act = done.act
    if act.word.meter or not act.joints:
        return act.text, frozenset({"all"})
    return act.name, frozenset(joint.name for joint in act.joints)


def _changes(conduct: Conduct) -> Mark:
    lost = _NEEDLESS * (len(conduct.needless) + conduct.untested)
    words = [f"{place} had nothing wrong" for place in conduct.needless]
    if conduct.untested:
        words.append("two changes without a check between")
    return Mark("no needless change, one at a time", max(0.0, CHANGES - lost), CHANGES,
                "; ".join(words))  # fmt: skip


def _record(conduct: Conduct) -> Mark:
    before, after = conduct.notes - conduct.notes_after, conduct.notes_after
    points = 3.0 * bool(before) + 2.0 * bool(after or (not conduct.repaired and before))
    return Mark("usable record", points, RECORD, "" if points == RECORD else
                "a note of the finding, and one of the repair")  # fmt: skip


def _lucky(conduct: Conduct, evidence: Evidence, truth: Candidate) -> bool:
    right = conduct.answer is not None and conduct.answer.alternatives == (truth,)
    right = right or (conduct.answer is not None and len(conduct.answer.alternatives) == 1
                      and same(conduct.answer.alternatives[0], truth))  # fmt: skip
    return right and evidence.share < LUCKY_SHARE
