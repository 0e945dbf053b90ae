"""A study at a terminal: hidden faults as they come, the table at the end."""

from __future__ import annotations

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from .latency import Finding, Tally

OUTCOMES = ("distinguishable", "depends on the arm", "latent")
UNEXPLAINED = "no reason known"


def line_of(finding: Finding) -> str:
    """One hidden fault in a line: what it is, how it came out, why."""
    share = f" ({sum(map(bool, finding.told))} of {len(finding.told)} arms show it)"
    how = finding.outcome + (share if any(finding.told) else "")
    return f"{finding.fault}: {how}: {finding.reason or UNEXPLAINED}"


def markdown(tally: Tally) -> str:
    """Kinds that are hidden somewhere as a markdown table, with the reasons, and the totals."""
    lines = [
        "| kind | faults | distinguishable | depends on the arm | latent | why it stays hidden |",
        "|---|---|---|---|---|---|",
    ]
    for kind in tally.kinds():
        counts = [tally.count(outcome, kind) for outcome in OUTCOMES]
        if counts[1] or counts[2]:
            mine = [f for f in tally.hidden() if f.fault.partition("@")[0] == kind]
            why = dict.fromkeys(f.reason.partition(" (")[0] or UNEXPLAINED for f in mine)
            row = (f"`{kind}`", sum(counts), *counts, "; ".join(why))
            lines.append("| " + " | ".join(map(str, row)) + " |")
    counts = [tally.count(outcome) for outcome in OUTCOMES]
    whole = [kind for kind in tally.kinds() if tally.count(OUTCOMES[0], kind) == sum(
        tally.count(outcome, kind) for outcome in OUTCOMES
    )]  # fmt: skip
    lines.append(f"| all | {sum(counts)} | {counts[0]} | {counts[1]} | {counts[2]} | |")
    seen = ", ".join(f"`{kind}`" for kind in whole)
    return "\n".join(lines) + f"\n\nAlways seen: {seen}.\n"


def show(tally: Tally, console: Console) -> None:
    """Counts by kind, and of all."""
    table = Table(title="Seen by the reference commissioning", title_justify="left")
    table.add_column("kind")
    for heading in ("faults", *OUTCOMES):
        table.add_column(heading, justify="right")
    for kind in tally.kinds():
        counts = [tally.count(outcome, kind) for outcome in OUTCOMES]
        table.add_row(escape(kind), str(sum(counts)), *(str(n) if n else "" for n in counts))
    counts = [tally.count(outcome) for outcome in OUTCOMES]
    table.add_section()
    table.add_row("all", str(sum(counts)), *map(str, counts))
    console.print(table)
    unexplained = sum(not finding.reason for finding in tally.hidden())
    console.print(
        f"{counts[0]} distinguishable, {counts[1]} depend on the arm, {counts[2]} latent; "
        f"{unexplained} hidden without a known reason",
        highlight=False,
    )
