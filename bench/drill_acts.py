"""Acts at the arm in a drill: each done through the ports, each giving readings.

The same acts can be done again on another arm, with other faults in it or none.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import cast

from ..commission.arm import Joint
from ..commission.client import channel_list
from ..commission.errors import CommissionError
from ..commission.homing import home
from ..commission.homing_failed import HomingFailed
from . import drill_readings as say
from .drill_customer import MOVED_DEG, complaint, use
from .drill_readings import COUNTS_APART, Reading
from .drill_site import Site
from .drill_words import Act

SETTLE_S, PRESS_S = 0.2, 0.1
SLOW_SHARE = 0.5
"""A jog goes at this share of the joint's fast search speed, unless `fast`."""
_LIMIT_S, _LOOKS, _LOOK_S = 60.0, 9, 0.1
_OHM_LOOKS = 3


def perform(site: Site, act: Act) -> list[Reading]:
    """Do an act, and read what there is to read; one that breaks off says so in a reading."""
    try:
        if act.during is None:
            return _DOES[act.name](site, *act.values)
        finish = _BEGINS[act.during.name](site, *act.during.values)
        does = _WATCHED.get(act.name, _DOES[act.name])
        readings = does(site, *act.values)
        finish()
        return readings
    except CommissionError as error:
        return [Reading("broke off", type(error).__name__, f"broke off: {error}")]


def _look(site: Site, joints: Sequence[Joint]) -> list[Reading]:
    eyes = site.eyes()
    return [say.by_eye(f"{joint.name}", eyes[joint.channel - 1]) for joint in joints]


def _turn(site: Site, joint: Joint, deg: float) -> list[Reading]:
    before = site.sight()
    felt = site.place.turn(joint, deg, 20.0)
    name = joint.name
    return [say.word(f"{name} felt", felt.lower()), *site.changes(joint, before, f"{name} moved")]


def _press(site: Site, joints: Sequence[Joint]) -> list[Reading]:
    readings = []
    for joint in joints:
        seen = [site.place.card.levels(site.channels)]
        for act in (site.place.hand.press, site.place.hand.release):
            act(joint)
            site.place.card.pause(PRESS_S)
            seen.append(site.place.card.levels(site.channels))
        for other in sorted(site.arm.joints, key=lambda each: each is not joint):
            states = [str(levels[other.channel]) for levels in seen]
            mine = other is joint
            shown = mine or len(set(states)) > 1
            what = f"{joint.name} input" if mine else f"with {joint.name}: {other.name} input"
            value = "{}, pressed {}, let go {}".format(*states)
            readings.append(replace(say.word(what, value, shown=shown), opens=mine))
            if mine and states == ["0", "1", "0"]:
                site.state.proved.setdefault(joint.name, set()).add("switch")
    return readings


def _wiggle(site: Site, joint: Joint) -> list[Reading]:
    card = site.place.card
    counts, levels = [card.counts(site.channels)], [card.levels(site.channels)]
    site.place.hands.ask(f"WIGG {channel_list([joint.channel])}")
    for _ in range(_LOOKS):
        card.pause(_LOOK_S)
        counts.append(card.counts(site.channels))
        levels.append(card.levels(site.channels))
    readings = []
    for other in site.arm.joints:
        of_count = [each[other.channel] for each in counts]
        of_input = {each[other.channel] for each in levels}
        shown = other is joint
        moved = max(of_count) - min(of_count) > COUNTS_APART
        flickers = len(of_input) > 1
        readings.append(
            say.word(f"{other.name} count", "moves" if moved else "steady", shown=shown or moved)
        )
        readings.append(
            say.word(
                f"{other.name} input",
                "flickers" if flickers else f"steady {of_input.pop()}",
                shown=shown or flickers,
            )
        )
    return readings


def _level(site: Site, joint: Joint) -> list[Reading]:
    return [say.level(f"level on {joint.name}", site.place.hand.level_deg(joint))]


def _mark(site: Site, joint: Joint) -> list[Reading]:
    return [say.mark(f"mark of {joint.name}", site.place.hand.mark_deg(joint))]


def _zero(site: Site) -> list[Reading]:
    site.place.hand.zero_level()
    return []


def _count(site: Site, joints: Sequence[Joint]) -> list[Reading]:
    found = site.place.card.counts(site.channels)
    return [say.counts(joint.name, found[joint.channel]) for joint in joints]


def _switch(site: Site, joints: Sequence[Joint]) -> list[Reading]:
    found = site.place.card.levels(site.channels)
    return [say.word(joint.name, str(found[joint.channel])) for joint in joints]


