"""Trim: what a gauge says of each joint's zero, entered, and proved.

A level sees the pitch of a link against the base it was zeroed on, and with it every joint
between: so the joints nearest the base come first. It is blind about a vertical axis and along a
roll axis; there a witness mark serves. A trimmed zero is no better than its gauge.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from . import cautions
from .arm import Joint
from .findings import Check, Kind, Symptom, judged
from .homing import Homed, home
from .homing_table import OWN
from .positions import Positions
from .station import Station

# Further off than this is no tolerance but a wrong tooth, bracket or mark.
RANGE_DEG = 5.0
# The switch's repeatability on top of the gauge's own two readings.
SWITCH_REPEAT_DEG = 0.1
# Play in a gear: the zero then depends on the side from which it is approached.
SIDES_DEG = 0.25
PAST_DEG = 2.0
# Homings at most until the gauge reads zero to its resolution.
TRIES = 4


@dataclass(frozen=True)
class Trimmed:
    """What trimming one joint read, entered and left, degrees.

    `repeats_deg` is how far each homing meanwhile lay from the one before.
    """

    joint: Joint
    showed_deg: float
    residue_deg: float
    repeat_deg: float
    repeats_deg: tuple[float, ...] = ()


def trim_all(station: Station, positions: Positions, trimmed: list[Trimmed]) -> Iterator[Check]:
    """Trim every joint from the base outwards, check by check; `trimmed` grows with each.

    All joints must be homed. Stops at the first that cannot be read. Raises HomingFailed when one
    does not home again, or loses steps.
    """
    station.hand.caution(cautions.LEVELLING)
    for joint in station.arm.joints:
        check, result = _trim(station, positions, joint)
        yield check
        if result is None:
            break
        trimmed.append(result)


def rehome(station: Station, positions: Positions, joint: Joint) -> Homed:
    """Home one joint again from where it is; the others stay. Raises HomingFailed."""
    believed = positions.now_deg()
    others = station.arm.others([joint])
    homed = home(station.card, [joint], believed, others)[joint.name]
    positions.take({joint.name: homed})
    return homed


def _trim(station: Station, positions: Positions, joint: Joint) -> tuple[Check, Trimmed | None]:
    station.progress(f"trim: {joint.name} by {joint.trim.gauge}")
    pose = positions.pose(joint.trim.pose_deg)
    positions.go(pose)
    showed = _read(station, joint)
    if showed is None or abs(showed) > RANGE_DEG:
        seen = "is out of its window" if showed is None else f"shows {showed:+.2f} {joint.unit}"
        symptom = Symptom(Kind.TRIM_RANGE, joint.name)
        evidence = (
            f"the {joint.trim.gauge} {seen}; expected within {RANGE_DEG:.0f} {joint.unit} of zero"
        )
        return judged("trim", joint, [symptom], evidence), None
    residue: float | None = showed
    repeat, repeats = 0.0, []
    homings = 0
    zero_deg = station.arm.gauge(joint).resolution_deg
    # A routine of the user's own homes all joints: it is asked again by the repeat check.
    own = positions.homed[joint.name].method is OWN
    # Each homing lands within the switch's repeatability: once more, until the gauge reads zero.
    while residue is not None and homings < TRIES and (not homings or abs(residue) > zero_deg):
        positions.trim_deg[joint.name] -= residue
        homings += 1
        if not own:
            before = positions.homed[joint.name].home_step
            after = rehome(station, positions, joint).home_step
            repeat = positions.modulo_turn(joint, (after - before) / joint.steps_per_deg)
            repeats.append(repeat)
        positions.go(pose)
        residue = _read(station, joint)
    sides = None if residue is None else _from_beyond(station, positions, joint, pose, residue)
    accuracy = station.arm.gauge_accuracy_deg(joint)
    allowed = accuracy + SWITCH_REPEAT_DEG
    left = "nothing (out of its window)" if residue is None else f"{residue:+.2f} {joint.unit}"
    again = (
        f", homed again {homings} x (last {repeat:+.3f} {joint.unit} from the time before)"
        if repeats
        else ""
    )
    evidence = (
        f"the {joint.trim.gauge} showed {showed:+.2f} {joint.unit}; trim "
        f"{positions.trim_deg[joint.name]:+.2f} {joint.unit} entered{again}, now {left}; expected "
        f"within "
        f"{allowed:.2f} {joint.unit} (gauge {accuracy:g}, switch {SWITCH_REPEAT_DEG:g})"
    )
    symptoms = []
    if residue is None or abs(residue) > allowed:
        symptoms.append(Symptom(Kind.TRIM_RESIDUE, joint.name))
    if sides is not None:
        evidence += f"; approached from the other side {sides:+.2f} {joint.unit} from that"
        if abs(sides) > SIDES_DEG:
            symptoms.append(Symptom(Kind.TRIM_SIDES, joint.name, {"apart_deg": sides}))
    left_deg = residue if residue is not None else float("nan")
    return judged("trim", joint, symptoms, evidence), Trimmed(
        joint, showed, left_deg, repeat, tuple(repeats)
    )


def _from_beyond(
    station: Station, positions: Positions, joint: Joint, pose: Mapping[str, float], residue: float
) -> float | None:
    """What the gauge shows more when the pose is approached from beyond; None where it cannot."""
    aim = pose[joint.name]
    past = aim + (PAST_DEG if aim > positions.home_offset_deg(joint) else -PAST_DEG)
    low, high = joint.travel_deg
    if not low <= past <= high:
        return None
    positions.go({joint.name: past})
    positions.go({joint.name: aim})
    read = _read(station, joint)
    return None if read is None else read - residue


def _read(station: Station, joint: Joint) -> float | None:
    """What the gauge shows beyond what it should, degrees; None when out of its window."""
    hand = station.hand
    if joint.trim.gauge == "level":
        return _pitch_deg(station, joint) - joint.trim.reads_deg
    read = hand.mark_deg(joint)
    return None if read is None else read - joint.trim.reads_deg


def _pitch_deg(station: Station, joint: Joint) -> float:
    """Pitch of a link against the base: the level both ways round, zeroed each time, averaged.

    Zeroing takes the tilt of the base away, turning the level end for end its own error.
    """
    both = []
    for reversed_ in (False, True):
        station.hand.zero_level(reversed_)
        both.append(station.hand.level_deg(joint))
    return (both[0] - both[1]) / 2.0
