"""What all commands share: what they say, how they fail, the arguments that many of them take."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated, NoReturn

import typer

from .errors import DryrigError
from .stopping import Stopped, stoppable

COULD_NOT_RUN = 2

SceneName = Annotated[str, typer.Argument(metavar="SCENE", help="Name or TOML file.")]
Seed = Annotated[int, typer.Option(min=0, help="Which individual arm.")]


def say(text: str) -> None:
    """Print to standard output; a reader that has gone, or a full disk, is no success."""
    try:
        print(text, flush=True)
    except OSError as error:
        # What is left in the buffer must not fail once more at the end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        fail(f"standard output: {error.strerror}")


def fail(error: object) -> NoReturn:
    """Say what is wrong and end with exit code 2."""
    typer.echo(f"dryrig: {error}", err=True)
    raise typer.Exit(COULD_NOT_RUN)


def expected(error: Exception) -> bool:
    """Whether it is ours to tell, and not a fault of the program."""
    from .commission.errors import CommissionError

    return isinstance(error, (CommissionError, DryrigError))


@contextmanager
def telling(kept: str = "") -> Iterator[None]:
    """Let a signal or an error of ours end the command with a line; `kept` says what is left."""
    try:
        with stoppable():
            yield
    except Stopped as stopped:
        fail(f"stopped by {stopped}" + (f"; {kept}" if kept else ""))
    except Exception as error:
        if not expected(error):
            raise
        fail(error)
