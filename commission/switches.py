"""Switches by hand: press, let go, and meter what holds the input.

A level seen by the card proves nothing alone: an input that nothing holds reads near 0 V like a
sound ground. Metered against the *other* rail it shows itself: the meter's own 10 megohm pulls a
float along, and cannot pull a closed contact. (Common practice, no published source.)
"""

from __future__ import annotations

from dataclasses import dataclass, field

from .arm import Joint
from .findings import Check, Kind, Symptom, judged
from .rails import LOW_3V3_V
from .station import Station

# A closed contact passes all but a few millivolt of 3.3 V through the meter.
SOLID_V = 3.0
GROUND_V = 0.4
LOOKS = 4  # levels read in each position
LOOK_S = 0.013  # not a multiple of a mains period
DRIFT_READINGS = 3


@dataclass
class _Seen:
    """One switch, at rest and pressed. Levels of every channel, volts as named."""

    before: dict[int, int] = field(default_factory=dict)
    pressed: dict[int, int] = field(default_factory=dict)
    after: dict[int, int] = field(default_factory=dict)
    volts: dict[str, float] = field(default_factory=dict)
    steady: bool = True


def check_switches(station: Station) -> list[Check]:
    """Press every switch in turn. The motor supply stays off."""
    seen = {joint.channel: _press(station, joint) for joint in station.arm.joints}
    sound = {channel for channel, what in seen.items() if not _own(what, channel)}
    return [_judge(station, joint, seen, sound) for joint in station.arm.joints]


def _press(station: Station, joint: Joint) -> _Seen:
    hand, channel = station.hand, joint.channel
    station.progress(f"switches: press {joint.name}'s switch")
    com = f"CARD.{joint.name}.SW.COM"

    def live() -> str:
        return f"{joint.name} input {station.card.levels([channel])[channel]}"

    seen = _Seen()
    seen.before, steady_before = _levels(station, channel)
    seen.volts["rest_v"] = station.to_ground(com)
    seen.volts["rest_to_3v3_v"] = hand.volts("RAIL.3V3", com)
    hand.press(joint, live)
    seen.pressed, steady_pressed = _levels(station, channel)
    seen.volts["pressed_v"] = station.to_ground(com)
    seen.volts["rail_pressed_v"] = station.to_ground("RAIL.3V3")
    seen.steady = steady_before and steady_pressed
    if _own(seen, channel):
        _probe(station, joint, seen, "pressed")
        hand.release(joint, live)
        _probe(station, joint, seen, "rest")
    else:
        hand.release(joint, live)
    seen.after, _ = _levels(station, channel)
    return seen


def _levels(station: Station, channel: int) -> tuple[dict[int, int], bool]:
    """All levels, and whether `channel` kept its level over a few looks."""
    looks = []
    for _ in range(LOOKS):
        station.card.pause(LOOK_S)  # the first one lets the contacts settle
        looks.append(station.card.levels(station.channels))
    return looks[-1], len({look[channel] for look in looks}) == 1


def _probe(station: Station, joint: Joint, seen: _Seen, state: str) -> None:
    """Where along the loom is it lost? Meter the switch's own lugs, and how the card end drifts."""
    for lug in ("COM", "NC", "NO"):
        terminal = f"{joint.name}.SW.{lug}"
        seen.volts[f"{state}_lug_{lug}_v"] = station.to_ground(terminal)
    drift = [station.to_ground(f"CARD.{joint.name}.SW.COM") for _ in range(DRIFT_READINGS)]
    seen.volts[f"{state}_drift_low_v"] = min(drift)
    seen.volts[f"{state}_drift_high_v"] = max(drift)


def _own(seen: _Seen, channel: int) -> list[Kind]:
    """What is wrong with the pressed switch's own input."""
    volts = seen.volts
    if volts["rail_pressed_v"] < LOW_3V3_V:
        return [Kind.SWITCH_SHORTS]
    grounded_at_rest = volts["rest_to_3v3_v"] > SOLID_V and volts["rest_v"] < GROUND_V
    solid_pressed = volts["pressed_v"] > SOLID_V
    if volts["rest_v"] > SOLID_V and volts["pressed_v"] < GROUND_V:
        return [Kind.SWITCH_INVERTED]
    found = []
    if not grounded_at_rest:
        found.append(Kind.SWITCH_FLOATS_AT_REST)
    if not solid_pressed:
        found.append(Kind.SWITCH_FLOATS_PRESSED)
    answers = seen.before[channel] == 0 and seen.pressed[channel] == 1
    if len(found) == 2 or not (found or (answers and seen.steady)):
        return [Kind.SWITCH_DEAD]
    return found


def _judge(station: Station, joint: Joint, seen: dict[int, _Seen], sound: set[int]) -> Check:
    what = seen[joint.channel]
    volts, channel = what.volts, joint.channel
    kinds = _own(what, channel)
    if not kinds and what.after[channel]:
        kinds = [Kind.SWITCH_LINGERS]
    evidence = (
        f"input {what.before[channel]} at rest, {what.pressed[channel]} pressed, "
        f"{what.after[channel]} let go{'' if what.steady else ', flickering'}; COM at the card "
        f"{volts['rest_v']:.3f} V at rest ({volts['rest_to_3v3_v']:.2f} V below the 3.3 V rail "
        f"by the meter), {volts['pressed_v']:.3f} V pressed"
    )
    for state in ("rest", "pressed"):
        if f"{state}_lug_COM_v" in volts:
            evidence += (
                f"; {state}: COM at the card wanders {volts[f'{state}_drift_low_v']:.3f} to "
                f"{volts[f'{state}_drift_high_v']:.3f} V, at the switch COM "
                f"{volts[f'{state}_lug_COM_v']:.2f}, NC {volts[f'{state}_lug_NC_v']:.2f}, NO "
                f"{volts[f'{state}_lug_NO_v']:.2f} V"
            )
    symptoms = [Symptom(kind, joint.name, volts) for kind in kinds]
    others = [
        other
        for other in station.arm.joints
        if other.channel != channel and what.before[other.channel] != what.pressed[other.channel]
    ]
    for other in others:
        # An input that floats may flick at any moment: that is its own joint's finding, unless
        # this switch moves it and not its own.
        silent = Kind.SWITCH_DEAD in kinds or Kind.SWITCH_FLOATS_PRESSED in kinds
        elsewhere = silent and not what.pressed[channel] and _only_moves(seen, channel, other)
        if other.channel in sound or elsewhere:
            symptoms.insert(0, Symptom(Kind.SWITCH_ELSEWHERE, joint.name, volts, other.name))
            evidence += f"; {other.name}'s input changed too"
    return judged("switches", joint, symptoms, evidence)


def _only_moves(seen: dict[int, _Seen], channel: int, other: Joint) -> bool:
    """Whether `other`'s input answers solidly to `channel`'s switch and to no further one."""
    movers = [c for c, w in seen.items() if w.before[other.channel] != w.pressed[other.channel]]
    return movers == [channel]
