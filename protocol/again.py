"""A way to see a failure again: the run that led to it, kept as a file for `dryrig replay`.

Every run over in-process ports is noted, which costs next to nothing; the last few are kept.
"""

from __future__ import annotations

import tempfile
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from .run_file import Notes
from .station import Station

_LIMIT = 200_000
_recent: deque[Notes] = deque(maxlen=4)
_traced = False


def trace_runs(on: bool) -> None:
    """Trace every run that begins from now on, or no more."""
    global _traced
    _traced = on


def recent_runs() -> list[Notes]:
    """The runs kept, the latest first."""
    return list(reversed(_recent))


def begin_notes(
    station: Station, scene: str, faults: Sequence[str], start_pose_deg: Sequence[float] | None
) -> Notes:
    """Note all that is done to a station's ports from now on."""
    notes = Notes(station, scene, faults, start_pose_deg, _LIMIT)
    _recent.append(notes)
    if _traced:
        station.rig.trace.start()
    return notes


def forget_runs() -> None:
    """Keep none of the runs so far."""
    _recent.clear()


@contextmanager
def apart() -> Iterator[None]:
    """For rigs that somebody tries things out on: their runs are not kept, and push none out."""
    kept = list(_recent)
    try:
        yield
    finally:
        _recent.clear()
        _recent.extend(kept)


def see_again(notes: Notes) -> str:
    """Write a run to a file of its own; the line that shows it again.

    Empty for a run in which nothing was done, or that was too long to be noted whole.
    """
    text = notes.text()
    if notes.full or "\nat " not in text:
        return ""
    with tempfile.NamedTemporaryFile(
        "w", prefix="dryrig-", suffix=".run", delete=False, encoding="utf-8"
    ) as file:
        file.write(text)
    own = notes.own_grammar
    return f"see it again: dryrig replay {Path(file.name)}" + (f" --grammar {own}" if own else "")


def see_all_again() -> str:
    """The same for all runs kept, the latest first, a line each."""
    return "\n".join(filter(None, map(see_again, reversed(_recent))))
