"""Checks that take their time: the travel by hand, cables wiggled, index to index, 24 V under load.

Common practice, no published source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from . import cautions
from .arm import Arm, Joint
from .encoders import EYE_DEG, STUCK_COUNTS
from .errors import CommissionError
from .findings import Check, Kind, Symptom, judged
from .homing import TIME_EXTRA_S, TIME_SHARE
from .homing_methods import INDEX_TURNS, turn_deg
from .positions import Positions
from .station import Station

LEG_DEG = 45.0
END_ROOM_DEG = 3.0
INDEX_COUNTS = 2
FAST_SHARE = 0.9
SAG_V = 1.5
# What a contact that opens leaves of its rail, with the meter across it.
WIGGLE_V = 0.5
# A motion for the meter to look at while all drives hold.
LOAD_DEG = 20.0


def check_sweep(station: Station) -> list[Check]:
    """Lead each limp joint by hand through its travel and back to where it was."""
    arm, hand = station.arm, station.hand
    hand.stand(True)
    hand.motor_supply(False)
    station.progress("sweep: lead the joints to their rest pose")
    _lead(station, arm.rest_pose_deg)
    checks = []
    for joint in arm.joints:
        # In its own trim pose there is the room that a gauge needs.
        _lead(station, joint.trim.pose_deg, besides=joint)
        checks.append(_sweep(station, joint))
        _lead(station, arm.rest_pose_deg)
    return checks


def _lead(station: Station, pose_deg: Sequence[float], besides: Joint | None = None) -> None:
    """Lead limp joints to a pose by hand, what is raised first: it lifts the rest off the table."""
    hand = station.hand
    moves = [
        (pose_deg[joint.channel - 1] - hand.look_deg(joint), joint)
        for joint in station.arm.joints
        if joint is not besides
    ]
    for deg, joint in sorted(moves, key=lambda move: (move[1].trim.gauge != "level", -move[0])):
        if abs(deg) > EYE_DEG:
            for target in _legs(0.0, deg):
                at = hand.look_deg(joint) - pose_deg[joint.channel - 1] + deg
                hand.turn(joint, target - at)


def _span_deg(arm: Arm, joint: Joint) -> tuple[float, float]:
    """The poses that the arm file names and the switch: further on the table may be in the way."""
    at = joint.channel - 1
    angles = [arm.rest_pose_deg[at], *(other.trim.pose_deg[at] for other in arm.joints)]
    if joint.trim.gauge == "mark":
        angles += joint.travel_deg
    angles.append(joint.home.switch_deg)
    low, high = joint.travel_deg
    return max(min(angles), low + END_ROOM_DEG), min(max(angles), high - END_ROOM_DEG)


def _sweep(station: Station, joint: Joint) -> Check:
    hand, card, channel = station.hand, station.card, joint.channel
    station.progress(f"sweep: lead {joint.name} by hand through its travel, watch its cable")
    low, high = _span_deg(station.arm, joint)
    start = hand.look_deg(joint)
    felt_at, counted = [], []
    for target in [*_legs(start, low), *_legs(low, high), *_legs(high, start)]:
        before, eye = card.counts([channel])[channel], hand.look_deg(joint)
        felt = hand.turn(joint, target - eye)
        now = hand.look_deg(joint)
        if felt != "FREE":
            felt_at.append((now, felt))
        moved = (card.counts([channel])[channel] - before) / joint.counts_per_deg
        counted.append(moved - (now - eye))
    worst = max(counted, key=abs)
    symptoms = []
    if felt_at or abs(worst) > EYE_DEG:
        readings = {"felt_at_deg": felt_at[0][0]} if felt_at else {"count_off_deg": worst}
        symptoms.append(Symptom(Kind.SWEEP_BINDS, joint.name, readings))
    feel = ", ".join(f"{felt} at {at:+.0f} {joint.unit}" for at, felt in felt_at)
    evidence = (
        f"led from {low:+.0f} to {high:+.0f} {joint.unit} and back: {feel or 'free throughout'}; "
        f"the count follows the eye to {worst:+.1f} {joint.unit}"
    )
    return judged("sweep", joint, symptoms, evidence)


def _legs(begin: float, end: float) -> list[float]:
    """Where a hand rests on the way from `begin` to `end`, and `end`."""
    parts = math.ceil(abs(end - begin) / LEG_DEG)
    return [begin + (end - begin) * part / parts for part in range(1, parts + 1)]


def check_wiggle(station: Station) -> list[Check]:
    """Wiggle each cable while counts and switch inputs are watched; the motor supply stays off."""
    station.hand.motor_supply(False)
    return [_wiggle(station, joint) for joint in station.arm.joints]


def _wiggle(station: Station, joint: Joint) -> Check:
    card, channel = station.card, joint.channel
    station.progress(f"wiggle: {joint.name}'s cable")
    before, level = card.counts([channel])[channel], card.levels([channel])[channel]
    # An edge that comes and goes again is caught by the card, though nothing moves.
    card.arm_halt("FALL" if level else "RISE", [channel])
    spans = {}
    for red, black in (
        ("RAIL.3V3", f"CARD.{joint.name}.SW.COM"),
        (f"{joint.name}.ENC.5V", f"{joint.name}.ENC.0V"),
    ):
        low, high = station.hand.wiggle(joint, red, black)
        spans[f"{red} to {black}"] = high - low
    hit = card.latches([channel])[channel].hit
    card.arm_halt("OFF", [channel])
    moved = card.counts([channel])[channel] - before
    flicked = hit or card.levels([channel])[channel] != level
    symptoms = []
    switch_v, encoder_v = spans.values()
    if flicked or max(switch_v, encoder_v) > WIGGLE_V or abs(moved) > STUCK_COUNTS:
        edge = flicked or switch_v > WIGGLE_V
        readings = {"counts": float(moved), "edge": float(edge), "encoder_v": encoder_v}
        symptoms.append(Symptom(Kind.WIGGLE, joint.name, readings))
    evidence = (
        f"while its cable was wiggled the count moved {moved:+d} and the switch input "
        f"{'changed' if flicked else 'stayed'}; "
        + ", ".join(
            f"{name} {'steady' if volts <= WIGGLE_V else f'swung by {volts:.1f} V'}"
            for name, volts in spans.items()
        )
    )
    return judged("wiggle", joint, symptoms, evidence)


def check_index(station: Station, positions: Positions) -> Iterator[Check]:
    """Counts from index to index, slow and fast, each joint by itself. Joints must be homed."""
    for joint in station.arm.joints:
        station.progress(f"index: {joint.name}, from one to the next, slow and fast")
        yield _index(station, positions, joint)


def _index(station: Station, positions: Positions, joint: Joint) -> Check:
    expected = round(abs(turn_deg(joint) * joint.counts_per_deg))
    words, symptoms = [], []
    at = positions.now_deg()[joint.name]
    sense = 1.0 if at < joint.middle_deg else -1.0
    room = min(abs(limit - at) for limit in joint.travel_deg if (limit - at) * sense > 0)
    if room < 2.0 * INDEX_TURNS * turn_deg(joint):
        return Check("index", joint.name, "skipped", "not done: no room for two turns of its disc")
    for name, deg_s in (
        ("slow", joint.home.slow_deg_s * 4.0),
        ("fast", joint.home.fast_deg_s * FAST_SHARE),
    ):
        first = _next_index(station, positions, joint, sense, deg_s)
        second = None
        if first is not None:
            second = _next_index(station, positions, joint, sense, deg_s)
        positions.go({joint.name: at})
        if first is None or second is None:
            words.append(f"{name}: none in a turn")
            symptoms.append(Symptom(Kind.HOME_NO_INDEX, joint.name))
            continue
        between = abs(second - first)
        words.append(f"{name}: {between} counts")
        turns = max(round(between / expected), 1)
        if abs(between - turns * expected) > INDEX_COUNTS:
            readings = {"missing_counts": float(turns * expected - between)}
            symptoms.append(Symptom(Kind.INDEX_COUNTS, joint.name, readings, name))
    evidence = f"from index to index {', '.join(words)}; expected {expected} a turn"
    return judged("index", joint, symptoms, evidence)


def _next_index(
    station: Station, positions: Positions, joint: Joint, sense: float, deg_s: float
) -> int | None:
    """The count latched at the next index, or None when a turn brings none."""
    card, channel = station.card, joint.channel
    deg = INDEX_TURNS * turn_deg(joint)
    card.set_speed({channel: joint.speed(deg_s)})
    card.arm_halt("IND", [channel])
    limit_s = deg / deg_s * TIME_SHARE + TIME_EXTRA_S
    try:
        positions.run({channel: joint.steps(sense * deg)}, limit_s)
        latch = card.latches([channel])[channel]
    except CommissionError:
        card.arm_halt("OFF", [channel])
        raise
    card.arm_halt("OFF", [channel])
    return latch.count if latch.hit else None


def _loaded_volts(
    station: Station, positions: Positions, joint: Joint, deg: float, limit_s: float
) -> float:
    """Volts of a drive's supply while its joint moves."""
    read: list[float] = []
    station.hand.clip_on(f"{joint.name}.DRIVE.24V", f"{joint.name}.DRIVE.0V", "min")
    positions.run(
        {joint.channel: joint.steps(deg)},
        limit_s,
        lambda: read.append(station.across(joint, "DRIVE.24V", "DRIVE.0V")),
    )
    return read[0]


