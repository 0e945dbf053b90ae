"""Repeat: homed again from rest, every joint must find the same home."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from .arm import Joint
from .findings import Check, Kind, Symptom, judged
from .homing import Homed, home
from .homing_methods import method_of, turn_deg
from .own import Own
from .positions import Positions
from .repeatability import spread_words
from .station import Station

# Two homings of a sound switch: what trade practice calls good, and a few microsteps.
AGREE_DEG = 0.25


def check_repeat(
    station: Station,
    positions: Positions,
    homings: dict[str, list[float]],
    times: int,
    own: Own | None = None,
) -> Iterator[Check]:
    """Home all joints again, `times` over, stage by stage, and come back to rest each time.

    `own` homes them where a routine of the user's own does. `homings` has each joint's homes so
    far, degrees (or mm) from the first, and grows. Raises HomingFailed.
    """
    rest = positions.pose(station.arm.rest_pose_deg)
    worst: dict[str, tuple[float, float]] = {}
    positions.go(rest)
    for number in range(times):
        station.progress(f"repeat: homing all joints again ({number + 1} of {times})")
        if own is not None:
            before = {j.name: _own_home(positions, j) for j in station.arm.joints}
            failed = [check for check in own.run("homing") if check.failed]
            if failed:
                yield from (replace(check, name="repeat") for check in failed)
                return
            for joint in station.arm.joints:
                apart = _own_home(positions, joint) - before[joint.name]
                pair = (apart, apart)
                worst[joint.name] = max(worst.get(joint.name, pair), pair, key=lambda p: abs(p[0]))
                homings[joint.name].append(homings[joint.name][-1] + apart)
            positions.go(rest)
            continue
        for stage in sorted({joint.stage for joint in station.arm.joints}):
            joints = [joint for joint in station.arm.joints if joint.stage == stage]
            standing = station.arm.others(joints)
            found = home(station.card, joints, positions.now_deg(), standing)
            for joint in joints:
                apart, by_count = _apart_deg(joint, found[joint.name], positions)
                pair = (apart, by_count)
                worst[joint.name] = max(worst.get(joint.name, pair), pair, key=lambda p: abs(p[0]))
                homings[joint.name].append(homings[joint.name][-1] + apart)
            positions.take(found)
            positions.go({joint.name: rest[joint.name] for joint in joints})
    for joint in station.arm.joints:
        yield _judge(joint, *worst[joint.name], homings[joint.name])


def _own_home(positions: Positions, joint: Joint) -> float:
    """Where by the encoder's counter the joint's zero lies, its step counter having been reloaded.

    The counter must be left alone by the routine.
    """
    home_count = positions.homed[joint.name].home_count
    return home_count / joint.counts_per_deg - positions.home_offset_deg(joint)


def _apart_deg(joint: Joint, found: Homed, positions: Positions) -> tuple[float, float]:
    """From the home believed to the one found, by steps and by the counts latched at the two.

    The next index from wherever a joint stood may be another one of its turns; counted from a
    switch's edge it must be the same.
    """
    before = positions.homed[joint.name]
    if before.method.needs == "nothing":
        return 0.0, 0.0
    steps, counts = found.home_step - before.home_step, found.home_count - before.home_count
    apart, by_count = steps / joint.steps_per_deg, counts / joint.counts_per_deg
    if found.by_eye:
        return positions.modulo_turn(joint, apart), positions.modulo_turn(joint, by_count)
    return apart, by_count


def _judge(joint: Joint, apart: float, by_count: float, homings: list[float]) -> Check:
    evidence = (
        f"homed again {apart:+.3f} {joint.unit} from the home before; expected within "
        f"{AGREE_DEG} {joint.unit}; {spread_words(homings, joint.unit)}"
    )
    symptoms = []
    turns = round(apart / turn_deg(joint))
    if turns and abs(apart - turns * turn_deg(joint)) <= AGREE_DEG and method_of(joint).index:
        evidence += (
            f": {abs(turns)} whole turn{'s' * (abs(turns) > 1)} of the encoder, whose index lies "
            "at the switch's edge; move the switch's bracket by a quarter turn or more"
        )
        readings = {"apart_deg": apart, "turns": float(turns)}
        symptoms.append(Symptom(Kind.REPEAT, joint.name, readings))
    elif abs(apart) > AGREE_DEG:
        past = abs(by_count - apart) <= AGREE_DEG / 2
        lies = "past the motor" if past else "in steps lost"
        evidence += (
            f"; the count latched at the edge moved by {by_count:+.3f} {joint.unit}: the "
            f"difference lies {lies}"
        )
        readings = {"apart_deg": apart, "past_motor": float(past)}
        symptoms.append(Symptom(Kind.REPEAT, joint.name, readings))
    return judged("repeat", joint, symptoms, evidence)
