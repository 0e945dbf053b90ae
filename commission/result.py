"""What a commissioning gives back."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

from . import cautions
from .diagnosis import Diagnosis
from .findings import Check
from .homing import Homed
from .suspect import Suspect

SCHEMA = 1
"""Edition of the JSON: `report.schema.json` describes it."""

Outcome = Literal["pass", "passed in part", "findings", "could not run"]


@dataclass(frozen=True)
class JointResult:
    """One joint at the end, in its `unit`. Angles are None while the joint is not homed.

    `soft_limits_steps` are the step counts at both ends of its travel (object 607Dh of CiA 402).
    """

    joint: str
    gauge: str
    unit: str
    gauge_accuracy_deg: float
    angle_deg: float | None = None
    trim_deg: float | None = None
    home_offset_deg: float | None = None
    residue_deg: float | None = None
    repeat_deg: float | None = None
    method: int | None = None
    soft_limits_steps: tuple[int, int] | None = None


@dataclass
class Result:
    """The whole: verdict, evidence, suspects, and where the joints are believed to be.

    `kept` tells which checks stand from an earlier part of the run, and from when.
    """

    verdict: Outcome
    arm: str
    reason: str = ""
    identity: str = ""
    kept: str = ""
    date: datetime = field(default_factory=lambda: datetime.now().astimezone())
    rig_time_s: float | None = None
    checks: list[Check] = field(default_factory=list)
    suspects: list[Suspect] = field(default_factory=list)
    joints: list[JointResult] = field(default_factory=list)
    gauge_accuracy_deg: dict[str, float] = field(default_factory=dict)
    homed: list[Homed] = field(default_factory=list)
    calibration: str = ""
    diagnosis: Diagnosis | None = None

    @property
    def exit_code(self) -> int:
        """0 passed, wholly or in part; 1 findings; 2 could not run."""
        return {"findings": 1, "could not run": 2}.get(self.verdict, 0)

    def to_json(self) -> dict[str, Any]:
        """A plain object for `json.dumps`."""
        return {
            "schema": SCHEMA,
            "verdict": self.verdict,
            "arm": self.arm,
            "reason": self.reason,
            "card": self.identity,
            "kept": self.kept,
            "date": self.date.isoformat(timespec="seconds"),
            "rig_time_s": self.rig_time_s,
            "checks": [
                {"name": c.name, "joint": c.joint, "verdict": c.verdict, "evidence": c.evidence}
                for c in self.checks
            ],
            "suspects": [{"fault": s.fault, "because": s.because} for s in self.suspects],
            "diagnosis": None if self.diagnosis is None else self.diagnosis.to_json(),
            "joints": [_joint(joint) for joint in self.joints],
            "gauge_accuracy_deg": self.gauge_accuracy_deg,
            "cautions": list(cautions.REPORT),
        }


def _joint(joint: JointResult) -> dict[str, Any]:
    # JSON knows no NaN.
    return {
        name: None if isinstance(value, float) and math.isnan(value) else _listed(value)
        for name, value in vars(joint).items()
    }


def _listed(value: Any) -> Any:
    return list(value) if isinstance(value, tuple) else value
