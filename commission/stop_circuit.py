"""The stop circuit, proved before anything moves (common practice; IEC 60204-1 stop category 0).

The button must take 24 V from every drive by its own wiring, the card must see its circuit open,
and pulling the button out must not bring the power back.
"""

from __future__ import annotations

from . import cautions
from .findings import Check, Kind, Symptom, judged
from .station import Station

DEAD_V = 2.0
LIVE_V = 20.0
DISCHARGE_S = 1.0


def _held(station: Station) -> dict[str, float]:
    """Volts at the contactor's coil and at the card's stop input."""
    return {at: station.to_ground(at) for at in ("CARD.STOP.12", "CARD.STOP.21")}


def check_stop(station: Station) -> list[Check]:
    """Push STOP, meter every drive, pull it out, meter again. Leaves the motor supply on."""
    hand, card = station.hand, station.card
    station.progress("stop: the button, and what it takes away")
    hand.caution(cautions.STOP)
    hand.stand(True)
    hand.motor_supply(True)
    first = station.arm.joints[0]
    levels = [card.stop_level()]
    before_v = station.across(first, "DRIVE.24V", "DRIVE.0V")
    hand.press_stop(True)
    card.pause(DISCHARGE_S)
    levels.append(card.stop_level())
    pressed = {
        joint.name: station.across(joint, "DRIVE.24V", "DRIVE.0V") for joint in station.arm.joints
    }
    alive = [name for name, volts in pressed.items() if abs(volts) > DEAD_V]
    held = _held(station) if alive or levels != [0, 1] else {}
    hand.press_stop(False)
    levels.append(card.stop_level())
    released_v = station.across(first, "DRIVE.24V", "DRIVE.0V")
    hand.motor_supply(True)
    problems = []
    if levels != [0, 1, 0]:
        problems.append(f"the card's stop input reads {levels}, expected [0, 1, 0]")
    if alive:
        problems.append(f"{', '.join(alive)} still has power with the button in")
    if before_v > LIVE_V and released_v > DEAD_V:
        problems.append("power comes back by itself as the button is pulled out")
    evidence = (
        f"stop input {', '.join(map(str, levels))} before, in and out again; with the button in no "
        f"drive has more than {max(map(abs, pressed.values())):.1f} V; pulled out, power stays off "
        "until it is switched on"
    )
    if problems:
        evidence = f"{'; '.join(problems)}; drives read " + ", ".join(
            f"{name} {volts:.1f} V" for name, volts in pressed.items()
        )
    symptoms = []
    if problems:
        held = held or _held(station)
        evidence += "".join(f", {name} {volts:.2f} V" for name, volts in held.items())
        readings = {
            "released_v": released_v,
            "alive": float(len(alive)),
            "alive_v": max(map(abs, pressed.values())),
            "coil_in_v": held["CARD.STOP.12"],
            "input_in_v": held["CARD.STOP.21"],
        }
        names = ("level_before", "level_in", "level_out")
        readings |= dict(zip(names, map(float, levels), strict=True))
        symptoms = [Symptom(Kind.STOP_CIRCUIT, None, readings)]
    return [judged("stop", None, symptoms, evidence)]
