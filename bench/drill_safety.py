"""Cautions of a drill: which act could hurt somebody, and which only breaks a rule.

After the trade's list of cautions (common practice, no published source) and the commissioning's.
An act that could injure ends the drill and is not done; a lesser one caps the marks at half.
"""

from __future__ import annotations

from dataclasses import dataclass

from ..commission import cautions
from .drill_site import Site, State
from .drill_words import Act

HANDS = ("turn", "press", "wiggle", "level")
FIRST_JOG_DEG = 10.0
_FALLS = "The arm falls where nothing holds it: the stand under the links first."
_DEAD = "Isolate, lock, wait, prove the meter, prove dead: the main supply is on."


@dataclass(frozen=True)
class Hazard:
    """What is wrong with an act. `ends`: it could injure. `undone`: it is not done."""

    text: str
    ends: bool = False
    undone: bool = False


def hazard(site: Site, act: Act) -> Hazard | None:
    """What speaks against doing this now, or None."""
    for one in (act.during, act) if act.during else (act,):
        found = _hazard(site, one)
        if found is not None:
            return found
    return None


def _hazard(site: Site, act: Act) -> Hazard | None:
    state = site.state
    if act.name in HANDS:
        return _hands(state)
    if act.name in ("stand", "disable", "motor", "main", "plug"):
        found = _falling(site, act)
        if found is not None:
            return found
    if act.name in ("ohms", "beep", "repair") and state.main:
        what = "A repair" if act.name == "repair" else "Ohms"
        return Hazard(f"{what} on a live circuit. {_DEAD}", undone=True)
    if act.name == "plug" and state.main:
        return _live_plug(state, str(act.values[1]))
    if act.name == "jog":
        return _long_jog(state, act)
    if act.name in ("home", "cycle"):
        return _unproved(site, act)
    return None


def _hands(state: State) -> Hazard | None:
    if state.live:
        drives = ", ".join(sorted(state.live))
        return Hazard(
            f"Hands on an arm whose drives are energised ({drives}). {cautions.HANDS_ON}",
            ends=True,
            undone=True,
        )
    return Hazard(cautions.HANDS_ON) if state.main and state.motor else None


def _falling(site: Site, act: Act) -> Hazard | None:
    """Whether a joint would lose what holds it while no stand does."""
    state, fall = site.state, Hazard(_FALLS, ends=True, undone=True)
    if act.name == "stand":
        limp = len(state.live) < len(site.arm.joints)
        return fall if act.values[0] is False and limp else None
    if act.name == "plug":
        drops = str(act.values[1]).endswith((".MOTOR", ".DRIVE", ".INPUTS"))
    else:
        drops = act.name == "disable" or act.values[0] is False
    return fall if drops and not state.stand else None


def _live_plug(state: State, plug: str) -> Hazard:
    if plug.endswith(".MOTOR") and plug.partition(".")[0] in state.live:
        return Hazard(
            "A motor plug is never pulled or put in live: it arcs, and the joint goes limp.",
            ends=True,
            undone=True,
        )
    return Hazard(f"A plug with the supply on. {_DEAD}")


def _long_jog(state: State, act: Act) -> Hazard | None:
    deg = abs(float(str(act.values[1])))
    for joint in act.joints:
        if deg > FIRST_JOG_DEG and not {"+", "-"} <= state.proved.get(joint.name, set()):
            return Hazard(
                f"A long jog of {joint.name} before both directions are proved. "
                f"{cautions.FIRST_JOG}"
            )
    return None


def _unproved(site: Site, act: Act) -> Hazard | None:
    """Whether a homing comes before switch and directions of every joint it moves are proved."""
    joints = act.joints or site.arm.joints
    missing = [joint.name for joint in joints if not site.state.ready(joint)]
    if not missing:
        return None
    return Hazard(
        f"Homing before switch and directions are proved: {', '.join(missing)}. {cautions.HOMING}"
    )
