"""Short jogs: each joint must move the right way and far, and only that joint.

Direction is judged by eye and by count, distance by count. One axis at a time, both signs, slow.
Afterwards, where a jog went wrong, the meter looks at what reaches the drive.
"""

from __future__ import annotations

from dataclasses import dataclass

from . import cautions
from .arm import Joint
from .encoders import STUCK_COUNTS
from .findings import Check, Kind, Symptom, judged
from .loss import classify, load_counts, power_of_two
from .station import Station

JOG_DEG = 6.0
# Eye: two judgements of whole degrees.
EYE_DEG = 2.0
SPEED_SHARE = 0.5  # of the fast search
SETTLE_S = 0.2
LIMIT_S = 10.0
LIT_V = 2.5
OTHER_COUNTS = 40
# A sign change for the meter, without leaving the place.
NUDGE_DEG = 0.2
# A train of steps for the meter, which averages: 5 us pulses at this rate are about 20 mV.
TRAIN_STEPS = 800
TRAIN_STEPS_S = 800.0


@dataclass(frozen=True)
class _Jog:
    """What one jog did, in degrees of the joint: wanted, by eye, by count."""

    wanted_deg: float
    eye_deg: float
    count_deg: float
    counts: int
    others: dict[str, int]


def check_jogs(station: Station, blind: set[int]) -> list[Check]:
    """Jog every joint, on the stand. Channels in `blind` have no count to go by.

    Only the tested drive is on, so that nothing another does can be taken for it. Leaves the motor
    supply on and the drives off.
    """
    station.hand.caution(cautions.FIRST_JOG)
    station.hand.motor_supply(True)
    checks = []
    for joint in station.arm.joints:
        station.card.enable(True, [joint.channel])
        station.card.pause(SETTLE_S)
        checks.append(_check(station, joint, joint.channel in blind))
        station.card.enable(False, [joint.channel])
    return checks


def _check(station: Station, joint: Joint, blind: bool) -> Check:
    station.progress(f"jogs: {joint.name} by {JOG_DEG:.0f} {joint.unit}, both signs")
    station.card.set_speed({joint.channel: joint.speed(joint.home.fast_deg_s * SPEED_SHARE)})
    # Inward first.
    sign = 1.0 if station.hand.look_deg(joint) <= sum(joint.free_deg) / 2.0 else -1.0
    first = _jog(station, joint, sign * JOG_DEG)
    second = _jog(station, joint, -sign * JOG_DEG)
    kind, detail, words = _judge(joint, first, second, blind)
    evidence = "; ".join(
        f"{jog.wanted_deg:+.0f} {joint.unit} asked: {jog.eye_deg:+.0f} by eye, "
        f"{jog.count_deg:+.2f} by count ({jog.counts:+d})"
        for jog in (first, second)
    )
    if words:
        evidence += f"; {words}"
    if kind is None:
        return judged("jogs", joint, [], evidence)
    readings = {
        "first_wanted_deg": first.wanted_deg,
        "first_eye_deg": first.eye_deg,
        "second_eye_deg": second.eye_deg,
        "first_counts": first.counts,
        "second_counts": second.counts,
        "first_count_deg": first.count_deg,
        "second_count_deg": second.count_deg,
    }
    if kind in (Kind.JOG_NONE, Kind.JOG_SAME_WAY, Kind.JOG_SHORT):
        readings |= _probe_drive(station, joint)
        if kind is Kind.JOG_NONE and max(readings["STEP_pos_v"], readings["STEP_neg_v"]) < LIT_V:
            readings |= _probe_steps(station, joint, sign)
        evidence += "; " + _meter_words(joint, readings)
    return judged("jogs", joint, [Symptom(kind, joint.name, readings, detail)], evidence)


def _jog(station: Station, joint: Joint, deg: float) -> _Jog:
    card, channel = station.card, joint.channel
    before, eye = card.counts(station.channels), station.hand.look_deg(joint)
    card.move({channel: joint.steps(deg)})
    card.until_still([channel], LIMIT_S)
    after = card.counts(station.channels)
    moved = after[channel] - before[channel]
    others = {
        other.name: after[other.channel] - before[other.channel]
        for other in station.arm.joints
        if other.channel != channel
    }
    eye_deg = station.hand.look_deg(joint) - eye
    return _Jog(deg, eye_deg, moved / joint.counts_per_deg, moved, others)


