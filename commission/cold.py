"""Cold check, before any power: rails not shorted to 0 V, coils whole, apart and off the frame.

All by ohms with the main supply off (common practice, no published source). Motor plugs stay in:
the bridge of a drive without power does not conduct at a meter's test voltage. Where something is
wrong, the meter follows the conductors: plugs are pulled until a short is gone, from the lowest
reading on, which lies nearest to it, and each conductor is measured from end to end.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from . import cautions
from .arm import Joint
from .findings import Check, Kind, Symptom, judged
from .proved import proved
from .rails import FAR_ENDS, RAILS
from .station import Station

# Encoders and drives leave some tens of ohms between a sound rail and 0 V.
SHORT_OHM = 3.0
# A coil by its nameplate, give or take, and its two conductors with their crimps.
COIL_LOW, COIL_HIGH, LOOM_OHM = 0.3, 2.5, 1.0
ANY_COIL_OHM = (0.2, 30.0)
APART_OHM = 1000.0
LEADS = ("A+", "A-", "B+", "B-")
PAIRS = (("A+", "A-"), ("B+", "B-"))
CROSS = (("A+", "B+"), ("A+", "B-"), ("A-", "B+"), ("A-", "B-"))
ZERO = "RAIL.0V"
# Plugs that rails go through.
PLUGS = ("DRIVE", "INPUTS", "ENC", "SW")


def check_cold(station: Station) -> list[Check]:
    """Ohms everywhere they matter. Leaves the main supply on if no rail is shorted."""
    hand = station.hand
    hand.caution(cautions.OHMS)
    hand.stand(True)
    hand.main_supply(False)
    checks = [_rails(station)]
    checks += [_coils(station, joint) for joint in station.arm.joints]
    if any(check.failed for check in checks):
        unfit = proved(station, "cold", live=False)
        if unfit is not None:
            return [unfit]
    if not checks[0].failed:
        hand.main_supply(True)
    return checks


def ohm_words(ohm: float) -> str:
    """`2.8 ohm`, or `open`."""
    return "open" if math.isinf(ohm) else f"{ohm:.1f} ohm"


def _rails(station: Station) -> Check:
    station.progress("cold: ohms from each rail to 0 V")
    symptoms, words = [], []
    for rail in RAILS:
        ohm = station.hand.ohms(rail.terminal, ZERO)
        # What a sound rail reads depends on what hangs on it: no figure is told.
        words.append(f"{rail.terminal} to {ZERO} {'shorted' if ohm < SHORT_OHM else 'not shorted'}")
        if ohm < SHORT_OHM:
            words[-1] += f" ({ohm_words(ohm)})"
            found, said = _nearest(station, rail.terminal, ohm)
            symptoms += found
            words[-1] += said
    return judged("cold", None, symptoms, "; ".join(words))


def _nearest(station: Station, rail: str, at_card: float) -> tuple[list[Symptom], str]:
    """Where along the looms a short lies: a switch that lifts it, else the lowest reading."""
    if rail == "RAIL.3V3":
        for joint in station.arm.joints:
            station.hand.press(joint)
            pressed = station.hand.ohms(rail, ZERO)
            station.hand.release(joint)
            if pressed >= SHORT_OHM:
                symptom = Symptom(
                    Kind.SWITCH_SHORTS, joint.name, {"pressed_ohm": pressed}, "at rest"
                )
                return [symptom], f", {ohm_words(pressed)} while {joint.name}'s switch is pressed"
    readings = {"card_ohm": at_card}
    far = next(far for far in FAR_ENDS if far.rail == rail)
    for joint in station.arm.joints:
        readings[f"{joint.name}_ohm"] = station.hand.ohms(
            f"{joint.name}.{far.plus}", f"{joint.name}.{far.minus}"
        )
    told = ", ".join(f"{name.removesuffix('_ohm')} {ohm_words(o)}" for name, o in readings.items())
    nearest = sorted(station.arm.joints, key=lambda joint: readings[f"{joint.name}_ohm"])
    plug = _behind(station, rail, nearest)
    detail = f"{rail} {plug}" if plug else rail
    symptom = Symptom(Kind.SHORTED, plug.partition(".")[0] or None, readings, detail)
    gone = f"is gone with plug {plug} out" if plug else "stays with the plugs of all joints out"
    return [symptom], f"; along the looms {told}; the short {gone}"


def _behind(station: Station, rail: str, joints: Sequence[Joint]) -> str:
    """The plug that a short lies behind, or "": pulled joint by joint until it is gone, then put
    in again one by one until it is back (common practice).
    """
    hand = station.hand
    out: list[str] = []
    found = ""
    for joint in joints:
        station.progress(f"cold: {rail} with {joint.name}'s plugs out")
        mine = [f"{joint.name}.{plug}" for plug in PLUGS]
        for name in mine:
            hand.plug(name, False)
        out += mine
        if hand.ohms(rail, ZERO) >= SHORT_OHM:
            found = mine[-1]
            for name in mine[:-1]:
                hand.plug(name, True)
                out.remove(name)
                if hand.ohms(rail, ZERO) < SHORT_OHM:
                    found = name
                    break
            break
    for name in out:
        hand.plug(name, True)
    return found


def _coils(station: Station, joint: Joint) -> Check:
    station.progress(f"cold: ohms of {joint.name}'s motor at its drive")
    low, high = ANY_COIL_OHM
    nominal = joint.motor.coil_ohm
    if nominal is not None:
        low, high = COIL_LOW * nominal, COIL_HIGH * nominal + LOOM_OHM

    def between(one: str, other: str) -> float:
        return station.hand.ohms(
            _drive(joint, one), other if "." in other else _drive(joint, other)
        )

    pairs = {f"{one}/{other}": between(one, other) for one, other in PAIRS}
    ground = {name: between(name, ZERO) for name in ("A+", "B+")}
    cross = {"A+/B+": between("A+", "B+")}
    bad = any(not low <= ohm <= high for ohm in pairs.values())
    bad |= min(*cross.values(), *ground.values()) < APART_OHM
    words = [f"{name} {ohm_words(ohm)}" for name, ohm in pairs.items()]
    readings = {f"{name}_ohm": ohm for name, ohm in {**pairs, **cross}.items()}
    readings |= {f"{name}_ground_ohm": ohm for name, ohm in ground.items()}
    if not bad:
        words.append("apart from each other and from 0 V")
        return judged("cold", joint, [], ", ".join(words))
    for one, other in CROSS[1:]:
        cross[f"{one}/{other}"] = readings[f"{one}/{other}_ohm"] = between(one, other)
    for lead in LEADS:
        lug = station.hand.ohms(_drive(joint, lead), f"{joint.name}.MOTOR.{lead}")
        readings[f"{lead}_lead_ohm"] = lug
        words.append(f"conductor {lead} {ohm_words(lug)}")
    words += [f"{name} {ohm_words(ohm)}" for name, ohm in cross.items()]
    words += [f"{name} to 0 V {ohm_words(ohm)}" for name, ohm in ground.items()]
    readings |= {"low_ohm": low, "high_ohm": high}
    evidence = ", ".join(words) + f"; expected {low:.1f} to {high:.1f} ohm a coil, else open"
    return judged("cold", joint, [Symptom(Kind.COILS, joint.name, readings)], evidence)


def _drive(joint: Joint, lead: str) -> str:
    return f"CARD.{joint.name}.MOTOR.{lead}"
