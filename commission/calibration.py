"""The calibration file: what one commissioning found out and the next one starts from.

TOML: for each joint its homing method, its home offset (object 607Ch of CiA 402: what the position
reads at home), and the sense of its motor and encoder that the jogs proved.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from .arm import Arm
from .errors import CalibrationError
from .homing_methods import method_of

SCHEMA = 1


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class JointCalibration(_Table):
    """One joint; `home_offset` in its unit (deg or mm)."""

    method: int
    home_offset: Annotated[float, Field(allow_inf_nan=False)]
    unit: Literal["deg", "mm"]
    direction: Literal[-1, 1]


class Calibration(_Table):
    """Of one arm."""

    schema_: Literal[1] = Field(alias="schema")
    arm: str
    date: str
    joint: dict[str, JointCalibration]

    def offsets(self, arm: Arm) -> dict[str, float]:
        """Home offsets by joint. Raises CalibrationError when this is not the arm's file."""
        problems = []
        if self.arm != arm.name:
            problems.append(f"it is of the arm {self.arm!r}, and this is {arm.name!r}")
        offsets = {}
        for joint in arm.joints:
            own = self.joint.get(joint.name)
            if own is None:
                problems.append(f"{joint.name} is missing")
                continue
            if own.method != method_of(joint).number:
                problems.append(
                    f"{joint.name}: method {own.method}, the arm file says "
                    f"{method_of(joint).number}"
                )
            if own.direction != joint.direction:
                problems.append(
                    f"{joint.name}: direction {own.direction}, the arm file says {joint.direction}"
                )
            offsets[joint.name] = own.home_offset
        if problems:
            raise CalibrationError(
                "the calibration does not fit: " + "; ".join(problems) + ". Leave --calibration "
                "out, and a new one is written"
            )
        return offsets


def read_calibration(path: Path) -> Calibration:
    """Read a calibration file. Raises CalibrationError."""
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise CalibrationError(f"there is no calibration file {str(path)!r}") from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise CalibrationError(f"cannot read the calibration {str(path)!r}: {error}") from error
    try:
        return Calibration.model_validate(raw)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"]))
        raise CalibrationError(
            f"{path}: {where}: got {first['input']!r}; {first['msg'][:1].lower()}{first['msg'][1:]}"
        ) from None


def calibration_text(arm: Arm, date: str, offsets: Mapping[str, float]) -> str:
    """The file's text for these home offsets, one a joint."""
    lines = [
        "# Home offset: what the position reads at home (object 607Ch of CiA 402).",
        f"schema = {SCHEMA}",
        f"arm = {_quoted(arm.name)}",
        f"date = {_quoted(date)}",
    ]
    for joint in arm.joints:
        if joint.name not in offsets:
            continue
        lines += [
            "",
            f"[joint.{joint.name}]",
            f"method = {method_of(joint).number}",
            f"home_offset = {offsets[joint.name]:.4f}",
            f"unit = {_quoted(joint.unit)}",
            f"direction = {joint.direction}",
        ]
    return "\n".join(lines) + "\n"


def _quoted(text: Any) -> str:
    return '"' + str(text).replace("\\", "\\\\").replace('"', '\\"') + '"'
