"""The symptom handbook: for every kind of fault, what a rig with it does, there and then.

Each picture and reading comes from two runs of the same arm, sound and with the fault; the words
about a kind come from the one table of kinds.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import zip_longest
from pathlib import Path

import jinja2

from ..commission import cautions
from ..commission.arm import Arm, load_arm
from ..commission.findings import Check
from ..commission.result import Result
from ..errors import DryrigError, nearest
from ..faults import KINDS, Kind
from ..scenes import Scene, load_scene, scene_path
from ..study.commissioned import commissioned
from .act import Act
from .acts import perform
from .examples import examples, joints_of, scene_for
from .lanes import Figure, figure, steady
from .readings import Compared, compare

SEED = 0
INDEX = "index.html"
SUSPECTS = 4
_TEMPLATES = Path(__file__).parent / "templates"
ABSENT = "none"


class HandbookError(DryrigError, ValueError):
    """A handbook that cannot be made."""


@dataclass(frozen=True)
class Pair:
    """A reading by eye, hand, gauge or card, on the sound arm and on the faulty one."""

    what: str
    sound: str
    faulty: str

    @property
    def changed(self) -> bool:
        """Whether the two differ."""
        return self.sound != self.faulty


@dataclass(frozen=True)
class Seen:
    """One check of the reference commissioning, without and with the fault."""

    name: str
    joint: str
    sound: Check | None
    faulty: Check


@dataclass(frozen=True)
class Example:
    """One fault at one place, tried out."""

    fault: str
    act: str
    broke_off: str
    figures: list[tuple[Figure, Figure]]
    steady: list[str]
    pairs: list[Pair]
    meter: list[Compared]
    checks: list[Seen]
    failed: int
    passed: int
    result: Result


@dataclass(frozen=True)
class Chapter:
    """One kind of fault with its examples."""

    kind: Kind
    examples: list[Example] = field(default_factory=list)

    @property
    def page(self) -> str:
        """File name of its page."""
        return f"{self.kind.name}.html"


def write_handbook(
    folder: Path, kinds: Sequence[str] = (), progress: Callable[[str], None] = lambda _text: None
) -> Path:
    """Try out these kinds, or all, and write a page for each and an index; returns the index.

    `progress` is told each fault before it is tried. Raises HandbookError for an unknown kind or
    a folder that cannot be written, CommissionError when a rig does not answer.
    """
    names = dict.fromkeys(parse_kind(name) for name in kinds or KINDS)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        chapters = [chapter(name, progress) for name in names]
        for name, page in render(chapters).items():
            (folder / name).write_text(page, encoding="utf-8")
    except OSError as error:
        raise HandbookError(f"cannot write the handbook to {str(folder)!r}: {error}") from error
    return folder / INDEX


def planned(kinds: Sequence[str] = ()) -> list[str]:
    """The faults that a handbook of these kinds, or of all, tries out. Raises HandbookError."""
    names = dict.fromkeys(parse_kind(name) for name in kinds or KINDS)
    return [fault for name in names for fault in examples(name, _scene(name))]


def parse_kind(name: str) -> str:
    """A kind's name as it is. Raises HandbookError with the nearest name for one there is not."""
    if name not in KINDS:
        raise HandbookError(
            f"no fault kind {name!r}: expected one of {', '.join(KINDS)}{nearest(name, KINDS)}"
        )
    return name


def chapter(name: str, progress: Callable[[str], None] = lambda _text: None) -> Chapter:
    """Try a kind out at its representative places."""
    tried = []
    for fault in examples(name, _scene(name)):
        progress(fault)
        tried.append(_try(fault, scene_for(name)))
    return Chapter(KINDS[name], tried)


def render(chapters: Sequence[Chapter]) -> dict[str, str]:
    """Pages by file name, the index among them."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    about = {"chapters": chapters, "seed": SEED, "suspects": SUSPECTS}
    pages = {
        INDEX: environment.get_template("handbook_index.html.j2").render(
            **about, arm=_arm("heron"), cautions=cautions.REPORT
        )
    }
    template = environment.get_template("handbook_kind.html.j2")
    for number, one in enumerate(chapters):
        before = chapters[number - 1] if number else None
        after = chapters[number + 1] if number + 1 < len(chapters) else None
        arm = _arm(scene_for(one.kind.name))
        pages[one.page] = template.render(**about, arm=arm, chapter=one, before=before, after=after)
    return pages


@cache
def _scene(kind: str) -> Scene:
    return load_scene(scene_for(kind))


@cache
def _arm(scene: str) -> Arm:
    return load_arm(scene_path(scene))


@cache
def _sound(scene: str) -> Result:
    return commissioned(scene, SEED)


def _try(fault: str, scene: str) -> Example:
    arm = _arm(scene)
    sound, faulty = (perform(arm, SEED, fault, sound=which) for which in (True, False))
    result = commissioned(scene, SEED, fault)
    same = steady(sound.signals, faulty.signals, min(sound.end_s, faulty.end_s))
    return Example(
        fault,
        faulty.what,
        faulty.broke_off,
        list(_figures(sound, faulty, same)),
        list(same.values()),
        _pairs(sound, faulty),
        compare(arm, SEED, fault),
        list(_seen(result, _sound(scene), joints_of(fault))),
        sum(check.failed for check in result.checks),
        sum(check.verdict == "pass" for check in result.checks),
        result,
    )


def _figures(sound: Act, faulty: Act, without: Collection[str]) -> Iterable[tuple[Figure, Figure]]:
    ours, theirs = (
        [signal for signal in act.signals if signal.name not in without] for act in (sound, faulty)
    )
    if not ours:
        return
    for here, there in zip_longest(sound.spans(), faulty.spans()):
        # An input that has no edge with the fault is looked at where the sound one has its own.
        one, other = here or there, there or here
        yield (
            figure(f"{one.title}, sound arm", ours, theirs, one),
            figure(f"{other.title}, with the fault", theirs, ours, other),
        )


def _pairs(sound: Act, faulty: Act) -> list[Pair]:
    ours, theirs = dict(sound.gauges), dict(faulty.gauges)
    return [
        Pair(what, ours.get(what, ABSENT), theirs.get(what, ABSENT))
        for what in dict.fromkeys([*ours, *theirs])
    ]


def _seen(result: Result, healthy: Result, joints: Sequence[str]) -> Iterable[Seen]:
    """Checks that fail, that are skipped, and those of the fault's joints that read otherwise."""
    sound = {(check.name, check.joint): check for check in healthy.checks}
    for check in result.checks:
        beside = sound.get((check.name, check.joint))
        here = check.joint in joints and (beside is None or beside.evidence != check.evidence)
        if check.verdict != "pass" or here:
            yield Seen(check.name, check.joint or "all", beside, check)
