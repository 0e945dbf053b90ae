"""A routine of the user's own in the place of homing, of a check, or of the whole.

`module:function` is called with the card's open serial port. It returns, or raises what is wrong;
what it returns may be a mapping of joint names to the angle at which their step counter reads 0.
A program (`--exec "prog {port}"`) has the port to itself: exit code 0 is a pass, and each line of
its output that is a JSON object may say `joint`, `verdict`, `evidence`, `zero_deg`.
"""

from __future__ import annotations

import difflib
import importlib
import json
import shlex
import shutil
import subprocess
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from .errors import CommissionError, RoutineError
from .findings import Check, Kind, Symptom
from .line import Line

PROGRAM_LIMIT_S = 600.0
_TOLD = 300


@dataclass(frozen=True)
class Report:
    """What a routine said: nothing wrong (`failure` empty) or why; checks; zeros in joint units."""

    failure: str = ""
    checks: tuple[Check, ...] = ()
    zero_deg: Mapping[str, float] = field(default_factory=dict)


class Routine(Protocol):
    """Something that can stand in for a check."""

    @property
    def told(self) -> str:
        """How the user named it."""

    def run(self, line: Line, name: str) -> Report:
        """Do it, with the card's line; `name` is that of the check it replaces."""


@dataclass(frozen=True)
class Function:
    """`module:function` of Python."""

    told: str
    call: Callable[[Any], Any]

    @classmethod
    def load(cls, text: str) -> Function:
        """Find it, in the current folder too. Raises RoutineError."""
        module_name, colon, name = text.partition(":")
        if not (module_name and colon and name):
            raise RoutineError(f"got {text!r}; expected module:function, such as mine:home")
        here = str(Path.cwd())
        if here not in sys.path:
            sys.path.insert(0, here)
        try:
            module = importlib.import_module(module_name)
        except Exception as error:
            raise RoutineError(f"cannot import {module_name!r}: {_said(error)}") from error
        call = getattr(module, name, None)
        if not callable(call):
            there = [known for known in vars(module) if callable(getattr(module, known))]
            close = difflib.get_close_matches(name, there, n=1)
            hint = f"; is {close[0]!r} meant?" if close else ""
            raise RoutineError(f"{module_name} has no function {name!r}{hint}")
        return cls(text, call)

    def run(self, line: Line, name: str) -> Report:
        """Call it with the open port; whatever it raises is its finding."""
        try:
            returned = self.call(line.port)
        except CommissionError:
            raise
        except SystemExit as error:
            return Report(f"it ended: {error.code}") if error.code else Report()
        except Exception as error:
            return Report(_said(error))
        if returned is None:
            return Report()
        try:
            return Report(zero_deg={str(k): float(v) for k, v in dict(returned).items()})
        except (TypeError, ValueError):
            return Report(f"it returned {returned!r}; expected None or angles by joint name")


@dataclass(frozen=True)
class Program:
    """A command line, `{port}` standing for the card's device."""

    told: str

    def __post_init__(self) -> None:
        if "{port}" not in self.told:
            raise RoutineError(f'got {self.told!r}; expected {{port}} in it, as in "home {{port}}"')
        try:
            program = shlex.split(self.told)[0]
        except ValueError as error:  # a quotation mark without its other one
            raise RoutineError(f"got {self.told!r}: {error}") from error
        if "{port}" not in program and shutil.which(program) is None:
            # Told before the arm is looked at, and not when its turn comes.
            raise RoutineError(
                f"cannot run {program!r}: no such program in the PATH, or not to be executed; "
                "in the current folder it is ./name"
            )

    def run(self, line: Line, name: str) -> Report:
        """Give it the port to itself, and take exit code and JSON lines."""
        if "://" in line.where or not line.where:
            raise RoutineError(
                f"a program cannot open {line.where or 'this port'!r}: serve the arm and name its "
                "device, as in --port ./card"
            )
        command = [part.replace("{port}", line.where) for part in shlex.split(self.told)]
        with line.lent():
            try:
                done = subprocess.run(
                    command,
                    stdin=subprocess.DEVNULL,
                    capture_output=True,
                    text=True,
                    errors="replace",
                    timeout=PROGRAM_LIMIT_S,
                    check=False,
                )
            except OSError as error:
                raise RoutineError(f"cannot run {command[0]!r}: {error.strerror}") from error
            except subprocess.TimeoutExpired:
                return Report(f"it had not ended after {PROGRAM_LIMIT_S:.0f} s, and was stopped")
        checks, zeros = _lines(done.stdout, name)
        failure = ""
        if done.returncode:
            last = (done.stderr.strip() or done.stdout.strip()).splitlines()[-1:]
            failure = f"exit code {done.returncode}" + "".join(f": {x[:_TOLD]}" for x in last)
        return Report(failure, tuple(checks), zeros)


def _said(error: Exception) -> str:
    return f"{type(error).__name__}: {error}" if str(error) else type(error).__name__


def _lines(output: str, name: str) -> tuple[list[Check], dict[str, float]]:
    """Checks and zeros from the lines that are JSON objects; all others are the program's own."""
    checks, zeros = [], {}
    for text in output.splitlines():
        if not text.lstrip().startswith("{"):
            continue
        try:
            told = json.loads(text)
        except ValueError:
            continue
        joint = told.get("joint")
        joint = joint if joint is None or isinstance(joint, str) else json.dumps(joint)
        if isinstance(told.get("zero_deg"), int | float) and isinstance(joint, str):
            zeros[joint] = float(told["zero_deg"])
        if told.get("verdict") in ("pass", "fail"):
            symptoms = (Symptom(Kind.ROUTINE, joint),) if told["verdict"] == "fail" else ()
            said = str(told.get("evidence", "")) or "said by the program"
            checks.append(Check(name, joint, told["verdict"], said, symptoms))
    return checks, zeros
