"""Repeat: homed again from rest, every joint must find the same home."""

from __future__ import annotations

from collections.abc import Iterator

from .arm import Joint
from .findings import Check, Kind, Symptom, judged
from .homing import home
from .positions import Positions
from .repeatability import spread_words
from .station import Station

# Two homings of a sound switch: what trade practice calls good, and a few microsteps.
AGREE_DEG = 0.25


def check_repeat(
    station: Station, positions: Positions, homings: dict[str, list[float]], times: int
) -> Iterator[Check]:
    """Home all joints again, `times` over, stage by stage, and come back to rest each time.

    `homings` has each joint's homes so far, degrees (or mm) from the first, and grows. Raises
    HomingFailed.
    """
    rest = positions.pose(station.arm.rest_pose_deg)
    worst: dict[str, float] = {}
    positions.go(rest)
    for number in range(times):
        station.progress(f"repeat: homing all joints again ({number + 1} of {times})")
        for stage in sorted({joint.stage for joint in station.arm.joints}):
            joints = [joint for joint in station.arm.joints if joint.stage == stage]
            found = home(station.card, joints, positions.now_deg())
            for joint in joints:
                apart = _apart_deg(joint, found[joint.name].home_step, positions)
                worst[joint.name] = max(worst.get(joint.name, 0.0), apart, key=abs)
                homings[joint.name].append(homings[joint.name][-1] + apart)
            positions.take(found)
            positions.go({joint.name: rest[joint.name] for joint in joints})
    for joint in station.arm.joints:
        yield _judge(joint, worst[joint.name], homings[joint.name])


def _apart_deg(joint: Joint, home_step: int, positions: Positions) -> float:
    """From the home believed to the one found; an index may be another one of its turns."""
    before = positions.homed[joint.name]
    if before.method.needs == "nothing":
        return 0.0
    return positions.modulo_turn(joint, (home_step - before.home_step) / joint.steps_per_deg)


def _judge(joint: Joint, apart: float, homings: list[float]) -> Check:
    evidence = (
        f"homed again {apart:+.3f} {joint.unit} from the home before; expected within "
        f"{AGREE_DEG} {joint.unit}; {spread_words(homings, joint.unit)}"
    )
    symptoms = []
    if abs(apart) > AGREE_DEG:
        symptoms.append(Symptom(Kind.REPEAT, joint.name, {"apart_deg": apart}))
    return judged("repeat", joint, symptoms, evidence)
