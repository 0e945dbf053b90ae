"""Suspects behind supplies, the line, encoders and switches: what the card and its parts read."""

from __future__ import annotations

from . import suspects_stop as stops
from .findings import Symptom
from .rails import FAR_ENDS, RAILS
from .suspect import (
    CLASS,
    FITS,
    HELD_V,
    HIGH_V,
    LIFTED_V,
    LOW_V,
    POSSIBLE,
    PROVED,
    TOGETHER_V,
    Rule,
    Suspect,
)


def rail(symptom: Symptom) -> list[Suspect]:
    """A rail out of range at the card."""
    rail, volts = symptom.detail, symptom.readings["volts"]
    if volts < LOW_V:
        coil = {name: volts for name, volts in symptom.readings.items() if "STOP" in name}
        return [
            *(stops.coil(coil) if coil else ()),
            Suspect(f"short@{rail}/RAIL.0V", f"{rail} reads {volts:.2f} V at the card", FITS),
            *(
                Suspect(f"short@{rail}/{other}", f"{rail} is pulled to {volts:.2f} V", POSSIBLE)
                for other in ("RAIL.5V", "RAIL.3V3", "RAIL.24V")
                if other != rail
            ),
        ]
    return [Suspect(f"short@{rail}/RAIL.0V", f"{rail} is off at {volts:.2f} V", POSSIBLE)]


def far_end(symptom: Symptom) -> list[Suspect]:
    """A supply that does not arrive at its part."""
    far = next(far for far in FAR_ENDS if far.group == symptom.detail)
    volts, joint = symptom.readings, symptom.joint
    plus, minus = f"{joint}.{far.plus}", f"{joint}.{far.minus}"
    high, low, rail = volts["plus_v"], volts["minus_v"], volts["rail_v"]
    shown = (
        f"{volts['pair_v']:.2f} V across {plus}/{minus} with {rail:.2f} V on the rail; against "
        f"RAIL.0V {plus} {high:.2f} V, {minus} {low:.2f} V"
    )
    # Two places are named in the order of the loom.
    both = f"{minus}/{plus}" if far.group == "SW" else f"{plus}/{minus}"
    rail_is_low = any(r.terminal == far.rail and rail < r.low_v for r in RAILS)
    if rail_is_low and abs(high - low) < TOGETHER_V:
        # Heavy current flows, and drops the volts along both conductors, or along one.
        ends = (both, f"{plus}/RAIL.0V")
        if low < LIFTED_V:
            ends = ends[::-1]
        return [
            Suspect(f"short@{ends[0]}", shown, PROVED),
            Suspect(f"short@{ends[1]}", shown, CLASS),
        ]
    if rail - high <= far.sag_v:
        # The plus side arrives, so the return is at fault: it rides up, or floats near 0 V.
        guilty = minus
    elif low > HIGH_V > high:
        return [Suspect(f"swap@{both}", f"reversed: {shown}", PROVED)]
    else:
        guilty = plus
    return [
        Suspect(f"open@{guilty}", shown, PROVED),
        Suspect(f"resist@{guilty}", f"a bad contact would do the same: {shown}", CLASS),
    ]


def count_dead(symptom: Symptom) -> list[Suspect]:
    """The joint turns and its count stays."""
    joint, volts = symptom.joint, symptom.readings
    if "A_part_v" not in volts:
        because = "the joint moves, its count stays"
        return [Suspect(f"open@{joint}.ENC.{name}", because, CLASS) for name in ("A", "B")]
    found: list[Suspect] = []
    stuck: list[Suspect] = []
    for name in ("A", "B"):
        place = f"{joint}.ENC.{name}"
        held = {
            end: volts[f"{name}_{end}_v"] + volts[f"{name}_{end}_below_5v_v"] > HELD_V
            for end in ("part", "card")
        }
        low, high = volts[f"{name}_turned_low_v"], volts[f"{name}_turned_high_v"]
        shown = f"{place} stays at {low:.2f} to {high:.2f} V at the encoder over small turns"
        if held["part"] and not held["card"]:
            because = (
                f"{place} is driven at the encoder ({low:.2f} to {high:.2f} V), and nothing holds "
                f"its card end ({volts[f'{name}_card_v']:.3f} V)"
            )
            found.append(Suspect(f"open@{place}", because, PROVED))
        elif low > HIGH_V:
            stuck.append(Suspect(f"short@{place}/{joint}.ENC.5V", shown, CLASS))
        elif high < HIGH_V:
            stuck.append(Suspect(f"short@{place}/{joint}.ENC.0V", shown, CLASS))
    if found:
        return found
    if len(stuck) == 2:
        because = "both channels are dead at the encoder"
        return [Suspect(f"open@{joint}.ENC.{end}", because, CLASS) for end in ("0V", "5V")]
    if not stuck:
        because = "both channels are alive and reach the card, yet it counts nothing"
        stuck.append(Suspect(f"short@{joint}.ENC.A/{joint}.ENC.B", because, CLASS))
    return stuck


