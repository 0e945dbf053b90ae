"""Lines for a drill: typed by a person, with history and completion, or read from a pipe."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

from rich.console import Console
from rich.progress import Progress

from ..commission.report import make_folder
from .drill import HANDED_IN, Drill
from .drill_cases import deal
from .drill_words import Vocabulary, complete

PROMPT = "> "


def run_drill(scene: str, level: int, seed: int, folder: Path, say: Callable[[str], None]) -> int:
    """One drill from its order to its record; returns the exit code.

    0: handed in. 1: left, or ended by an unsafe act. Raises DrillError, SceneError,
    CommissionError.
    """
    make_folder(folder)
    person = sys.stdin.isatty()
    console = Console(stderr=True)
    bar = Progress(console=console, transient=True, disable=not console.is_terminal)
    with bar:
        task = bar.add_task("preparing")
        case = deal(scene, level, seed)

    def progress(share: float) -> None:
        if not bar.live.is_started:
            bar.start()
        bar.update(task, completed=100 * share, description="marking")
        if share >= 1:
            bar.stop()

    with Drill(case, folder, say, input if person else None, progress) as drill:
        try:
            drill.welcome()
            _lines(drill, person, say)
        finally:
            bar.stop()
            path = drill.write_record()
        say(f"Record: {path}")
        return 0 if drill.outcome == HANDED_IN else 1


def _lines(drill: Drill, person: bool, say: Callable[[str], None]) -> None:
    if person:
        _completion(drill.known)
    while True:
        try:
            line = input(PROMPT if person else "")
        except EOFError:
            drill.say("End of input: left without handing in.")
            return
        drill.typed(line)
        if not person:
            say(f"{PROMPT}{line}")
        if not drill.handle(line):
            return


def _completion(known: Vocabulary) -> None:
    """Tab completes, arrows go through what was typed; without readline neither does."""
    try:
        import readline
    except ImportError:
        return

    def completer(_text: str, state: int) -> str | None:
        found = complete(readline.get_line_buffer()[: readline.get_endidx()], known)
        return f"{found[state]} " if state < len(found) else None

    readline.set_completer_delims(" \t")
    readline.set_completer(completer)
    readline.parse_and_bind("tab: complete")
