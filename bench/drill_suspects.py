"""Which faults fit the readings taken: every candidate is tried on an arm of its own.

The same acts are done again on the same individual arm with each candidate in it, until a
reading differs by more than what read it could. What never differs is one class: nobody could
tell its members apart by these readings.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from ..errors import FaultError
from ..faults import parse_fault
from ..faults.kinds import plug_of
from ..scenes import WIRES
from .drill_acts import perform
from .drill_cases import Candidate, Case, pool
from .drill_readings import Reading, alike
from .drill_site import Site
from .drill_words import Act, Vocabulary, read_line
from .examples import joints_of

_FIRST_SHARE = 0.7
"""Of the work, what trying all candidates takes."""


@dataclass
class Done:
    """One act that was done, and what was read; `number` counts readings from 1, else 0.

    `expected` is what the learner had said before; `repaired` whether it came after a repair.
    """

    act: Act
    readings: list[Reading]
    number: int = 0
    expected: str = ""
    after_repair: bool = False


def vocabulary(case: Case, faults: Sequence[str]) -> Vocabulary:
    """Names at a case's arm."""
    with Site(case.arm, case.seed, (), case.whats) as site:
        terminals = site.place.rig.meter.terminals()
        plugs = site.place.rig.harness.plugs.names
    loose = [f"PLUG.{conductor}" for conductor in _conductors(case)]
    return Vocabulary(case.arm, [*terminals, *loose], plugs, faults)


def _conductors(case: Case) -> list[str]:
    return [f"{joint.name}.{wire}" for joint in case.arm.joints for wire in WIRES]


def differs_at(case: Case, candidate: Candidate, acts: Sequence[Done]) -> int | None:
    """Index of the first act that would have read otherwise with these faults; None if none."""
    try:
        site = Site(case.arm, case.seed, candidate, case.whats, case.before)
    except FaultError:
        return 0
    with site:
        for index, done in enumerate(acts):
            if not alike(perform(site, done.act), done.readings):
                return index
    return None


@dataclass
class Evidence:
    """What the acts before the answer tell. `removed` is by which act each candidate went.

    `splits` is by which act of a whole round each that is left would go.
    """

    acts: Sequence[Done]
    candidates: Sequence[Candidate]
    removed: Mapping[Candidate, int | None]
    splits: Mapping[Candidate, int | None] = field(default_factory=dict)

    @property
    def live(self) -> list[Candidate]:
        """What still fits all readings."""
        return [one for one in self.candidates if self.removed[one] is None]

    @property
    def final(self) -> list[Candidate]:
        """Of those, what no reading of a whole round would split off."""
        return [one for one in self.live if self.splits.get(one) is None]

    @property
    def splittable(self) -> bool:
        """Whether a further reading would have told more."""
        return len(self.final) < len(self.live)

    @cached_property
    def by_act(self) -> list[list[Candidate]]:
        """Candidates removed, act by act."""
        return [
            [one for one in self.candidates if self.removed[one] == index]
            for index in range(len(self.acts))
        ]

    @property
    def share(self) -> float:
        """How much of what can be told was told, in halvings of the candidates: 0 to 1."""
        whole = math.log2(len(self.candidates) / max(len(self.final), 1))
        if not whole:
            return 1.0
        return math.log2(len(self.candidates) / max(len(self.live), 1)) / whole

    @property
    def par(self) -> int:
        """Readings that an expert needs who halves what is left each time."""
        return math.ceil(math.log2(len(self.candidates) / max(len(self.final), 1)))

    def next_best(self) -> Candidate | None:
        """The wrong candidate that lasted longest: another cause of the same symptom."""
        gone = [one for one in self.candidates if self.removed[one] is not None and one]
        return max(gone, key=lambda one: self.removed[one] or 0, default=None)


def weigh(
    case: Case,
    acts: Sequence[Done],
    known: Vocabulary,
    progress: Callable[[float], None] = lambda _share: None,
) -> Evidence:
    """Try every candidate of a case against these acts, then against a whole round."""
    candidates = pool(case)
    removed: dict[Candidate, int | None] = {}
    for one in candidates:
        removed[one] = differs_at(case, one, acts)
        progress(_FIRST_SHARE * len(removed) / len(candidates))
    live = [one for one in candidates if removed[one] is None]
    splits: dict[Candidate, int | None] = {}
    if len(live) < 2:
        return Evidence(acts, candidates, removed, splits)
    round_, cables = whole_round(case, known), cable_rounds(case, known)
    for one in live:
        at = differs_at(case, one, round_)
        if at is None:
            # A cable is worth a wiggle where this candidate, or the truth, has a loose wire.
            wires = [wire for wire in cables if any(wire in f for f in (*one, *case.faults))]
            loose = (wire for wire in wires if differs_at(case, one, cables[wire]) is not None)
            wire = next(loose, None)
            at = None if wire is None else len(round_) + list(cables).index(wire)
        splits[one] = at
        progress(_FIRST_SHARE + (1 - _FIRST_SHARE) * len(splits) / len(live))
    return Evidence(acts, candidates, removed, splits)


def sound_differs(case: Case, acts: Sequence[Done]) -> list[int]:
    """Every act whose reading a sound arm would not have given."""
    found = []
    with Site(case.arm, case.seed, (), case.whats, case.before) as site:
        for index, done in enumerate(acts):
            if not alike(perform(site, done.act), done.readings):
                found.append(index)
    return found


