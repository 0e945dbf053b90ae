"""The arm file: what the host must know of an arm to check and home it.

One TOML may describe the arm for other programs too: only the tables named here are read, the
rest is ignored. Angles in degrees at the joint; positive as the arm's drawing says. Of a linear
axis they are lengths in mm, in words of their own (`travel_mm`, `lead_mm`). A number may be written
as a table, `{ nominal = 1.2, spread = 0.05 }`: the host takes what is nominal. A file may extend
another, `extends = "other.toml"`, with more joints and other figures.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from .errors import ArmFileError
from .homing_table import METHODS, REFUSED

MOST_EXTENDED = 4
Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True)


class Motor(_Table):
    """Full steps of one motor turn."""

    full_steps: Annotated[int, Field(gt=0)]
    coil_ohm: Positive | None = None


class Encoder(_Table):
    """Counts per turn (X4) of what it sits on."""

    counts: Annotated[int, Field(gt=0)]
    mount: Literal["motor", "joint"]


class Home(_Table):
    """The home switch and how to approach it."""

    end: Literal["negative", "positive"]
    switch_deg: Finite
    differential_deg: Positive
    fast_deg_s: Positive
    slow_deg_s: Positive
    back_off_deg: Positive
    acceleration_deg_s2: Positive
    method: int | None = None  # object 6098h of CiA 402
    stop_current: Annotated[float, Field(ge=0.05, le=1)] = 0.3


class Trim(_Table):
    """Where the arm stands while a joint's zero is read, and what the gauge then reads."""

    gauge: Literal["level", "mark"]
    pose_deg: tuple[Finite, ...]
    reads_deg: Finite


class Joint(_Table):
    """One joint of the arm, or a linear axis: then mm stand for degrees throughout."""

    name: str
    kind: Literal["rotary", "linear"] = "rotary"
    stage: Annotated[int, Field(ge=1)]
    motor: Motor
    microsteps: Annotated[int, Field(gt=0)]
    ratio: Positive
    direction: Literal[-1, 1]
    encoder: Encoder
    travel_deg: tuple[Finite, Finite]
    stops_deg: tuple[Finite, Finite] | None = None
    home: Home
    trim: Trim
    brake_n_m: Annotated[float, Field(ge=0)] = 0.0  # that holds it without power
    channel: int = 0  # on the card, from 1: the order in the file

    @property
    def unit(self) -> str:
        """What its figures are in."""
        return "mm" if self.kind == "linear" else "deg"

    @property
    def steps_per_deg(self) -> float:
        """Signed steps for one degree of the joint."""
        return self.direction * self.motor.full_steps * self.microsteps * self.ratio / 360.0

    @property
    def counts_per_deg(self) -> float:
        """Signed counts for one degree of the joint."""
        ratio = self.ratio if self.encoder.mount == "motor" else 1.0
        return self.direction * self.encoder.counts * ratio / 360.0

    @property
    def home_switch(self) -> bool:
        """Whether its switch is a home switch within the travel, not one at its end."""
        method = METHODS.get(self.home.method or 0)
        return method is not None and method.needs == "home switch"

    @property
    def free_deg(self) -> tuple[float, float]:
        """The travel in which its switch is at rest."""
        low, high = self.travel_deg
        home = self.home
        if not self.home_switch:
            return low, high
        past = home.differential_deg + home.back_off_deg
        if home.end == "positive":
            return low, home.switch_deg - past
        return home.switch_deg + past, high

    @property
    def home_sign(self) -> int:
        """Sign of the joint's motion towards its home switch."""
        return -1 if self.home.end == "negative" else 1

    @property
    def middle_deg(self) -> float:
        """Middle of the travel."""
        return (self.travel_deg[0] + self.travel_deg[1]) / 2.0

    def steps(self, deg: float) -> int:
        """Whole steps nearest to `deg` of the joint."""
        return round(deg * self.steps_per_deg)

    def speed(self, deg_s: float, share: float = 1.0) -> tuple[float, float]:
        """`deg_s` and the joint's acceleration, or a share of both, as steps/s and steps/s2."""
        scale = abs(self.steps_per_deg) * share
        return deg_s * scale, self.home.acceleration_deg_s2 * scale


class Accuracy(_Table):
    """Accuracy of a gauge, degrees, plus or minus."""

    accuracy_deg: Positive
    resolution_deg: Positive


class KnownSource(_Table):
    """What the meter is proved on."""

    volts: Positive


class Gauges(_Table):
    """The gauges that trim the arm."""

    level: Accuracy
    mark: Accuracy
    proving: KnownSource | None = None


