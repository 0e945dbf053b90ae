"""What is told after a drill: marks, the fault, the true wiring, what each reading told."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from ..faults import KINDS
from ..faults.kind import OPEN_OHM
from ..faults.kinds import plug_of
from ..scenes import Scene
from ..sim.parts import PARAMETERS, Parts
from .drill_cases import Case, plain
from .drill_marks import Marking
from .drill_picture import plain_with_parameters
from .drill_readings import told
from .drill_site import Site
from .drill_suspects import Evidence, candidate_text

COLOURS = {"BK": "black", "BN": "brown", "RD": "red", "OG": "orange", "YE": "yellow",
           "GN": "green", "BU": "blue", "VT": "violet", "GY": "grey", "WH": "white",
           "PK": "pink", "TQ": "turquoise", "GNYE": "green-yellow"}  # fmt: skip
"""Letter codes of IEC 60757 in words."""
_NAMED = 3


def marking_lines(marking: Marking, rig_s: float, taken: int, par: int) -> Iterator[str]:
    """The marks, line by line, and what capped them."""
    for mark in marking.marks:
        why = f"   {mark.why}" if mark.why else ""
        yield f"  {mark.points:4.1f} of {mark.most:4.1f}  {mark.what}{why}"
    yield from (f"  {cap}" for cap in marking.caps)
    yield (
        f"  {marking.total:g} of {marking.most:.0f}. {taken} readings before the answer, "
        f"par {par}; {rig_s:.0f} s at the arm (shown, not marked)."
    )


def fault_lines(case: Case) -> Iterator[str]:
    """What was wrong, in the words of the table of kinds."""
    if not case.faults:
        yield "The arm is sound. What the customer saw must come from elsewhere: the file of"
        yield "another arm, a program that was changed, a finger on a switch."
        return
    for fault in case.faults:
        yield f"{fault}: {KINDS[plain(fault).partition('@')[0]].what}"
    for name in dict.fromkeys(plain(fault).partition("@")[0] for fault in case.faults):
        yield f"  How {name} shows: {KINDS[name].shows}"
        if KINDS[name].mistaken:
            yield f"  Easily taken for: {KINDS[name].mistaken}"


def wiring_lines(case: Case) -> Iterator[str]:
    """The true wiring of every plug concerned, and what was found instead."""
    faults = [plain_with_parameters(fault) for fault in case.faults]
    with Site(case.arm, case.seed, (), case.whats) as site:
        sound = site.place.rig.harness.parts.copy()
        starts = dict(site.place.rig.harness.near_end)
        for fault in faults:
            site.place.injector.insert(fault)
        found = site.place.rig.harness.parts.copy()
    changed = changes(sound, found)
    plugs = dict.fromkeys(plug_of(place) for place in changed if place in sound.far_end)
    for plug in plugs:
        yield f"Plug {plug} as it should be:"
        for place in sound.far_end:
            if plug_of(place) == plug:
                line = f"  {starts[place]:<18} {_colour(case.scene, place):<14} {place}"
                yield f"{line:<50}{_found(changed.get(place))}".rstrip()
    for place, text in changed.items():
        if place not in sound.far_end:
            yield f"{place}: {text}"


def _colour(scene: Scene, place: str) -> str:
    code = scene.harness.wires[place.partition(".")[2]].colour
    return f"{code} ({COLOURS[code]})"


def _found(text: str | None) -> str:
    return f"  <- found {text}" if text else ""


def changes(sound: Parts, found: Parts) -> dict[str, str]:
    """What differs between two sets of parts, by place, in words."""
    words: dict[str, list[str]] = {}
    for place, end in sound.far_end.items():
        if found.far_end[place] != end:
            words.setdefault(place, []).append(f"ending at {found.far_end[place]}")
        ohm = found.ohm[place]
        if ohm >= OPEN_OHM:
            words.setdefault(place, []).append("open")
        elif abs(ohm - sound.ohm[place]) > 0.1:
            words.setdefault(place, []).append(f"with {ohm:.0f} ohm")
    for one, other, ohm in found.bridges[len(sound.bridges) :]:
        for place, there in ((one, other), (other, one)):
            words.setdefault(place, []).append(f"touching {there} ({ohm:g} ohm)")
    for name, value in found.parameters.items():
        part, _, what = name.rpartition(".")
        usual = PARAMETERS[part.partition(".")[2]][what]
        if value != sound.parameters.get(name, usual):
            words.setdefault(part, []).append(f"{what} {value:g}, sound {usual:g}")
    return {place: " and ".join(texts) for place, texts in words.items()}


def reading_lines(evidence: Evidence) -> Iterator[str]:
    """Which candidates each reading removed, and what was left."""
    for done, gone in zip(evidence.acts, evidence.by_act, strict=True):
        if not done.number:
            continue
        what = f"{len(gone)}: {_some([candidate_text(one) for one in gone])}" if gone else "nothing"
        yield f"  {done.number:>2}  {done.act.text} removed {what}"
    live = [candidate_text(one) for one in evidence.live]
    yield f"  left: {_some(live)}"
    if evidence.splittable:
        final = [candidate_text(one) for one in evidence.final]
        yield f"  a whole round would have left: {_some(final)}"


def _some(texts: Sequence[str]) -> str:
    shown = ", ".join(texts[:_NAMED])
    more = len(texts) - _NAMED
    return f"{shown} and {more} more" if more > 0 else shown


def other_cause_lines(evidence: Evidence) -> Iterator[str]:
    """Another cause of the same symptom, and the reading that told them apart."""
    other = evidence.next_best()
    if other is None:
        return
    at = evidence.removed[other]
    assert at is not None
    done = evidence.acts[at]
    yield (
        f"Same symptom, another cause: {candidate_text(other)} would have read the same up to "
        f"reading {done.number or '-'} ({done.act.text}: {told(done.readings)})."
    )


def best_reading(evidence: Evidence) -> int:
    """Number of the reading that removed most; 0 when none did."""
    pairs = [(len(gone), done.number) for done, gone in zip(evidence.acts, evidence.by_act,
                                                           strict=True)]  # fmt: skip
    most, number = max(pairs, default=(0, 0))
    return number if most else 0
