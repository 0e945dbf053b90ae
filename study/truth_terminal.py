"""The study of the truth at a terminal: what must not be, and the table at the end."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table

from ..commission.homing import PRESS_LIMIT_S
from .truth import BEYOND_DEG, HUNG, LIMIT_S, Held, Tally

_VERDICTS = ("pass", "findings", "could not run", HUNG)


def line_of(held: Held) -> str:
    """What a run broke, in a line."""
    return f"{held.fault or 'sound'} (seed {held.seed}, {held.verdict}): {'; '.join(held.wrongs)}"


def show(tally: Tally, console: Console) -> None:
    """How the runs ended, by kind of fault, and the furthest that any went."""
    table = Table(title="Held against the truth", title_justify="left", collapse_padding=True)
    table.add_column("kind", no_wrap=True)
    for heading in ("arms", *_VERDICTS, "rig\ns", "stop\ns", "off\ndeg", "wrong"):
        table.add_column(heading, justify="right")
    by_kind: dict[str, list[Held]] = {}
    for one in tally.held:
        by_kind.setdefault(one.fault.partition("@")[0], []).append(one)
    for kind, held in by_kind.items():
        table.add_row(kind, *_row(held))
    table.add_section()
    table.add_row("all", *_row(tally.held))
    console.print(table)
    console.print(
        f"{len(tally.wrong)} of {len(tally.held)} arms are wrong. The most of each kind, and "
        f"what is allowed: rig time ({LIMIT_S:.0f} s), time driven against a hard stop "
        f"({PRESS_LIMIT_S:g} s), a joint of a passed arm beyond its stated bound "
        f"({BEYOND_DEG:g} deg); nothing may be asked of the teacher.",
        highlight=False,
    )


def _row(held: list[Held]) -> list[str]:
    ends = [sum(one.verdict == verdict for one in held) for verdict in _VERDICTS]
    pressed_s = max(one.pressed_s for one in held)
    beyond_deg = max(one.off_deg for one in held)
    return [
        str(len(held)),
        *(str(n) if n else "" for n in ends),
        f"{max(one.rig_time_s for one in held):.0f}",
        f"{pressed_s:.2f}" if pressed_s else "",
        f"{beyond_deg:+.2f}" if ends[0] else "",
        str(sum(bool(one.wrongs) for one in held) or ""),
    ]