class Arm(_Table):
    """An arm, as the host needs to know it."""

    name: str
    title: str = ""
    rest_pose_deg: tuple[Finite, ...]
    gauges: Gauges
    joint: tuple[Joint, ...]

    @property
    def joints(self) -> tuple[Joint, ...]:
        """The joints, in the order of their channels."""
        return self.joint

    def others(self, joints: Sequence[Joint]) -> list[Joint]:
        """All joints but these."""
        return [joint for joint in self.joints if joint not in joints]

    def gauge(self, joint: Joint) -> Accuracy:
        """The gauge that trims `joint`."""
        return self.gauges.level if joint.trim.gauge == "level" else self.gauges.mark

    def gauge_accuracy_deg(self, joint: Joint) -> float:
        """Accuracy of the gauge that trims `joint`."""
        return self.gauge(joint).accuracy_deg


def load_arm(path: Path) -> Arm:
    """Read an arm file. Raises ArmFileError with all that is wrong in it, and where."""
    return read_arm(_read(path), str(path))


def _read(path: Path, depth: int = 0) -> dict[str, Any]:
    """Parsed TOML, over that of the file that it extends."""
    try:
        with path.open("rb") as file:
            raw = tomllib.load(file)
    except FileNotFoundError:
        raise ArmFileError(f"there is no arm file {str(path)!r}") from None
    except (OSError, UnicodeDecodeError) as error:
        raise ArmFileError(f"cannot read the arm file {str(path)!r}: {error}") from error
    except tomllib.TOMLDecodeError as error:
        raise ArmFileError(f"{path}: not TOML: {error}") from error
    other = raw.pop("extends", None)
    if other is None:
        return raw
    if not isinstance(other, str) or depth >= MOST_EXTENDED:
        raise ArmFileError(
            f"{path}: extends: got {other!r}, expected an arm file in the same folder, and at most "
            f"{MOST_EXTENDED} of them one after the other"
        )
    base = _read(path.parent / other, depth + 1)
    both = {"joint": _joined(base.get("joint", []), raw.get("joint", []))}
    gauges = {"gauges": {**base.get("gauges", {}), **raw.get("gauges", {})}}
    return {**base, **raw, **gauges, **both}


def _joined(base: list[Any], own: list[Any]) -> list[Any]:
    """Joints of both files: one over that of its name, the others at the end."""
    try:
        mine = {joint["name"]: joint for joint in own}
        over = [{**joint, **mine.pop(joint["name"], {})} for joint in base]
    except (KeyError, TypeError):
        return [*base, *own]
    return [*over, *mine.values()]


def read_arm(raw: Mapping[str, Any], where: str) -> Arm:
    """An Arm from parsed TOML; `where` names it in errors. Raises ArmFileError."""
    raw = _nominal(raw)
    table = dict(raw)
    joints, rest = table.get("joint"), table.get("rest_pose_deg", [])
    if isinstance(joints, Sequence) and not isinstance(joints, str):
        table["joint"] = [
            {**_plain(joint, rest), "channel": number} if isinstance(joint, Mapping) else joint
            for number, joint in enumerate(joints, start=1)
        ]
    try:
        arm = Arm.model_validate(table)
    except ValidationError as error:
        problems = [_problem(raw, problem) for problem in error.errors()]
    else:
        problems = _contradictions(arm)
        if not problems:
            return arm
    raise ArmFileError("\n".join(f"{where}: {problem}" for problem in problems))


def _plain(joint: Mapping[str, Any], rest: Any) -> dict[str, Any]:
    """A joint in the names used here: mm for degrees, a short trim pose filled up at rest."""
    linear = joint.get("kind") == "linear"
    plain = {key.replace("_mm", "_deg") if linear else key: joint[key] for key in joint}
    if linear and isinstance(lead := plain.pop("lead_deg", None), float | int) and lead > 0:
        plain["ratio"] = 360.0 / lead  # so that a turn of the motor is `lead` of the 360
    for table in ("home", "trim"):
        if isinstance(plain.get(table), Mapping):
            inner = plain[table]
            plain[table] = {k.replace("_mm", "_deg") if linear else k: inner[k] for k in inner}
    trim = plain.get("trim")
    pose = trim.get("pose_deg") if isinstance(trim, Mapping) else None
    if isinstance(trim, Mapping) and isinstance(pose, list) and isinstance(rest, list):
        plain["trim"] = {**trim, "pose_deg": [*pose, *rest[len(pose) :]]}
    return plain