def check_load(station: Station, positions: Positions) -> Iterator[Check]:
    """24 V at the far end of every loom while that joint moves and all drives hold."""
    station.hand.caution(cautions.LIVE_VOLTS)
    rail = station.to_ground("RAIL.24V")
    for joint in station.arm.joints:
        station.progress(f"load: 24 V at {joint.name} while it moves")
        at = positions.now_deg()[joint.name]
        sense = 1.0 if at < joint.middle_deg else -1.0
        card, channel = station.card, joint.channel
        card.set_speed({channel: joint.speed(joint.home.fast_deg_s)})
        limit_s = LOAD_DEG / joint.home.fast_deg_s * TIME_SHARE + TIME_EXTRA_S
        volts = _loaded_volts(station, positions, joint, sense * LOAD_DEG, limit_s)
        positions.go({joint.name: at})
        symptoms = []
        if rail - volts > SAG_V:
            readings = {
                "pair_v": volts,
                "plus_v": station.to_ground(f"{joint.name}.DRIVE.24V"),
                "minus_v": station.to_ground(f"{joint.name}.DRIVE.0V"),
                "rail_v": rail,
            }
            symptoms.append(Symptom(Kind.FAR_END, joint.name, readings, "DRIVE"))
        evidence = f"{volts:.2f} V at the drive under load, {rail:.2f} V at the card"
        yield judged("load", joint, symptoms, evidence)
