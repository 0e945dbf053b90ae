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

from .arm import Arm, Joint
from .errors import CalibrationError
from .homing_methods import edge_deg, method_of, turn_deg

SCHEMA = 1
# No bracket, stop or mark is further off than this: the offset belongs to another home.
FAR_DEG = 10.0


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class JointCalibration(_Table):
    """One joint; `home_offset` in its unit (deg or mm). No method where `homed_by` has a name."""

    method: int | None = None
    home_offset: Annotated[float, Field(allow_inf_nan=False)]
    unit: Literal["deg", "mm"]
    direction: Literal[-1, 1]


class Calibration(_Table):
    """Of one arm."""

    schema_: Literal[1] = Field(alias="schema")
    arm: str
    date: str
    homed_by: str = ""
    joint: dict[str, JointCalibration]

    def offsets(self, arm: Arm, homed_by: str = "") -> dict[str, float]:
        """Home offsets by joint. Raises CalibrationError when this is not the arm's file.

        `homed_by` is how the user named the routine that homes, empty for the arm file's methods:
        home is elsewhere for another one.
        """
        problems = []
        if self.homed_by != homed_by:
            was, now = (name or "the arm file's methods" for name in (self.homed_by, homed_by))
            problems.append(f"it is of homing by {was}, and this is by {now}")
        if self.arm != arm.name:
            problems.append(f"it is of the arm {self.arm!r}, and this is {arm.name!r}")
        offsets = {}
        for joint in arm.joints:
            own = self.joint.get(joint.name)
            if own is None:
                problems.append(f"{joint.name} is missing")
                continue
            by_methods = not (homed_by or self.homed_by)
            if by_methods and own.method != method_of(joint).number:
                problems.append(
                    f"{joint.name}: method {own.method}, the arm file says "
                    f"{method_of(joint).number}"
                )
            if own.direction != joint.direction:
                problems.append(
                    f"{joint.name}: direction {own.direction}, the arm file says {joint.direction}"
                )
            drawn = home_drawn_deg(joint) if by_methods else None
            if drawn is not None and not drawn[0] <= own.home_offset <= drawn[1]:
                problems.append(
                    f"{joint.name}: home_offset {own.home_offset:g} {joint.unit}, and by the arm "
                    f"file home lies between {drawn[0]:.0f} and {drawn[1]:.0f} {joint.unit}"
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


def home_drawn_deg(joint: Joint) -> tuple[float, float] | None:
    """Between which angles home can lie by the drawing; None where that depends on the start."""
    method = method_of(joint)
    if method.needs == "hard stop":
        assert joint.stops_deg is not None  # the arm file's check
        at = joint.stops_deg[0 if method.side < 0 else 1]
        return at - FAR_DEG, at + FAR_DEG
    if method.needs not in ("limit switch", "home switch"):
        return None
    at = edge_deg(joint, method.edge)
    past = 0.0
    if method.index:
        past = turn_deg(joint) * (-method.side if method.edge == "FALL" else method.side)
    return at + min(past, 0.0) - FAR_DEG, at + max(past, 0.0) + FAR_DEG


def calibration_text(arm: Arm, date: str, offsets: Mapping[str, float], homed_by: str = "") -> str:
    """The file's text for these home offsets, one a joint; `homed_by` as of `offsets`."""
    lines = [
        "# Home offset: what the position reads at home (object 607Ch of CiA 402).",
        f"schema = {SCHEMA}",
        f"arm = {_quoted(arm.name)}",
        f"date = {_quoted(date)}",
    ]
    if homed_by:
        lines.append(f"homed_by = {_quoted(homed_by)}")
    for joint in arm.joints:
        if joint.name not in offsets:
            continue
        lines += [
            "",
            f"[joint.{joint.name}]",
            *([] if homed_by else [f"method = {method_of(joint).number}"]),
            f"home_offset = {offsets[joint.name]:.4f}",
            f"unit = {_quoted(joint.unit)}",
            f"direction = {joint.direction}",
        ]
    return "\n".join(lines) + "\n"


def _quoted(text: Any) -> str:
    return '"' + str(text).replace("\\", "\\\\").replace('"', '\\"') + '"'
