"""The state of a run in a file: what was done, so that it can go on after a stop or a repair."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from .errors import PlanError
from .findings import Check, Kind, Symptom
from .plan import NAMES, PLAN, POWERED

SCHEMA = 1


@dataclass
class State:
    """Checks done so far on one arm, by the names of the plan, and when the file was written."""

    arm: str
    done: list[str] = field(default_factory=list)
    checks: list[Check] = field(default_factory=list)
    date: str = ""

    def kept(self, wanted: Iterable[str]) -> tuple[list[str], list[Check]]:
        """What need not be done again of the `wanted` checks: names and their checks.

        After findings the first check that failed and all that come after it are done again, and
        what a power-off touches; joints must be homed anew for whatever needs that. A run that
        has ended is begun anew: where its joints are is not known any more.
        """
        failed = [name for name in NAMES if any(c.failed for c in self._of(name))]
        names = [name for name in NAMES if name in self.done]
        if failed:
            first = NAMES.index(failed[0])
            names = [n for n in names if NAMES.index(n) < first and n not in POWERED]
        undone = [name for name in wanted if name not in names]
        if not undone:
            return [], []
        homed = [step.name for step in PLAN if step.needs_homed and step.name in undone]
        if homed and "homing" in names:
            names = [name for name in names if NAMES.index(name) < NAMES.index("homing")]
        return names, [check for name in names for check in self._of(name)]

    def _of(self, name: str) -> list[Check]:
        return [check for check in self.checks if check.name == name]

    def save(self, path: Path) -> None:
        """Write it whole or not at all. Raises PlanError."""
        plain = {
            "schema": SCHEMA,
            "arm": self.arm,
            "date": datetime.now().astimezone().isoformat(timespec="seconds"),
            "done": self.done,
            "checks": [_plain(check) for check in self.checks],
        }
        beside = _beside(path)
        try:
            beside.write_text(json.dumps(plain, indent=1, ensure_ascii=False) + "\n", "utf-8")
            os.replace(beside, path)
        except OSError as error:
            raise _unwritten(path, error) from error


def _beside(path: Path) -> Path:
    return path.with_name(path.name + ".new")


def _unwritten(path: Path, error: OSError) -> PlanError:
    return PlanError(f"cannot write the state to {str(path)!r}: {error.strerror}")


def read_state(path: Path, arm: str) -> State:
    """The state in a file; an empty one when there is no file yet.

    Raises PlanError, also when the file could not be written later on.
    """
    beside = _beside(path)
    try:
        beside.write_text("", "utf-8")
        beside.unlink()
    except OSError as error:
        raise _unwritten(path, error) from error
    if not path.exists():
        return State(arm)
    way_out = "Name another file, or delete it to begin anew"
    try:
        plain = json.loads(path.read_text(encoding="utf-8"))
        if plain["schema"] != SCHEMA:
            raise PlanError(f"{path}: schema {plain['schema']!r}, expected {SCHEMA}. {way_out}")
        state = State(plain["arm"], [str(name) for name in plain["done"]], [], str(plain["date"]))
        state.checks = [_check(check) for check in plain["checks"]]
    except (OSError, ValueError, TypeError, KeyError) as error:
        if isinstance(error, PlanError):
            raise
        raise PlanError(f"{str(path)!r} is no state of a run: {error!r}. {way_out}") from error
    if state.arm != arm:
        raise PlanError(f"{path} is of the arm {state.arm!r}, and this is {arm!r}. {way_out}")
    return state


def _plain(check: Check) -> dict[str, Any]:
    return {
        "name": check.name,
        "joint": check.joint,
        "verdict": check.verdict,
        "evidence": check.evidence,
        "symptoms": [
            {
                "kind": symptom.kind.name,
                "joint": symptom.joint,
                # JSON knows no infinity: a meter on overload.
                "readings": {
                    name: value if math.isfinite(value) else None
                    for name, value in symptom.readings.items()
                },
                "detail": symptom.detail,
            }
            for symptom in check.symptoms
        ],
    }


def _check(plain: dict[str, Any]) -> Check:
    symptoms: Iterable[dict[str, Any]] = plain["symptoms"]
    return Check(
        plain["name"],
        plain["joint"],
        plain["verdict"],
        plain["evidence"],
        tuple(
            Symptom(
                Kind[one["kind"]],
                one["joint"],
                {
                    name: math.inf if value is None else float(value)
                    for name, value in one["readings"].items()
                },
                one["detail"],
            )
            for one in symptoms
        ),
    )
