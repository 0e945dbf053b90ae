"""A commissioning as a command line asks for it."""

from __future__ import annotations

from contextlib import ExitStack, closing
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from rich.console import Console

    from ..commission.plan import Options
    from ..commission.result import Result
    from .ranker import SimulatedRanker


class Asked(NamedTuple):
    """What a commissioning's options say, as typed."""

    only: str | None
    skip: list[str]
    thorough: bool
    resume: Path | None
    calibration: Path | None
    routine: str | None
    program: str | None
    replace: str


def _options(asked: Asked) -> Options:
    """The same, read. Raises CommissionError."""
    from ..commission.calibration import read_calibration
    from ..commission.errors import PlanError
    from ..commission.plan import Options
    from ..commission.routine import Function, Program, Routine

    if asked.routine is not None and asked.program is not None:
        raise PlanError("--routine and --exec: one routine at a time; leave one out")
    replace: dict[str, Routine] = {}
    if asked.routine is not None:
        replace[asked.replace] = Function.load(asked.routine)
    elif asked.program is not None:
        replace[asked.replace] = Program(asked.program)
    parts = [text.partition("=") for text in asked.skip]
    return Options(
        only=tuple(name.strip() for name in asked.only.split(",")) if asked.only else (),
        skip={name.strip(): reason.strip().strip('"') for name, _, reason in parts},
        thorough=asked.thorough,
        replace=replace,
        resume=asked.resume,
        calibration=read_calibration(asked.calibration) if asked.calibration else None,
    )


def commission_asked(
    port: str, hands: str | None, arm: str, asked: Asked, console: Console, diagnose: bool
) -> Result:
    """Open ports and hands, and do it. Raises CommissionError, DryrigError."""
    from ..commission.client import Card
    from ..commission.hand import PortHand
    from ..commission.person import PersonHand
    from ..commission.run import commission as run
    from ..commission.terminal import progress_on
    from ..scenes.loader import scene_path

    path, options = scene_path(arm), _options(asked)
    person = PersonHand(console) if hands is None else None
    ranker = _ranker(arm, console) if diagnose else None
    with ExitStack() as stack:
        # The card first: of two in-process ports, the first one opened sets up the rig.
        card = stack.enter_context(closing(Card.open(port)))
        hand: PortHand | PersonHand = person or PortHand.open(str(hands))
        stack.enter_context(closing(hand))
        progress = stack.enter_context(progress_on(console, lines=hands is None))
        return run(card, hand, path, progress, options=options, ranker=ranker)


def _ranker(arm: str, console: Console) -> SimulatedRanker:
    from .library import Library
    from .ranker import SimulatedRanker

    ranker = SimulatedRanker(arm, Library.of(arm))
    total = tried = 0

    def say(words: str) -> None:
        console.print(f"diagnosis: {words}", highlight=False, markup=False)

    def learning(tasks: int) -> None:
        nonlocal total
        total = tasks
        say(f"{tasks} arms to commission first, which is kept for the next time")

    def done() -> None:
        nonlocal tried
        tried += 1
        if tried * 10 // total > (tried - 1) * 10 // total:
            say(f"{tried} of {total}")

    ranker.learning, ranker.done = learning, done
    return ranker