def count_climbs(symptom: Symptom) -> list[Suspect]:
    """The count moves though nothing turns."""
    because = f"untouched, the count moved {symptom.readings['counts']:+.0f}: inputs float"
    return [
        Suspect(f"open@{symptom.joint}.ENC.{name}", because, CLASS)
        for name in ("0V", "5V", "A", "B")
    ]


def count_backwards(symptom: Symptom) -> list[Suspect]:
    """The count runs against the turn."""
    joint = symptom.joint
    because = "the count runs against the turn; everything else is normal"
    return [Suspect(f"swap@{joint}.ENC.A/{joint}.ENC.B", because, FITS)]


def count_amount(symptom: Symptom) -> list[Suspect]:
    """The count follows by a wrong amount."""
    joint = symptom.joint
    because = "the count follows the turn, by the wrong amount"
    return [
        Suspect(f"pulley@{joint}.GEAR", because, CLASS),
        *(
            Suspect(f"open@{joint}.ENC.{name}", because, POSSIBLE)
            for name in ("A", "B", "0V", "5V")
        ),
    ]


def crossed(group: tuple[str, ...], what: str, plug: str = "") -> Rule:
    """A rule for two joints whose conductors of `group`, or whole `plug`, are interchanged."""

    def rule(symptom: Symptom) -> list[Suspect]:
        first, second = sorted((str(symptom.joint), symptom.detail))
        because = f"{what} of {first} and {second} answer for each other"
        found = [Suspect(f"swap@{first}.{name}/{second}.{name}", because, FITS) for name in group]
        if plug:
            found.insert(0, Suspect(f"cross@{first}.{plug}/{second}.{plug}", because, FITS))
        return found

    return rule


def switch_dead(symptom: Symptom) -> list[Suspect]:
    """At the card COM follows neither throw; at the switch it may."""
    joint, volts = symptom.joint, symptom.readings
    com = f"{joint}.SW.COM"
    lug_rest, lug_pressed = volts["rest_lug_COM_v"], volts["pressed_lug_COM_v"]
    shown = (
        f"COM at the card reads {volts['rest_v']:.3f} V at rest and {volts['pressed_v']:.3f} V "
        f"pressed, at the switch {lug_rest:.2f} and {lug_pressed:.2f} V"
    )
    if lug_rest < LOW_V and lug_pressed > HIGH_V > volts["pressed_v"]:
        return [
            Suspect(f"open@{com}", shown, PROVED),
            Suspect(f"resist@{com}", shown, CLASS),
        ]
    return [Suspect(f"open@{joint}.SW.{name}", shown, CLASS) for name in ("NO", "NC", "COM")] + [
        Suspect(f"short@{com}/{joint}.SW.{name}", shown, POSSIBLE) for name in ("NC", "NO")
    ]


def switch_rest(symptom: Symptom) -> list[Suspect]:
    """Sound when pressed, and nothing holds the input at rest."""
    joint, volts = symptom.joint, symptom.readings
    because = (
        f"at rest COM hangs on nothing ({volts['rest_v']:.3f} V to 0 V, and only "
        f"{volts['rest_to_3v3_v']:.2f} V to the 3.3 V rail)"
    )
    return [
        Suspect(f"open@{joint}.SW.NC", because, FITS),
        Suspect(f"open@{joint}.SW.COM", because, POSSIBLE),
    ]