def _drives_on(site: Site, joint: Joint) -> bool:
    """Enable a joint's drive for an act, unless it is on; whether to disable it afterwards."""
    if joint.name in site.state.enabled:
        return False
    site.place.card.enable(True, [joint.channel])
    site.place.card.pause(SETTLE_S)
    return True


def _speed(joint: Joint, fast: bool | None) -> float:
    return joint.home.fast_deg_s * (1.0 if fast else SLOW_SHARE)


def _jog(site: Site, joints: Sequence[Joint], deg: float, fast: bool | None) -> list[Reading]:
    readings = []
    for joint in joints:
        off = _drives_on(site, joint)
        before = site.sight()
        site.place.jog(joint, deg, _speed(joint, fast))
        site.place.card.pause(SETTLE_S)
        told = f"{joint.name} told {deg:+g} deg:"
        changed = site.changes(joint, before, told)
        # Names are of the whole act: with several joints each has its own count and input.
        opens = f"{told} by eye"
        readings += [
            replace(each, what=f"{told} {each.what}", opens=each.what == opens) for each in changed
        ]
        if off:
            site.place.card.enable(False, [joint.channel])
        eye = site.eyes()[joint.channel - 1] - before[0][joint.channel - 1]
        if eye * deg > 0 and abs(eye - deg) <= max(MOVED_DEG, abs(deg) / 4):
            site.state.proved.setdefault(joint.name, set()).add("+" if deg > 0 else "-")
    return readings


def _enable(site: Site, joints: Sequence[Joint]) -> list[Reading]:
    site.place.card.enable(True, [joint.channel for joint in joints])
    site.place.card.pause(SETTLE_S)
    site.state.enabled |= {joint.name for joint in joints}
    return []


def _disable(site: Site, joints: Sequence[Joint]) -> list[Reading]:
    site.place.card.enable(False, [joint.channel for joint in joints])
    site.state.enabled -= {joint.name for joint in joints}
    return []


def _home(site: Site, joint: Joint) -> list[Reading]:
    off = _drives_on(site, joint)
    name, card = joint.name, site.place.card
    start = site.eyes()
    begun_steps, begun_counts = card.steps([joint.channel]), card.counts([joint.channel])
    readings = []
    try:
        by_eye = {name: start[joint.channel - 1]}
        homed = home(card, [joint], by_eye)[name]
        apart = homed.apart_deg or 0.0
        steps = (homed.home_step - begun_steps[joint.channel]) / joint.steps_per_deg
        counts = homed.home_count - begun_counts[joint.channel]
        readings += [
            say.word(f"homing of {name}", "done"),
            Reading("home by steps", steps, f"home {steps:+.2f} deg from the start by steps", 0.15),
            say.counts("home by count", counts),
            Reading("slow edge", apart, f"slow edge {apart:+.3f} deg off the fast one", 0.15),
        ]
    except HomingFailed as error:
        kind = error.symptom.kind.name
        readings.append(Reading(f"homing of {name}", kind, f"homing stopped: {error}"))
    eyes, levels = site.eyes(), card.levels(site.channels)
    readings.append(say.by_eye(f"{name} now by eye", eyes[joint.channel - 1]))
    readings.append(say.word(f"{name} input", str(levels[joint.channel])))
    if off:
        card.enable(False, [joint.channel])
    return readings


def _cycle(site: Site) -> list[Reading]:
    seen = use(site.place, site.whats)
    site.state.enabled.clear()
    site.state.stand = True
    if site.before is not None:
        seen = complaint(seen, site.before, site.whats)
    if not seen.words:
        text = "the program ran to its end, and the arm stands where it should"
        return [Reading("cycle", "clean", text)]
    return [Reading("cycle", seen.words, seen.words)]


def _pair(red: str, black: str) -> str:
    return f"{red} to {black}"


def _volts(site: Site, red: str, black: str) -> list[Reading]:
    return [say.metered(_pair(red, black), site.place.hand.volts(red, black), "V")]


def _ac(site: Site, red: str, black: str) -> list[Reading]:
    (volts,) = site.place.hands.numbers(f'MEAS:VOLT:AC? "{red}","{black}"', 1)
    return [say.metered(_pair(red, black), volts, "V AC")]


def _hold(site: Site, seconds: float, red: str, black: str) -> list[Reading]:
    low, high = site.place.hands.numbers(f'MEAS:VOLT:HOLD? {seconds:g},"{red}","{black}"', 2)
    return say.least_and_greatest(_pair(red, black), low, high, "V")