def whole_round(case: Case, known: Vocabulary) -> list[Done]:
    """Every reading that the joints concerned offer, in the order of the trade, on this arm.

    It ignores cautions: nobody stands at this copy of the arm.
    """
    names = dict.fromkeys([case.joint, *(n for f in case.faults for n in joints_of(f))])
    return _did(case, known, (line for name in names for line in _round(case, name)))


def cable_rounds(case: Case, known: Vocabulary) -> dict[str, list[Done]]:
    """At level 3, for each conductor: ohms end to end while its cable is wiggled, power off."""
    if case.level < 3:
        return {}
    wires = [wire for wire in _conductors(case) if wire.startswith(f"{case.joint}.")]
    return {
        wire: _did(case, known, ("main off", f"ohms CARD.{wire} {wire} during wiggle {case.joint}"))
        for wire in wires
    }


def _did(case: Case, known: Vocabulary, lines: Iterable[str]) -> list[Done]:
    done = []
    with Site(case.arm, case.seed, case.faults, case.whats, case.before) as site:
        for line in lines:
            act = read_line(line, known)
            done.append(Done(act, perform(site, act)))
    return done


def _round(case: Case, joint: str) -> Iterator[str]:
    number = case.scene.joint_number(joint)
    part, rest = case.scene.joint[number], case.scene.rest_pose_deg[number]
    inward = 1 if rest <= sum(part.travel_deg) / 2 else -1
    yield from ("main on", "motor off", "look", "count", "switch")
    yield from (f"turn {joint} {deg:+d}" for deg in (5, -5))
    yield f"press {joint}"
    yield from ("motor on", f"jog {joint} {4 * inward:+d}", f"jog {joint} {-4 * inward:+d}")
    yield from _inputs(joint, inward)
    yield from ("motor off", *_low_volts(joint))
    yield from (f"turn {joint} {15 * inward:+d}", f"turn {joint} {-30 * inward:+d}", "main off")
    yield from _dead(joint)
    # What takes long comes last: most candidates are gone by then.
    gauge = f"{part.trim.gauge} {joint}"
    yield from ("main on", "motor on", f"jog {joint} {30 * inward:+d} fast", gauge)
    yield from ("wait 2", gauge, f"home {joint}", "cycle", gauge)


def _inputs(joint: str, inward: int) -> Iterator[str]:
    yield f"volts {joint}.DRIVE.24V {joint}.DRIVE.0V"
    yield f"enable {joint}"
    for sign in (1, -1):
        yield f"jog {joint} {sign * inward:+d}"
        for pin in ("DIR", "STEP", "ENA"):
            yield f"volts {joint}.{pin} {joint}.OPTO0V"
            yield f"volts CARD.{joint}.{pin} RAIL.0V"
            yield f"volts {joint}.{pin} RAIL.0V"
    for red, black in ((f"CARD.{joint}.STEP", "RAIL.0V"), (f"{joint}.STEP", f"{joint}.OPTO0V")):
        yield f"volts {red} {black} during jog {joint} {8 * inward:+d}"
        yield f"jog {joint} {-8 * inward:+d}"
    yield f"disable {joint}"
    yield f"volts {joint}.ENA {joint}.OPTO0V"


def _low_volts(joint: str) -> Iterator[str]:
    yield from (f"volts {rail} RAIL.0V" for rail in ("RAIL.24V", "RAIL.5V", "RAIL.3V3"))
    yield f"volts {joint}.ENC.5V {joint}.ENC.0V"
    for pin in ("ENC.5V", "ENC.0V", "ENC.A", "ENC.B"):
        yield from (f"volts {end}{joint}.{pin} RAIL.0V" for end in ("", "CARD.")
                    if not (end and pin in ("ENC.5V", "ENC.0V")))  # fmt: skip
    for during in ("", f" during press {joint}"):
        for pin in ("CARD.{}.SW.COM", "{}.SW.COM", "{}.SW.NC", "{}.SW.NO"):
            yield f"volts {pin.format(joint)} RAIL.0V{during}"


def _dead(joint: str) -> Iterator[str]:
    pins = [f"{joint}.{wire}" for wire in WIRES]
    for pin in pins:
        yield f"ohms CARD.{pin} {pin}"
    for one, other in _pairs(pins):
        yield f"ohms {one} {other}"
        yield f"ohms CARD.{one} {other}"
    for during in ("", f" during press {joint}"):
        for throw in ("NC", "NO"):
            yield f"ohms {joint}.SW.COM {joint}.SW.{throw}{during}"
    for plug in dict.fromkeys(map(plug_of, pins)):
        yield f"plug out {plug}"
        for one, other in _pairs([pin for pin in pins if plug_of(pin) == plug]):
            yield f"ohms {one} {other}"
        yield f"plug in {plug}"


def _pairs(pins: Sequence[str]) -> Iterator[tuple[str, str]]:
    for index, one in enumerate(pins):
        for other in pins[index + 1 :]:
            if plug_of(one) == plug_of(other):
                yield one, other


def candidate_text(candidate: Candidate) -> str:
    """A candidate as it is written: faults joined by `and`, or `sound`."""
    return " and ".join(parse_fault(fault).text for fault in candidate) or "sound"
