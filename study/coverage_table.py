"""Published fault models at a terminal: what injects each, or why nothing does."""

from __future__ import annotations

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from ..faults.coverage import ROWS, injecting


def show_coverage(console: Console) -> None:
    """Print a table for each standard, and how many rows there are."""
    for standard in dict.fromkeys(row.standard for row in ROWS):
        table = Table(title=standard, title_justify="left", show_lines=True)
        for heading in ("table", "element", "fault", "injected by", "remarks", "wording"):
            table.add_column(heading, overflow="fold", no_wrap=heading == "table")
        for row in (row for row in ROWS if row.standard == standard):
            faults, reason = "\n".join(row.injected) or "-", row.reason
            words = (row.table, row.element, row.fault, faults, reason, row.source)
            table.add_row(*map(escape, words))
        console.print(table)
    covered = sum(bool(row.injected) for row in ROWS)
    console.print(
        f"{len(ROWS)} rows: {covered} injected, by {len(injecting())} faults shown; "
        f"{len(ROWS) - covered} with the reason why not. "
        "Table numbers and wording from memory unless a source is named.",
        highlight=False,
    )