def _ohms(site: Site, red: str, black: str) -> list[Reading]:
    return [say.metered(_pair(red, black), site.place.ohms(red, black), "ohm")]


def _ohms_jumping(site: Site, red: str, black: str) -> list[Reading]:
    """What a display shows that somebody watches while something happens: least and greatest."""
    shown = sorted(site.place.ohms(red, black) for _ in range(_OHM_LOOKS))
    return say.least_and_greatest(_pair(red, black), shown[0], shown[-1], "ohm")


def _beep(site: Site, red: str, black: str) -> list[Reading]:
    (beeps,) = site.place.hands.numbers(f'MEAS:CONT? "{red}","{black}"', 1)
    return [say.word(_pair(red, black), "beeps" if beeps else "silent")]


def _main(site: Site, on: bool) -> list[Reading]:
    site.place.main_supply(on)
    site.state.main = on
    site.place.card.pause(SETTLE_S)
    return []


def _motor(site: Site, on: bool) -> list[Reading]:
    site.place.hand.motor_supply(on)
    site.state.motor = on
    site.place.card.pause(SETTLE_S)
    return []


def _stand(site: Site, on: bool) -> list[Reading]:
    site.place.hand.stand(on)
    site.state.stand = on
    site.place.card.pause(SETTLE_S)
    return []


def _plug(site: Site, inserted: bool, plug: str) -> list[Reading]:
    site.place.hands.ask(f'PLUG {"IN" if inserted else "OUT"},"{plug}"')
    (site.state.plugs_out.discard if inserted else site.state.plugs_out.add)(plug)
    site.place.card.pause(SETTLE_S)
    return []


def _clip(site: Site, ends: tuple[str, str] | None) -> list[Reading]:
    site.place.hands.ask('CLIP "{}","{}"'.format(*ends) if ends else "CLIP:OFF")
    site.state.clip = ends is not None
    site.place.card.pause(SETTLE_S)
    return []


def _wait(site: Site, seconds: float) -> list[Reading]:
    site.place.card.pause(seconds)
    return []


_DOES: dict[str, Callable[..., list[Reading]]] = {
    "look": _look, "turn": _turn, "press": _press, "wiggle": _wiggle, "level": _level,
    "mark": _mark, "zero": _zero, "count": _count, "switch": _switch, "jog": _jog,
    "enable": _enable, "disable": _disable, "home": _home, "cycle": _cycle, "volts": _volts,
    "ac": _ac, "hold": _hold, "ohms": _ohms, "beep": _beep, "main": _main, "motor": _motor,
    "stand": _stand, "plug": _plug, "clip": _clip, "wait": _wait,
}  # fmt: skip
_WATCHED: dict[str, Callable[..., list[Reading]]] = {"ohms": _ohms_jumping}
"""Readings that are taken otherwise while something goes on."""
ACTS = frozenset(_DOES)
"""Words that do something at the arm."""


def _begin_turn(site: Site, joint: Joint, deg: float) -> Callable[[], None]:
    site.place.hands.ask(f"TURN {deg:g},20,{channel_list([joint.channel])}")
    return lambda: cast(None, site.place.hands.ask("*OPC?"))


def _begin_press(site: Site, joints: Sequence[Joint]) -> Callable[[], None]:
    site.place.hand.press(joints[0])
    site.place.card.pause(PRESS_S)

    def finish() -> None:
        site.place.hand.release(joints[0])
        site.place.card.pause(PRESS_S)

    return finish


def _begin_wiggle(site: Site, joint: Joint) -> Callable[[], None]:
    site.place.hands.ask(f"WIGG {channel_list([joint.channel])}")
    return lambda: None


def _begin_jog(
    site: Site, joints: Sequence[Joint], deg: float, fast: bool | None
) -> Callable[[], None]:
    (joint,) = joints
    off, card = _drives_on(site, joint), site.place.card
    card.set_speed({joint.channel: joint.speed(_speed(joint, fast))})
    card.move({joint.channel: joint.steps(deg)})

    def finish() -> None:
        card.until_still([joint.channel], _LIMIT_S)
        if off:
            card.enable(False, [joint.channel])

    return finish


_BEGINS: dict[str, Callable[..., Callable[[], None]]] = {
    "turn": _begin_turn,
    "press": _begin_press,
    "wiggle": _begin_wiggle,
    "jog": _begin_jog,
}