def _nominal(value: Any) -> Any:
    """Parsed TOML with the nominal number wherever a table gives one with its spread."""
    if isinstance(value, Mapping):
        if "nominal" in value:
            return value["nominal"]
        return {key: _nominal(item) for key, item in value.items()}
    return [_nominal(item) for item in value] if isinstance(value, list) else value


def _problem(raw: Mapping[str, Any], problem: Mapping[str, Any]) -> str:
    """One of pydantic's findings in words: where, what came, what was expected, nearest name."""
    location: tuple[str | int, ...] = problem["loc"]
    table: Any = raw
    words = []
    for key in location[:-1]:
        table = table[key] if not isinstance(table, Mapping) else table.get(key, {})
        if isinstance(key, int) and isinstance(table, Mapping):
            words.append(str(table.get("name", f"number {key + 1}")))
        else:
            words.append(str(key))
    name = ".".join((*words, str(location[-1])))
    if problem["type"] == "missing":
        there = [str(key) for key in table] if isinstance(table, Mapping) else []
        close = difflib.get_close_matches(str(location[-1]), there, n=1, cutoff=0.7)
        hint = f"; {close[0]!r} is there: is it meant?" if close else ""
        return f"{name} is missing{hint}"
    expected = str(problem["msg"])[:1].lower() + str(problem["msg"])[1:]
    return f"{name}: got {problem['input']!r}; {expected}"


def _contradictions(arm: Arm) -> list[str]:
    """What is well-formed but cannot be true of an arm."""
    joints = arm.joints
    found = []
    if not joints:
        return ["no [[joint]] table; expected one for each joint"]
    names = [joint.name for joint in joints]
    found += [f"two joints are called {n}" for n in sorted(set(names)) if names.count(n) > 1]
    if len(arm.rest_pose_deg) != len(joints):
        found.append(f"rest_pose_deg has {len(arm.rest_pose_deg)} angles for {len(joints)} joints")
    for joint in joints:
        low, high = joint.travel_deg
        home, name = joint.home, joint.name
        if low >= high:
            found.append(f"{name}: travel_deg runs from {low:g} to {high:g}; expected low, high")
        found += [f"{name}: home.method {problem}" for problem in _method_problems(joint)]
        outside = home.switch_deg <= low if home.end == "negative" else home.switch_deg >= high
        if not outside and not joint.home_switch:
            found.append(
                f"{name}: home.switch_deg {home.switch_deg:g} lies inside the travel {low:g} to "
                f"{high:g}; expected it beyond the {home.end} end"
            )
        if home.back_off_deg <= home.differential_deg:
            found.append(
                f"{name}: home.back_off_deg {home.back_off_deg:g} does not exceed "
                f"differential_deg {home.differential_deg:g}: the switch would not release"
            )
        if home.slow_deg_s > home.fast_deg_s:
            found.append(f"{name}: home.slow_deg_s exceeds fast_deg_s")
        if len(joint.trim.pose_deg) != len(joints):
            found.append(
                f"{name}: trim.pose_deg has {len(joint.trim.pose_deg)} angles for "
                f"{len(joints)} joints"
            )
    for what, pose in (
        ("rest_pose_deg", arm.rest_pose_deg),
        *((f"{joint.name}: trim.pose_deg", joint.trim.pose_deg) for joint in joints),
    ):
        found += [
            f"{what}: {angle:g} lies outside {joint.name}'s travel"
            for joint, angle in zip(joints, pose, strict=False)
            if not joint.travel_deg[0] <= angle <= joint.travel_deg[1]
        ]
    return found


def _method_problems(joint: Joint) -> list[str]:
    """What is wrong with the homing method that an arm file asks for."""
    home, number = joint.home, joint.home.method
    if number is None:
        return []
    method = METHODS.get(number)
    if method is None:
        known = ", ".join(map(str, METHODS))
        return [f"{number}: {REFUSED.get(number, 'is no homing method')}; expected one of {known}"]
    found = []
    if method.needs in ("limit switch", "home switch") and method.side != joint.home_sign:
        found.append(f"{number} uses a switch on the other side than home.end {home.end!r}")
    if (
        method.needs == "home switch"
        and not joint.travel_deg[0] < home.switch_deg < joint.travel_deg[1]
    ):
        found.append(
            f"{number} uses a home switch within the travel; switch_deg {home.switch_deg:g} is not"
        )
    if method.needs == "hard stop" and joint.stops_deg is None:
        found.append(f"{number} meets a hard stop; expected stops_deg: where the stops are")
    return found
