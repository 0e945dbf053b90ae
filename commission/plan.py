"""The order of the checks, and which of them are done this time.

Order and reasons are common practice: cold before power, rails before link, hands before motion,
the stop circuit before motion, one axis before all. What needs what is said here too.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from .calibration import Calibration
from .errors import PlanError
from .findings import Check, Kind
from .routine import Routine

THOROUGH_HOMINGS = 10


@dataclass(frozen=True)
class Step:
    """One check of the plan. `needs_homed`: only with joints homed in the same run."""

    name: str
    words: str
    thorough: bool = False
    needs_homed: bool = False
    moves: bool = False


PLAN = (
    Step("cold", "ohms with the power off: rails, coils"),
    Step("rails", "supplies at the card and at every part"),
    Step("link", "the card answers, always alike"),
    Step("encoders", "counts follow a joint turned by hand"),
    Step("switches", "inputs follow a finger on the switch, and only the right one"),
    Step("sweep", "each joint led by hand through its travel", thorough=True),
    Step("wiggle", "cables wiggled, nothing comes and goes", thorough=True),
    Step("stop", "the STOP button takes the power away"),
    Step("jogs", "each joint moves the right way and far", moves=True),
    Step("homing", "each joint by its homing method, stage by stage", moves=True),
    Step("trim", "zeros by level and witness mark", needs_homed=True, moves=True),
    Step("repeat", "a second homing agrees", needs_homed=True, moves=True),
    Step("index", "counts from index to index, slow and fast", True, True, True),
    Step("load", "24 V at every drive while it moves", True, True, True),
)
"""Every check, in its order."""

NAMES = tuple(step.name for step in PLAN)
POWERED = ("cold", "rails", "link")
"""What is done again after a repair: somebody had the power off."""
REPLACEABLE = (*(name for name in NAMES if name not in ("trim", "repeat", "index", "load")), "all")


@dataclass(frozen=True)
class Options:
    """What is done this time. Raises PlanError for what contradicts itself.

    `skip` has a reason for each name; `replace` a routine of the user's own for a name, or for
    `all`; `resume` is the file that the state is read from, and written to after each check;
    `calibration` what an earlier run found.
    """

    only: tuple[str, ...] = ()
    skip: Mapping[str, str] = field(default_factory=dict)
    thorough: bool = False
    replace: Mapping[str, Routine] = field(default_factory=dict)
    resume: Path | None = None
    calibration: Calibration | None = None

    def __post_init__(self) -> None:
        known_names("only", self.only, NAMES)
        known_names("skip", self.skip, NAMES)
        known_names("replace", self.replace, REPLACEABLE)
        for name in self.replace:
            if self.only and name not in (*self.only, "all"):
                raise PlanError(
                    f"a routine of your own replaces {name}, which is not among only "
                    f"{','.join(self.only)}; expected it there, or replace another"
                )
            if name in self.skip:
                raise PlanError(f"{name} is both skipped and replaced; leave one out")
        for name, reason in self.skip.items():
            if not reason.strip():
                raise PlanError(f'skip {name}: no reason given; expected {name}="why"')
            if name in self.only:
                raise PlanError(f"{name} is both in only and in skip; leave one out")
        for step in PLAN:
            if step.needs_homed and step.name in self.only and "homing" not in self.only:
                raise PlanError(
                    f"{step.name} needs joints homed in the same run: expected "
                    f"only homing,{step.name}"
                )

    @property
    def homed_by(self) -> str:
        """How the user named the routine that homes; empty for the arm file's methods."""
        return self.replace["homing"].told if "homing" in self.replace else ""

    @property
    def homings(self) -> int:
        """How often the repeat check homes."""
        return THOROUGH_HOMINGS if self.thorough else 1

    def why_not(self, step: Step) -> str | None:
        """Why a step is left out; None when it is to be done, "" when nobody misses it."""
        if step.name in self.skip:
            return f"skipped: {self.skip[step.name]}"
        if self.only and step.name in self.only:
            return None
        if self.only:
            return "" if step.thorough and not self.thorough else "not asked for"
        if "all" in self.replace:
            return "replaced by a routine of your own"
        return "" if step.thorough and not self.thorough else None


def known_names(what: str, names: Iterable[str], known: Iterable[str]) -> None:
    """Raises PlanError for a name that is not known, with the nearest one."""
    for name in names:
        if name not in known:
            close = difflib.get_close_matches(name, list(known), n=1)
            hint = f"; is {close[0]!r} meant?" if close else ""
            raise PlanError(f"{what}: got {name!r}; expected one of {', '.join(known)}{hint}")


def blocked(step: Step, checks: list[Check]) -> str:
    """Why an earlier finding forbids a step; empty when nothing does."""
    if any(s.kind is Kind.METER for check in checks for s in check.symptoms):
        return "the meter is not proved: no reading counts"
    gates: tuple[tuple[bool, Callable[[Check], bool], str], ...] = (
        (
            step.name != "cold",
            lambda check: check.shorts_rail,
            "a rail is shorted: no power before that is mended",
        ),
        (
            step.name not in POWERED[:2],
            lambda check: check.name == "rails" and check.joint is None,
            "a rail is out of range",
        ),
        (step.name not in POWERED, lambda check: check.name == "link", "the link garbles"),
        (
            step.moves,
            lambda check: check.name == "stop",
            "the stop circuit is not proved",
        ),
        (
            step.moves and step.name != "jogs",
            lambda check: True,
            "a check before it failed",
        ),
    )
    for applies, concerns, why in gates:
        if applies and any(check.failed and concerns(check) for check in checks):
            return why
    return ""