def _judge(joint: Joint, first: _Jog, second: _Jog, blind: bool) -> tuple[Kind | None, str, str]:
    """What both jogs together show: the symptom, its detail, and words on it."""
    jogs = (first, second)
    strayed = [name for name, n in first.others.items() if abs(n) > OTHER_COUNTS]
    strayed = [name for name in strayed if abs(second.others[name]) > OTHER_COUNTS]
    still = all(abs(jog.eye_deg) <= 1.0 for jog in jogs)
    if still and (blind or all(abs(jog.count_deg) < JOG_DEG / 4 for jog in jogs)):
        if strayed:
            words = f"{strayed[0]}'s count moved {first.others[strayed[0]]:+d} instead"
            return Kind.JOG_OTHER_JOINT, strayed[0], words
        return Kind.JOG_NONE, "", "no travel either way"
    if first.eye_deg * second.eye_deg > 0 and min(abs(jog.eye_deg) for jog in jogs) > EYE_DEG:
        return Kind.JOG_SAME_WAY, "", "both signs go the same way"
    if all(abs(jog.eye_deg + jog.wanted_deg) <= EYE_DEG for jog in jogs):
        return Kind.JOG_REVERSED, "", "the wrong way by eye"
    eye_right = all(abs(jog.eye_deg - jog.wanted_deg) <= EYE_DEG for jog in jogs)
    if eye_right:
        return _judge_count(joint, first, second, blind)
    exponent = power_of_two(abs(first.count_deg / first.wanted_deg)) if not blind else None
    if exponent is not None and exponent == power_of_two(abs(second.count_deg / JOG_DEG)):
        return Kind.JOG_SCALE, str(exponent), f"2**{exponent} of the distance asked"
    return Kind.JOG_SHORT, "", "neither the distance asked nor none"


def _judge_count(
    joint: Joint, first: _Jog, second: _Jog, blind: bool
) -> tuple[Kind | None, str, str]:
    """The eye is content: see whether the count agrees to within a loaded motor's lag."""
    jogs = (first, second)
    # A channel that hangs in the air may flick now and then while its neighbour counts nothing.
    dead_deg = JOG_DEG / 10 if blind else STUCK_COUNTS / abs(joint.counts_per_deg)
    if max(abs(jog.count_deg) for jog in jogs) <= dead_deg:
        return Kind.COUNT_DEAD, "", "the eye sees it move right, the count stays"
    if all(abs(jog.count_deg + jog.wanted_deg) <= 1.0 for jog in jogs):
        return Kind.COUNT_BACKWARDS, "", "right by eye, the count runs backwards"
    missing = [(jog.wanted_deg - jog.count_deg) * joint.counts_per_deg for jog in jogs]
    worst = max(missing, key=abs)
    if abs(worst) <= load_counts(joint):
        return None, "", ""
    if blind:
        return Kind.COUNT_AMOUNT, "", "the count cannot be relied on"
    return Kind.JOG_SHORT, "", f"{worst:+.0f} counts off: {classify(joint, worst)}"


def _probe_drive(station: Station, joint: Joint) -> dict[str, float]:
    """Meter across the drive's inputs and supply after a nudge of either sign."""
    readings = {}
    for name, deg in (("pos", NUDGE_DEG), ("neg", -NUDGE_DEG)):
        # The card's signs, not the joint's: it is the card's DIR output that must change.
        steps = abs(joint.steps(deg)) * (1 if deg > 0 else -1)
        station.card.move({joint.channel: steps})
        station.card.until_still([joint.channel], LIMIT_S)
        for signal in ("DIR", "STEP"):
            readings[f"{signal}_{name}_v"] = station.across(joint, signal, "OPTO0V")
        readings[f"card_DIR_{name}_v"] = station.to_ground(f"CARD.{joint.name}.DIR")
    readings["ENA_v"] = station.across(joint, "ENA", "OPTO0V")
    readings["card_ENA_v"] = station.to_ground(f"CARD.{joint.name}.ENA")
    readings["supply_v"] = station.across(joint, "DRIVE.24V", "DRIVE.0V")
    return readings


def _probe_steps(station: Station, joint: Joint, sign: float) -> dict[str, float]:
    """The meter's average of a train of steps, at both ends of the STEP conductor."""
    channel = joint.channel
    acceleration = joint.speed(1.0)[1]
    station.card.set_speed({channel: (TRAIN_STEPS_S, acceleration)})
    steps = TRAIN_STEPS if sign * joint.direction > 0 else -TRAIN_STEPS
    readings = {}
    for name, red in (("card", f"CARD.{joint.name}.STEP"), ("part", f"{joint.name}.STEP")):
        black = "RAIL.0V" if name == "card" else f"{joint.name}.OPTO0V"
        station.card.move({channel: steps if name == "card" else -steps})
        readings[f"train_{name}_v"] = station.hand.volts(red, black)
        station.card.until_still([channel], LIMIT_S)
    return readings


def _meter_words(joint: Joint, volts: dict[str, float]) -> str:
    words = (
        f"across {joint.name}.DIR/{joint.name}.OPTO0V {volts['DIR_pos_v']:.2f} V after positive "
        f"and {volts['DIR_neg_v']:.2f} V after negative steps (card end "
        f"{volts['card_DIR_pos_v']:.2f} and {volts['card_DIR_neg_v']:.2f} V), across STEP "
        f"{volts['STEP_pos_v']:.2f} and {volts['STEP_neg_v']:.2f} V, across ENA "
        f"{volts['ENA_v']:.2f} V, drive supply {volts['supply_v']:.1f} V"
    )
    if "train_card_v" in volts:
        words += (
            f"; during a train of steps STEP averages {volts['train_card_v'] * 1e3:.0f} mV at the "
            f"card and {volts['train_part_v'] * 1e3:.0f} mV at the drive"
        )
    return words
