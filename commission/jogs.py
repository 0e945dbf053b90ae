"""Short jogs: each joint must move the right way and far, and only that joint.

Direction is judged by eye and by count, distance by count. One axis at a time, both signs, slow.
Afterwards, where a jog went wrong, the meter looks at what reaches the drive. A joint that goes
much further than told, or not with its shaft, loses its drive at once: a second jog would only
drive it, or what it carries, into something.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from . import cautions
from .arm import Joint
from .encoders import STUCK_COUNTS
from .findings import Check, Kind, Symptom, judged, stopped
from .loss import classify, load_counts, power_of_two
from .station import Station
from .witness import EYE_DEG, NOT_WITH_SHAFT, WITH_SHAFT

JOG_DEG = 6.0
# Further than twice what was asked, less than the room that was made: it runs away or falls.
RUNAWAY_DEG = 2.0 * JOG_DEG + EYE_DEG
# A shaft that did as asked: its lag under load, and what it gives at a stop.
KEPT_DEG = 0.3
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

    Only the tested drive is on, so that nothing another does can be taken for it. Ends with the
    first joint that the stop circuit kept from moving. Leaves the motor supply on and the drives
    off.
    """
    station.hand.caution(cautions.FIRST_JOG)
    station.hand.motor_supply(True)
    checks: list[Check] = []
    for joint in station.arm.joints:
        station.card.enable(True, [joint.channel])
        station.card.pause(SETTLE_S)
        check = _check(station, joint, joint.channel in blind)
        station.card.enable(False, [joint.channel])
        if check.failed and station.card.stop_level():
            # Nothing moves without the supply, which tells nothing of this joint or the next.
            return [*checks, stopped("jogs", joint, check.evidence)]
        checks.append(check)
    return checks


def _check(station: Station, joint: Joint, blind: bool) -> Check:
    station.progress(f"jogs: {joint.name} by {JOG_DEG:.0f} {joint.unit}, both signs")
    station.card.set_speed({joint.channel: joint.speed(joint.home.fast_deg_s * SPEED_SHARE)})
    # Inward first.
    at = station.hand.look_deg(joint)
    sign = 1.0 if at <= sum(joint.free_deg) / 2.0 else -1.0
    jogs = [_jog(station, joint, sign * JOG_DEG, at)]
    enough = _enough(joint, jogs[0], blind)
    if enough is not None:
        station.card.enable(False, [joint.channel])
        return _given_up(joint, jogs[0], enough, blind)
    jogs.append(_jog(station, joint, -sign * JOG_DEG, at + jogs[0].eye_deg))
    first, second = jogs
    kind, detail, words = _judge(joint, first, second, blind)
    evidence = _told(joint, jogs)
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


def _told(joint: Joint, jogs: Sequence[_Jog]) -> str:
    return "; ".join(
        f"{jog.wanted_deg:+.0f} {joint.unit} asked: {jog.eye_deg:+.0f} by eye, "
        f"{jog.count_deg:+.2f} by count ({jog.counts:+d})"
        for jog in jogs
    )


def _enough(joint: Joint, jog: _Jog, blind: bool) -> Kind | None:
    """What forbids the jog back, if anything."""
    if abs(jog.eye_deg) > RUNAWAY_DEG:
        return Kind.JOG_RUNAWAY
    off = abs(jog.eye_deg - jog.wanted_deg) > EYE_DEG
    if off and not blind and joint.encoder.mount == "motor" and _kept(jog):
        return Kind.LOOSE
    return None


def _given_up(joint: Joint, jog: _Jog, kind: Kind, blind: bool) -> Check:
    """A joint that is not jogged back: it falls, goes on by itself, or hangs loose."""
    words = "much further than asked; " if kind is Kind.JOG_RUNAWAY else ""
    words += "its drive was switched off at once, and no jog back was made"
    if not blind:
        words += _kept_words(joint, [jog])
    readings = {
        "wanted_deg": jog.wanted_deg,
        "eye_deg": jog.eye_deg,
        "count_deg": jog.count_deg,
    }
    symptom = Symptom(kind, joint.name, readings, "blind" if blind else "")
    return judged("jogs", joint, [symptom], f"{_told(joint, [jog])}; {words}")


def _kept(jog: _Jog) -> bool:
    return abs(jog.count_deg - jog.wanted_deg) <= KEPT_DEG


def _kept_words(joint: Joint, jogs: Sequence[_Jog]) -> str:
    """Whether the shaft did as asked, and the joint as the shaft: by count, and by eye."""
    if joint.encoder.mount != "motor":
        return ""
    if all(map(_kept, jogs)):
        return f"; the shaft did as asked; {NOT_WITH_SHAFT}"
    if all(abs(jog.count_deg - jog.eye_deg) <= EYE_DEG for jog in jogs):
        return f"; {WITH_SHAFT}"
    return f"; nor did the shaft do as asked; {NOT_WITH_SHAFT}"


def _jog(station: Station, joint: Joint, deg: float, eye: float) -> _Jog:
    """One jog; `eye` is where the joint stands."""
    card, channel = station.card, joint.channel
    before = card.counts(station.channels)
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
    if blind:
        return Kind.JOG_SHORT, "", "neither the distance asked nor none"
    exponent = power_of_two(abs(first.count_deg / first.wanted_deg))
    if exponent is not None and exponent == power_of_two(abs(second.count_deg / JOG_DEG)):
        return Kind.JOG_SCALE, str(exponent), f"2**{exponent} of the distance asked"
    words = f"neither the distance asked nor none{_kept_words(joint, jogs)}"
    loose = joint.encoder.mount == "motor" and all(map(_kept, jogs))
    return Kind.LOOSE if loose else Kind.JOG_SHORT, "", words


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
        station.hand.clip_on(red, black, "max")
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
