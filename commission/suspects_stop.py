"""Suspects behind a stop circuit that does not do as it should, and behind 24 V that stays away.

11-12 of the button lies in the line of the contactor's coil, 21-22 ties the card's stop input to
0 V (terminal numbers of EN 50005).
"""

from __future__ import annotations

from collections.abc import Mapping

from .findings import Symptom
from .suspect import CLASS, FITS, LOW_V, POSSIBLE, PROVED, UNDERVOLTAGE_V, Suspect

COIL = ("CARD.STOP.11", "STOP.11", "STOP.12", "CARD.STOP.12")
"""Along the line of the coil, from what feeds it through the button to the coil."""
HOLDS_V, CLOSES_V = 1.5, 3.5
"""What a coil for 5 V may still hold with, and what it needs to pull in (common practice)."""


def coil(volts: Mapping[str, float]) -> list[Suspect]:
    """Why the contactor's coil has no volts, by readings along its line against 0 V."""
    feed, button, after, at_coil = (volts[terminal] for terminal in COIL)
    if at_coil >= CLOSES_V:
        return []
    if at_coil >= HOLDS_V:
        because = f"the contactor's coil has {at_coil:.2f} V, too little to pull in"
        return [Suspect(f"short@STOP.{pin}/RAIL.3V3", because, CLASS) for pin in ("11", "12")]
    told = ", ".join(f"{terminal} {volts[terminal]:.2f} V" for terminal in COIL)
    because = f"the contactor's coil has no volts: {told}"
    if feed < LOW_V:
        shorts = [f"short@STOP.{pin}/{to}" for pin in ("11", "12") for to in ("RAIL.0V", "STOP.22")]
        other = ["short@STOP.11/STOP.21", "short@STOP.12/STOP.21"]
        other += ["swap@STOP.11/STOP.21", "swap@STOP.12/STOP.22"]
        found = [Suspect(fault, because, CLASS) for fault in shorts]
        return found + [Suspect(fault, because, POSSIBLE) for fault in other]
    if button < LOW_V:
        found = [Suspect("open@STOP.11", because, FITS), Suspect("resist@STOP.11", because, CLASS)]
    elif after < LOW_V:
        found = [Suspect("open@STOP.11", because, POSSIBLE)]
    else:
        found = [Suspect("open@STOP.12", because, FITS), Suspect("resist@STOP.12", because, CLASS)]
    swapped = [f"swap@STOP.{one}/STOP.{other}" for one in ("11", "12") for other in ("21", "22")]
    found += [Suspect(fault, because, POSSIBLE) for fault in swapped]
    return [*found, Suspect("unplug@STOP", because, CLASS)]


def stop(symptom: Symptom) -> list[Suspect]:
    """The button: what it takes away, and what it tells."""
    readings = symptom.readings
    levels = tuple(round(readings[key]) for key in ("level_before", "level_in", "level_out"))
    return [*_power(readings), *_told(readings, levels)]


def _power(readings: Mapping[str, float]) -> list[Suspect]:
    """Drives that are alive with the button in: contacts that welded, or a coil that keeps on."""
    if not readings["alive"]:
        return []
    coil_v = readings["coil_in_v"]
    because = f"drives keep their supply with the button in, and the coil has {coil_v:.2f} V then"
    if coil_v < HOLDS_V and readings["alive_v"] < UNDERVOLTAGE_V:
        because = f"drives are fed {readings['alive_v']:.1f} V with the button in, from elsewhere"
        return [Suspect("short@STOP.11/RAIL.24V", because, CLASS)]
    if coil_v < HOLDS_V:
        return [Suspect("weld@CONTACTOR", because, PROVED)]
    bridged = [Suspect("short@STOP.11/STOP.12", because, CLASS)]
    rails = {"RAIL.5V": 5.0, "RAIL.3V3": 3.3, "RAIL.24V": 24.0}
    near = min(rails, key=lambda rail: abs(rails[rail] - coil_v))
    rest = [rail for rail in rails if rail != near]
    return [
        *bridged,
        Suspect(f"short@STOP.12/{near}", because, CLASS),
        *(Suspect(f"short@STOP.12/{rail}", because, POSSIBLE) for rail in rest),
    ]


def _told(readings: Mapping[str, float], levels: tuple[int, ...]) -> list[Suspect]:
    """A card that is not told: its input tied down for good, or tied to nothing."""
    input_v = readings["input_in_v"]
    if levels == (0, 0, 0):
        because = f"the card's stop input stays closed, at {input_v:.2f} V with the button in"
        places = ("short@STOP.21/STOP.22", "short@STOP.21/RAIL.0V")
        return [Suspect(fault, because, CLASS) for fault in places]
    if levels[0] == 1 or levels[2] == 1:
        because = "the card's stop input reads open though the button is out"
        kinds = ("open", "resist") if levels[0] == 1 else ("resist", "open")
        found = [Suspect(f"{kinds[0]}@STOP.{pin}", because, CLASS) for pin in ("21", "22")]
        found += [Suspect(f"{kinds[1]}@STOP.{pin}", because, POSSIBLE) for pin in ("21", "22")]
        rails = ("RAIL.5V", "RAIL.3V3", "RAIL.24V")
        return found + [Suspect(f"short@STOP.21/{rail}", because, POSSIBLE) for rail in rails]
    return []
