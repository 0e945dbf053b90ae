"""Suspects behind what the cold check finds by ohms."""

from __future__ import annotations

from .cold import APART_OHM, CROSS, LEADS, ohm_words
from .findings import Symptom
from .rails import FAR_ENDS
from .suspect import CLASS, FITS, POSSIBLE, PROVED, Suspect

# A conductor of the loom with its crimps reads less than this from end to end.
LEAD_OHM = 1.0


def shorted(symptom: Symptom) -> list[Suspect]:
    """A rail shorted to 0 V: behind the plug with which it goes, or where no joint's plug lies."""
    rail, _, plug = symptom.detail.partition(" ")
    because = f"{rail} to 0 V reads {ohm_words(symptom.readings['card_ohm'])} with power off"
    if plug:
        return _behind(plug, rail, f"{because}, and no more with plug {plug} out")
    at_stop = f"{because}: the STOP button's second contact lies on 0 V"
    return [
        Suspect(f"short@{rail}/RAIL.0V", because, FITS),
        *(Suspect(f"short@STOP.{p}/{rail}", at_stop, POSSIBLE) for p in ("21", "22")),
    ]


def _behind(plug: str, rail: str, because: str) -> list[Suspect]:
    """What shorts a rail to 0 V at that plug: the rail's own conductor, or one that is at 0 V."""
    joint, _, group = plug.partition(".")
    low = {"INPUTS": ("OPTO0V",), "SW": ("SW.COM", "SW.NC")}.get(group, (f"{group}.0V",))
    own = [far for far in FAR_ENDS if far.group == group and far.rail == rail]
    found = [f"short@{joint}.{far.plus}/{joint}.{far.minus}" for far in own]
    found += [f"short@{joint}.{far.plus}/RAIL.0V" for far in own]
    found += [f"short@{joint}.{pin}/{rail}" for pin in low]
    return [Suspect(fault, because, FITS) for fault in found]


def coils(symptom: Symptom) -> list[Suspect]:
    """A motor's coils by ohms at its drive, and its conductors from end to end."""
    joint, ohms = symptom.joint, symptom.readings
    place = {lead: f"{joint}.MOTOR.{lead}" for lead in LEADS}
    found = []
    far = [lead for lead in LEADS if ohms[f"{lead}_lead_ohm"] > LEAD_OHM]
    crossed = [pair for pair in CROSS if ohms[f"{'/'.join(pair)}_ohm"] < APART_OHM]
    pairs_open = [pair for pair in ("A+/A-", "B+/B-") if ohms[f"{pair}_ohm"] > ohms["high_ohm"]]
    if crossed and pairs_open:
        because = "each coil reads open at the drive, and across the coils one is read"
        for one, other in (("A+", "B+"), ("A-", "B-"), ("A+", "B-"), ("A-", "B+")):
            sound = {one, other} & set(far) == {one, other}
            weight = PROVED if sound and len(far) == 2 else POSSIBLE
            found.append(Suspect(f"swap@{place[one]}/{place[other]}", because, weight))
        return found
    for lead in far:
        ohm = ohms[f"{lead}_lead_ohm"]
        because = f"the conductor reads {ohm_words(ohm)} from drive to motor"
        kind = "open" if ohm > APART_OHM else "resist"
        found.append(Suspect(f"{kind}@{place[lead]}", because, PROVED))
    for lead in ("A+", "B+"):
        if ohms[f"{lead}_ground_ohm"] < APART_OHM:
            because = f"coil {lead[0]} reads {ohm_words(ohms[f'{lead}_ground_ohm'])} to 0 V"
            ends = (place[f"{lead[0]}+"], place[f"{lead[0]}-"])
            found += [Suspect(f"short@{end}/RAIL.0V", because, CLASS) for end in ends]
    for coil in ("A", "B"):
        ohm = ohms[f"{coil}+/{coil}-_ohm"]
        if ohm < ohms["low_ohm"]:
            because = f"coil {coil} reads {ohm_words(ohm)}"
            found.append(Suspect(f"short@{place[coil + '+']}/{place[coil + '-']}", because, FITS))
        elif ohm > ohms["high_ohm"] and not far:
            because = f"coil {coil} reads {ohm_words(ohm)}, its conductors do not"
            found.append(Suspect(f"unplug@{joint}.MOTOR", because, CLASS))
    if crossed and not pairs_open:
        one, other = min(crossed, key=lambda pair: ohms[f"{'/'.join(pair)}_ohm"])
        because = f"{one} to {other} reads {ohm_words(ohms[f'{one}/{other}_ohm'])}: not apart"
        found.append(Suspect(f"short@{place[one]}/{place[other]}", because, FITS))
    return found
