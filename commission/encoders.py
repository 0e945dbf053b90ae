"""Encoders by hand: motor supply off, each joint turned both ways.

The eye judges the turn to whole degrees; the count must follow in sign and amount, no other
joint's count may move, and none may move by itself.
"""

from __future__ import annotations

from .arm import Joint
from .findings import Check, Kind, Symptom, judged
from .station import Station

TURN_DEG = 10.0
# Room a joint needs on both sides: this turn, and later both jogs going the same way.
ROOM_DEG = 15.0
EYE_DEG = 2.0  # two readings of whole degrees, and the judgement in each
IDLE_S = 0.5
# A stuck count may still flick between neighbours (one channel alone gives no more).
STUCK_COUNTS, STUCK_SHARE = 2, 0.02
ELSEWHERE_COUNTS = 40
CHANNELS = ("A", "B")
HELD_V = 4.0
PROBES = 8
PROBE_SPAN_DEG = 1.5
GOLDEN = 0.618034
HIGH_V = 2.5


def check_encoders(station: Station) -> list[Check]:
    """Turn every joint. Leaves the motor supply off and every joint with room for jogs."""
    station.hand.stand(True)
    station.hand.motor_supply(False)
    idle = _idle_counts(station)
    climbing = {channel for channel, drift in idle.items() if abs(drift) > STUCK_COUNTS}
    return [_turn(station, joint, idle, climbing) for joint in station.arm.joints]


def make_room(station: Station, joint: Joint) -> None:
    """Bring a limp joint by hand to where it has room both ways."""
    low, high = joint.free_deg
    at = station.hand.look_deg(joint)
    wanted = min(max(at, low + ROOM_DEG), high - ROOM_DEG)
    if wanted != at:
        station.hand.turn(joint, wanted - at)


def _idle_counts(station: Station) -> dict[int, int]:
    """What every count does in half a second while nobody touches the arm."""
    station.progress("encoders: nobody touches the arm")
    before = station.card.counts(station.channels)
    station.card.pause(IDLE_S)
    after = station.card.counts(station.channels)
    return {channel: after[channel] - before[channel] for channel in after}


def _turn(station: Station, joint: Joint, idle: dict[int, int], climbing: set[int]) -> Check:
    hand, card, channel = station.hand, station.card, joint.channel
    station.progress(f"encoders: turn {joint.name} by hand")
    make_room(station, joint)

    def live() -> str:
        return f"{joint.name} count {card.counts([channel])[channel]}"

    counts = [card.counts(station.channels)]
    eyes = [hand.look_deg(joint)]
    feels = []
    for deg in (TURN_DEG, -TURN_DEG):
        feels.append(hand.turn(joint, deg, live))
        counts.append(card.counts(station.channels))
        eyes.append(hand.look_deg(joint))
    turned = (eyes[1] - eyes[0], eyes[2] - eyes[1])
    moved = (counts[1][channel] - counts[0][channel], counts[2][channel] - counts[1][channel])
    evidence = (
        f"turned {turned[0]:+.0f} and {turned[1]:+.0f} {joint.unit} by eye "
        f"({feels[0]}, {feels[1]}): "
        f"count {moved[0]:+d} and {moved[1]:+d}, expected about "
        f"{turned[0] * joint.counts_per_deg:+.0f} and {turned[1] * joint.counts_per_deg:+.0f}"
    )
    readings = {"turned_deg": turned[0], "count_up": moved[0], "count_down": moved[1]}
    symptoms = []
    if channel in climbing:
        symptoms.append(Symptom(Kind.COUNT_CLIMBS, joint.name, {"counts": idle[channel]}))
        evidence += f"; untouched it moved {idle[channel]:+d} in {IDLE_S} s"
    others = [
        other
        for other in station.arm.joints
        if other.channel != channel
        and other.channel not in climbing
        and abs(counts[1][other.channel] - counts[0][other.channel]) > ELSEWHERE_COUNTS
    ]
    kind = _judge(joint, turned, moved)
    if others:
        other = others[0]
        strayed = counts[1][other.channel] - counts[0][other.channel]
        symptoms.append(Symptom(Kind.COUNT_ELSEWHERE, joint.name, {"counts": strayed}, other.name))
        evidence += f"; {other.name}'s count moved {strayed:+d} instead"
    elif kind is not None:
        if kind is Kind.COUNT_DEAD:
            probed, words = _probe(station, joint)
            readings |= probed
            evidence += "; " + words
        symptoms.append(Symptom(kind, joint.name, readings))
    return judged("encoders", joint, symptoms, evidence)


def _judge(joint: Joint, turned: tuple[float, float], moved: tuple[int, int]) -> Kind | None:
    """The count's behaviour over both turns."""
    if min(abs(deg) for deg in turned) < TURN_DEG / 2:
        return Kind.TURN_STIFF
    # Hum on a channel that floats adds a few counts to none.
    dead = max(STUCK_COUNTS, STUCK_SHARE * abs(TURN_DEG * joint.counts_per_deg))
    if max(abs(n) for n in moved) <= dead:
        return Kind.COUNT_DEAD
    shown = [n / joint.counts_per_deg for n in moved]
    if all(abs(s - t) <= EYE_DEG for s, t in zip(shown, turned, strict=True)):
        return None
    if all(abs(s + t) <= EYE_DEG for s, t in zip(shown, turned, strict=True)):
        return Kind.COUNT_BACKWARDS
    return Kind.COUNT_AMOUNT


def _probe(station: Station, joint: Joint) -> tuple[dict[str, float], str]:
    """Meter both channels at both ends of the loom.

    First: is each end held by anything? What something drives reads the whole 5 V between its
    reading to 0 V and its reading to the 5 V rail; what floats follows the meter both times. Then,
    over a few small turns: does the encoder's own end go both low and high? The turns go by the
    golden section of a small span, which repeats no place in the disc's cycle.
    """
    readings: dict[str, float] = {}
    words = []
    for name in CHANNELS:
        for end, prefix in (("part", ""), ("card", "CARD.")):
            terminal = f"{prefix}{joint.name}.ENC.{name}"
            low, high = station.to_ground(terminal), station.hand.volts("RAIL.5V", terminal)
            readings |= {f"{name}_{end}_v": low, f"{name}_{end}_below_5v_v": high}
            where = "at the card" if end == "card" else "at the encoder"
            held = "held" if low + high > HELD_V else "held by nothing"
            words.append(f"{name} {where} {low:.3f} V, {high:.2f} V below 5 V: {held}")
    seen: dict[str, list[float]] = {name: [] for name in CHANNELS}
    at = 0.0
    for turn in range(1, PROBES + 1):
        for name, volts in seen.items():
            volts.append(station.to_ground(f"{joint.name}.ENC.{name}"))
        if all(min(volts) < HIGH_V < max(volts) for volts in seen.values()):
            break
        wanted = PROBE_SPAN_DEG * (turn * GOLDEN % 1.0)
        station.hand.turn(joint, wanted - at)
        at = wanted
    for name, volts in seen.items():
        readings |= {f"{name}_turned_low_v": min(volts), f"{name}_turned_high_v": max(volts)}
        words.append(
            f"{name} at the encoder over small turns {min(volts):.2f} to {max(volts):.2f} V"
        )
    return readings, "; ".join(words)
