"""A commissioning as a person at a terminal sees it: progress, and the result in tables."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from . import cautions
from .diagnosis import MEMBERS_SHOWN, Diagnosis
from .result import Result
from .station import Progress

SUSPECTS_SHOWN = 5
CLASSES_SHOWN = 3


@contextmanager
def progress_on(console: Console, *, lines: bool = False) -> Iterator[Progress]:
    """A progress callback: one live line on a terminal, else a line for each stage.

    `lines` asks for plain lines on a terminal too, where a person answers questions meanwhile.
    """
    if console.is_terminal and not lines:
        with console.status("starting") as status:
            yield lambda text: status.update(escape(text))
        return
    stages: list[str] = []

    def tell(text: str) -> None:
        stage = text.partition(":")[0]
        if stage not in stages[-1:]:
            stages.append(stage)
            console.print(f"{stage} ...", markup=False, highlight=False)

    yield tell


def show(result: Result, console: Console, *, evidence: bool = False) -> None:
    """Print verdict, findings, suspects and joints; with `evidence` also what passed, and on what.

    Who asks for a few checks wants to see what they read.
    """
    style = {"pass": "green", "passed in part": "cyan", "findings": "yellow"}.get(
        result.verdict, "red"
    )
    console.print(f"[bold {style}]{result.verdict}[/]: {escape(result.arm)}")
    if result.reason:
        console.print(result.reason, markup=False, highlight=False)
    if result.kept:
        console.print(f"checks {result.kept}", markup=False, highlight=False)
    passed = [check for check in result.checks if check.verdict == "pass"]
    failed = [check for check in result.checks if check.failed]
    if result.checks:
        undone = len(result.checks) - len(passed) - len(failed)
        console.print(
            f"{len(passed)} check{'s' * (len(passed) != 1)} passed, {len(failed)} failed"
            + (f", {undone} not done" if undone else "")
        )
        for check in result.checks:
            if check.verdict == "skipped" and check.evidence.startswith("skipped"):
                console.print(f"{check.name} {check.evidence}", markup=False, highlight=False)
    for title, checks in (("Passed", passed if evidence else []), ("Findings", failed)):
        if checks:
            table = Table("check", "joint", "evidence", title=title, title_justify="left")
            for check in checks:
                table.add_row(check.name, check.joint or "all", escape(check.evidence))
            console.print(table)
    if result.diagnosis is not None and not result.diagnosis.classes[0].sound:
        _show_diagnosis(result.diagnosis, console)
    elif result.suspects:
        suspects = Table("fault", "because", title="Suspects", title_justify="left")
        for suspect in result.suspects[:SUSPECTS_SHOWN]:
            suspects.add_row(escape(suspect.fault), escape(suspect.because))
        console.print(suspects)
        hidden = len(result.suspects) - SUSPECTS_SHOWN
        if hidden > 0:
            console.print(f"and {hidden} weaker ones")
    if result.verdict in ("pass", "passed in part"):
        if all(joint.trim_deg is not None for joint in result.joints):
            console.print(_joints(result))
        console.print(cautions.NO_VALIDATION, markup=False, highlight=False)


def _show_diagnosis(diagnosis: Diagnosis, console: Console) -> None:
    for taken in diagnosis.taken:
        words = f"measured: {taken.measurement.words}: {taken.reading}"
        console.print(words, markup=False, highlight=False)
    classes = Table("share", "any of these explains it", title="Diagnosis", title_justify="left")
    for one in diagnosis.classes[:CLASSES_SHOWN]:
        names = ", ".join(one.faults[:MEMBERS_SHOWN])
        more = len(one.faults) - MEMBERS_SHOWN
        classes.add_row(f"{one.share:.0%}", escape(names + (f" and {more} more" * (more > 0))))
    console.print(classes)
    if diagnosis.split is not None:
        split = diagnosis.split
        console.print(f"Caution: {split.measurement.caution}", markup=False, highlight=False)
        console.print(f"Measure next: {split.measurement.words}", markup=False, highlight=False)
        for side in split.told:
            console.print(f"  {side}", markup=False, highlight=False)


def _joints(result: Result) -> Table:
    table = Table(
        "joint", "trimmed by", "trim", "left", "homed again", "stands at",
        title="Joints, degrees unless said", title_justify="left",
    )  # fmt: skip
    for joint in result.joints:
        table.add_row(
            joint.joint if joint.unit == "deg" else f"{joint.joint} ({joint.unit})",
            f"{joint.gauge}, ±{joint.gauge_accuracy_deg:g}",
            f"{joint.trim_deg:+.2f}",
            f"{joint.residue_deg:+.2f}",
            "" if joint.repeat_deg is None else f"{joint.repeat_deg:+.3f}",
            f"{joint.angle_deg:.3f}",
        )
    return table
