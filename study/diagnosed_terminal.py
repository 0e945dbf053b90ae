"""The study of the diagnosis at a terminal: what was not named, and the table at the end."""

from __future__ import annotations

from statistics import median

from rich.console import Console
from rich.table import Table

from .diagnosed import FIRST, THREE, Tally, Trial


def line_of(trial: Trial) -> str:
    """A fault that was not named first, or an arm that passed wrongly."""
    text = f"{trial.fault} (seed {trial.seed}, {trial.verdict}): "
    text += f"in class {trial.place}" if trial.place else "in no class given"
    text += f"; first {trial.first}" if trial.place != FIRST else ""
    return "; ".join((text, *trial.wrongs))


def show(tally: Tally, console: Console) -> None:
    """By kind: how often first and among three, how large the classes, what chance would give."""
    table = Table(title="Classes named, faults that are not latent", title_justify="left")
    table.add_column("kind")
    for heading in (
        "faults", "first", "among 3", "chance", "among 3", "class size", "largest", "latent",
    ):  # fmt: skip
        table.add_column(heading, justify="right")
    for kind in tally.kinds():
        table.add_row(kind, *_row(tally, kind))
    table.add_section()
    table.add_row("all", *_row(tally, ""))
    console.print(table)
    wrong = sum(bool(trial.wrongs) for trial in tally.trials)
    readings = sum(trial.measured for trial in tally.of())
    console.print(
        f"{len(tally.trials)} arms: {wrong} broke a promise (`faults truth`); "
        f"{readings / max(len(tally.of()), 1):.1f} measurements each. Class size: median.",
        highlight=False,
    )


def _row(tally: Tally, kind: str) -> list[str]:
    trials, hidden = tally.of(kind), str(tally.hidden(kind) or "")
    if not trials:
        return ["0", *[""] * 6, hidden]
    number = len(trials)
    return [
        str(number),
        f"{sum(one.place == FIRST for one in trials) / number:.1%}",
        f"{sum(0 < one.place <= THREE for one in trials) / number:.1%}",
        f"{sum(one.chance for one in trials) / number:.1%}",
        f"{sum(one.chance_three for one in trials) / number:.1%}",
        f"{median(one.size for one in trials):g}",
        str(max(one.size for one in trials)),
        hidden,
    ]
