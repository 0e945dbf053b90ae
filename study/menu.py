"""The measurements worth asking for, given which faults are left, and what each reads with each.

Only what a person could do at the plugs and terminals the faults touch. What depends on where the
encoder's disc happens to stand is left out: nobody could foretell it for another arm.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping, Sequence

from ..commission.arm import load_arm
from ..commission.client import Card
from ..commission.diagnosis import SOUND
from ..commission.errors import CommissionError
from ..commission.hand import PortHand
from ..commission.line import Line
from ..commission.measurements import Measurement, take
from ..faults import parse_fault
from ..scenes import WIRES, Scene, scene_path
from .commissioned import address

GROUND = "RAIL.0V"
RAILS = ("RAIL.0V", "RAIL.5V", "RAIL.3V3", "RAIL.24V")
_INPUTS = ("DIR", "STEP", "ENA")


def plug_name(wire: str) -> str:
    """The plug of a joint's wire: `INPUTS` for `DIR`."""
    return wire.partition(".")[0] if "." in wire else "INPUTS"


def menu(faults: Iterable[str]) -> list[Measurement]:
    """Volts first, then ohms with the plug out, at all plugs that any of these faults touches."""
    touched: dict[tuple[str, str], None] = {}
    for fault in faults:
        for place in parse_fault(fault).places if fault != SOUND else ():
            joint, _, wire = place.removeprefix("CARD.").partition(".")
            if wire in WIRES:
                touched[joint, plug_name(wire)] = None
            elif joint.startswith("J"):
                plug = wire.partition(".")[0]
                if plug in ("SW", "ENC", "DRIVE", "MOTOR", "INPUTS"):
                    touched[joint, plug] = None
                if plug == "DRIVE":  # a drive's own fault may show at its inputs
                    touched[joint, "INPUTS"] = None
    found = [Measurement("V", rail, GROUND) for rail in RAILS[1:]]
    for joint, plug in touched:
        found += _volts(joint, plug)
    for joint, plug in touched:
        found += _ohms(joint, plug)
    return found


def own_menu(scene: Scene, fault: str) -> list[Measurement]:
    """The menu of one fault; for none, the menus of all joints."""
    if fault != SOUND:
        return menu([fault])
    joints = [joint.name for joint in scene.joint]
    return menu(f"open@{joint}.{wire}" for joint in joints for wire in WIRES)


def _volts(joint: str, plug: str) -> list[Measurement]:
    if plug == "INPUTS":
        return [
            Measurement("V", red, black, drive=joint, sign=sign)
            for sign in (1, -1)
            for pin in _INPUTS
            for red, black in (
                (f"{joint}.{pin}", f"{joint}.OPTO0V"),
                (f"CARD.{joint}.{pin}", GROUND),
            )
        ] + [Measurement("V", f"{joint}.OPTO0V", GROUND, drive=joint, sign=1)]
    if plug == "DRIVE":
        return [
            Measurement("V", f"{joint}.DRIVE.{pin}", GROUND, drive=joint, sign=1)
            for pin in ("24V", "0V")
        ]
    if plug == "ENC":
        return [Measurement("V", f"{joint}.ENC.{pin}", GROUND) for pin in ("5V", "0V")]
    if plug == "SW":
        return [
            Measurement("V", red, GROUND, press=press)
            for press in ("", joint)
            for red in (f"CARD.{joint}.SW.COM", *(f"{joint}.SW.{p}" for p in ("COM", "NC", "NO")))
        ]
    return []


def _ohms(joint: str, plug: str) -> list[Measurement]:
    pins = [f"{joint}.{wire}" for wire in WIRES if plug_name(wire) == plug]
    out = f"{joint}.{plug}"

    def one(red: str, black: str) -> Measurement:
        return Measurement("ohm", red, black, plug=out)

    def steady(a: str, b: str) -> bool:
        # Through the card's outputs, which stand by the last sign of DIR: nobody could foretell it.
        return a == b or not any(pin.endswith(".DIR") for pin in (a, b))

    pairs = [ab for ab in itertools.combinations(pins, 2) if steady(*ab)]
    ends = [ab for ab in itertools.product(pins, pins) if steady(*ab)]
    # A contact by itself: across the switch's terminals, at rest below and held down.
    held = itertools.combinations(pins if plug == "SW" else (), 2)
    return [
        *(Measurement("ohm", a, b, press=joint, plug=out) for a, b in held),
        *(Measurement("ohm", f"CARD.{a}", f"CARD.{b}") for a, b in pairs),
        *(Measurement("ohm", f"CARD.{a}", b) for a, b in ends),
        *(one(f"CARD.{pin}", f"PLUG.{pin}") for pin in pins),
        *(one(a, b) for a, b in itertools.combinations(pins, 2)),
        *(one(pin, rail) for pin in pins for rail in RAILS),
    ]


def foretold(
    scene: str, seed: int, fault: str, whats: Sequence[Measurement]
) -> dict[Measurement, float]:
    """What these read on an arm of that seed with a fault; empty where they cannot be taken."""
    url = address(scene, seed, "" if fault == SOUND else fault)
    try:
        with Line.open(f"{url}&port=hands", "hands") as line:
            card = Card.open(url)
            try:
                return take(load_arm(scene_path(scene)), card, PortHand(line), whats)
            finally:
                card.close()
    except CommissionError:
        return {}


def compatible(what: Measurement, one: float, other: float) -> bool:
    """Whether two readings could be the same one on two arms (common practice: a fifth)."""
    if math.isinf(one) or math.isinf(other):
        return one == other
    least, share = (0.4, 0.2) if what.unit == "ohm" else (0.3, 0.15)
    return abs(one - other) <= least + share * max(abs(one), abs(other))


def groups(what: Measurement, values: Mapping[str, float]) -> list[list[str]]:
    """Faults by reading, ascending: neighbours that could be the same reading stay together."""
    found: list[list[str]] = []
    last = None
    for name in sorted(values, key=values.__getitem__):
        value = values[name]
        if last is None or not compatible(what, last, value):
            found.append([])
        found[-1].append(name)
        last = value
    return found
