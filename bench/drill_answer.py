"""Answers of a drill: how they are written, and how near to a fault they come.

`open@J3.DIR`, `sound`, two faults joined by `and`; what cannot be told apart yet joined by `or`,
with the next measurement after `next`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..errors import FaultError, nearest
from ..faults import parse_fault
from ..faults.kinds import KINDS
from .drill_cases import Candidate, key, plain
from .drill_words import Act, DrillError, Vocabulary, read_line
from .examples import joints_of, part_of

PLACE, PART, KIND = 8.0, 6.0, 6.0
FULL = PLACE + PART + KIND
OVERLAP = 5.0
"""For one of two places."""
SOUND, AND, OR, NEXT = "sound", "and", "or", "next"
_SHAPE = "`answer KIND@PLACE`, `answer sound`, `A and B`, or `A or B next COMMAND`"


@dataclass(frozen=True)
class Answer:
    """What the learner says: alternatives, each a set of faults, and what to measure next."""

    text: str
    alternatives: tuple[Candidate, ...]
    next_act: Act | None = None


def read_answer(text: str, known: Vocabulary) -> Answer:
    """Read an answer. Raises DrillError with what was expected and the nearest name."""
    words = text.split()
    lowered = [word.lower() for word in words]
    next_act = None
    if NEXT in lowered:
        at = lowered.index(NEXT)
        rest = " ".join(words[at + 1 :])
        if not rest:
            raise DrillError(f"nothing after `next`: expected a measurement, {_SHAPE}")
        next_act = read_line(rest, known)
        if not next_act.word.reads:
            raise DrillError(f"next {rest!r} reads nothing: expected a measurement")
        words = words[:at]
    groups = [_faults(group, known) for group in _split(words, OR)]
    return Answer(text, tuple(groups), next_act)


def _split(words: Sequence[str], at: str) -> list[list[str]]:
    groups: list[list[str]] = [[]]
    for word in words:
        if word.lower() == at:
            groups.append([])
        else:
            groups[-1].append(word)
    return groups


def _faults(words: Sequence[str], known: Vocabulary) -> Candidate:
    if [word.lower() for word in words] == [SOUND]:
        return ()
    found = []
    for group in _split(words, AND):
        if len(group) != 1:
            came = " ".join(group) or "nothing"
            raise DrillError(f"answer {came!r}: expected {_SHAPE}")
        found.append(_fault(group[0], known))
    return tuple(sorted(found))


def _fault(text: str, known: Vocabulary) -> str:
    try:
        fault = parse_fault(text)
    except FaultError as error:
        if "@" not in text:
            hint = nearest(text, [*KINDS, SOUND])
            raise DrillError(f"answer {text!r}{hint}: expected {_SHAPE}") from None
        raise DrillError(str(error)) from None
    places = {place for each in known.faults for place in parse_fault(plain(each)).places}
    for place in fault.places:
        if place not in places:
            raise DrillError(
                f"no place {place!r}{nearest(place, places)}: `where J3` lists those of a joint"
            )
    return plain(fault.text)


def same(one: Candidate, other: Candidate) -> bool:
    """Whether two sets of faults are one, whatever their gates, parameters and order."""
    return sorted(map(_sortable, one)) == sorted(map(_sortable, other))


def _sortable(fault: str) -> tuple[str, tuple[str, ...]]:
    kind, places = key(fault)
    return kind, tuple(sorted(places))


def likeness(said: Candidate, truth: Candidate) -> float:
    """Points for place, part and kind, of 20: how near `said` comes to `truth`."""
    if not said or not truth:
        return FULL if said == truth else 0.0
    left, points = list(said), 0.0
    for fault in truth:
        if left:
            best = max(left, key=lambda each: _points(each, fault))
            points += _points(best, fault)
            left.remove(best)
    return points / max(len(said), len(truth))


def _points(said: str, fault: str) -> float:
    (kind, places), (true_kind, true_places) = key(said), key(fault)
    points = PLACE if places == true_places else OVERLAP if places & true_places else 0.0
    same_part = part_of(plain(said)) == part_of(plain(fault))
    if same_part and set(joints_of(plain(said))) & set(joints_of(plain(fault))):
        points += PART
        points += KIND if kind == true_kind else 0.0
    return points