def switch_lingers(symptom: Symptom) -> list[Suspect]:
    """Sound until let go, and then still pressed."""
    joint = symptom.joint
    because = "pressed and let go, the input still reads 1"
    return [
        Suspect(f"stuck@{joint}.SW", because, FITS),
        Suspect(f"sticky@{joint}.SW", because, CLASS),
        Suspect(f"open@{joint}.SW.NC", because, POSSIBLE),
    ]


def switch_pressed(symptom: Symptom) -> list[Suspect]:
    """Sound at rest, and nothing holds the input when pressed."""
    joint, volts = symptom.joint, symptom.readings
    because = f"solid at rest, but pressed COM reads only {volts['pressed_v']:.3f} V"
    return [
        Suspect(f"open@{joint}.SW.NO", because, FITS),
        Suspect(f"open@{joint}.SW.COM", because, POSSIBLE),
    ]


def switch_inverted(symptom: Symptom) -> list[Suspect]:
    """Rest and pressed are interchanged."""
    joint, volts = symptom.joint, symptom.readings
    because = f"{volts['rest_v']:.2f} V at rest and {volts['pressed_v']:.2f} V pressed"
    return [Suspect(f"swap@{joint}.SW.NC/{joint}.SW.NO", because, FITS)]


def switch_shorts(symptom: Symptom) -> list[Suspect]:
    """The 3.3 V rail goes down with the switch."""
    joint, volts = symptom.joint, symptom.readings
    com = f"{joint}.SW.COM"
    if symptom.detail == "at rest":
        because = "the 3.3 V rail is down, and comes back while this switch is pressed"
        return [
            Suspect(f"swap@{com}/{joint}.SW.NO", because, PROVED + 1),
            Suspect(f"short@{com}/{joint}.SW.NO", because, PROVED + 1),
        ]
    because = (
        f"pressing the switch pulls the 3.3 V rail to {volts['rail_pressed_v']:.2f} V, and COM at "
        f"the card reads {volts['pressed_v']:.2f} V meanwhile"
    )
    # A short takes COM along; with the leads interchanged COM's wire hangs on the open throw.
    shorted = volts["pressed_v"] > LIFTED_V
    return [
        Suspect(f"swap@{com}/{joint}.SW.NC", because, CLASS if shorted else FITS),
        Suspect(f"short@{com}/{joint}.SW.NC", because, FITS if shorted else CLASS),
        Suspect(f"short@{com}/RAIL.0V", because, CLASS),
    ]


def line(symptom: Symptom) -> list[Suspect]:
    """The card answers differently to the same question, or not always."""
    return [Suspect("drop@LINE", "replies to the same question differ or fail to come", CLASS)]


def wiggled(symptom: Symptom) -> list[Suspect]:
    """Something in the joint's cable comes and goes."""
    joint, readings = symptom.joint, symptom.readings
    names = ("SW.COM", "SW.NC", "SW.NO") if readings["edge"] else ("ENC.A", "ENC.B", "ENC.5V")
    because = "it shows only while the cable is wiggled"
    return [Suspect(f"open@{joint}.{name},wiggle=1", because, CLASS) for name in names]


def index_counts(symptom: Symptom) -> list[Suspect]:
    """A turn of the disc does not give its counts."""
    joint = symptom.joint
    because = f"{symptom.readings['missing_counts']:+.0f} counts short of a turn, {symptom.detail}"
    kinds = ("slow", "dirt") if symptom.detail == "fast" else ("dirt", "slow")
    return [Suspect(f"{kind}@{joint}.ENC", because, CLASS) for kind in kinds]


def no_index(symptom: Symptom) -> list[Suspect]:
    """No index came in a turn of the disc."""
    because = "a turn of the encoder brought no index"
    return [
        Suspect(f"open@{symptom.joint}.ENC.Z", because, FITS),
        Suspect(f"dead@{symptom.joint}.ENC,channel=3", because, CLASS),
    ]
