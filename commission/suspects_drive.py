"""Suspects behind motion: drives, motors, homing and trim."""

from __future__ import annotations

from collections.abc import Mapping

from .findings import Kind, Symptom
from .loss import power_of_two
from .suspect import (
    CLASS,
    FITS,
    HIGH_V,
    LIT_V,
    LOW_V,
    POSSIBLE,
    PROVED,
    PULSES_V,
    TOGETHER_V,
    UNDERVOLTAGE_V,
    WEAKENED,
    Suspect,
)

# The count of a jog agrees with what was asked to within this, else it was not made.
KEPT_DEG = 0.3
SINKING = "energised, the joint does not hold its own weight"


def drive(symptom: Symptom) -> list[Suspect]:
    """A joint that moves wrongly or not at all: supply, then inputs, then the motor."""
    joint, volts = str(symptom.joint), symptom.readings
    if volts["supply_v"] < UNDERVOLTAGE_V:
        because = f"the drive has {volts['supply_v']:.1f} V across its supply"
        return [Suspect(f"open@{joint}.DRIVE.{name}", because, FITS) for name in ("24V", "0V")]
    found = _drive_inputs(joint, volts)
    if found:
        return found
    because = "the drive has its supply, and its inputs do as the card says"
    coils = _coils(joint, because)
    if symptom.kind is Kind.JOG_NONE and volts.get("train_part_v", 0.0) < PULSES_V:
        # Not even the card end shows pulses on this meter, so that it cannot tell.
        coils.insert(0, Suspect(f"open@{joint}.STEP", because, CLASS))
    return coils


def _drive_inputs(joint: str, volts: Mapping[str, float]) -> list[Suspect]:
    """What the pairs across the drive's inputs tell; nothing when they are as they should be."""
    dir_v = (volts["DIR_pos_v"], volts["DIR_neg_v"])
    step_v = (volts["STEP_pos_v"], volts["STEP_neg_v"])
    card_v = (volts["card_DIR_pos_v"], volts["card_DIR_neg_v"])
    ena_v = volts["ENA_v"]
    opto, d, s, e = (f"{joint}.{name}" for name in ("OPTO0V", "DIR", "STEP", "ENA"))
    shown = (
        f"standing still after positive and negative steps, against {opto}: DIR {dir_v[0]:.2f} "
        f"and {dir_v[1]:.2f} V (card end {card_v[0]:.2f} and {card_v[1]:.2f} V), STEP "
        f"{step_v[0]:.2f} and {step_v[1]:.2f} V, ENABLE {ena_v:.2f} V"
    )

    def one(fault: str, because: str, weight: int = PROVED) -> list[Suspect]:
        return [Suspect(fault, f"{because}: {shown}", weight)]

    if ena_v < -LOW_V:
        return one(f"swap@{e}/{opto}", "ENABLE is upside down")
    if dir_v[0] < -LOW_V:
        return one(f"swap@{d}/{opto}", "the common return moves with the sign")
    if step_v[0] > LIT_V and abs(step_v[1]) < LOW_V:
        because = "STEP follows the sign and DIR does not; energised, the joint is stiff"
        return one(f"swap@{d}/{s}", because)
    if min(step_v) > LIT_V and ena_v < LOW_V:
        return one(f"swap@{s}/{e}", "STEP is lit all the time and ENABLE is not")
    if min(dir_v) > LIT_V and ena_v < LOW_V:
        return one(f"swap@{d}/{e}", "DIR is lit for both signs and ENABLE is not")
    if _alike(dir_v[0], step_v[0]):
        return one(f"short@{d}/{s}", "DIR and STEP pull at each other", FITS)
    if _alike(ena_v, step_v[0]):
        return one(f"short@{s}/{e}", "STEP and ENABLE pull at each other", FITS)
    if _alike(ena_v, dir_v[1]):
        return one(f"short@{d}/{e}", "DIR and ENABLE pull at each other", FITS)
    if ena_v < LOW_V:
        return _unlit_enable(joint, max(dir_v), volts["card_ENA_v"], shown)
    if max(dir_v) < LOW_V:
        if abs(card_v[0] - card_v[1]) > HIGH_V:
            because = "the card end of DIR changes, the drive's end does not"
            return one(f"open@{d}", because) + one(f"resist@{d}", because, CLASS)
        because = "DIR is held down, at the card too"
        return one(f"short@{d}/{opto}", because, FITS) + one(f"short@{d}/RAIL.0V", because, FITS)
    if min(dir_v) > LIT_V:
        return one(f"short@{d}/RAIL.5V", "DIR is lit for both signs", CLASS)
    dim = [place for place, lit in ((d, dir_v[0]), (e, ena_v)) if lit < LIT_V]
    if dim:
        place = opto if len(dim) == 2 else dim[0]
        return one(f"resist@{place}", "an input is lit too dimly", FITS)
    return _step_train(joint, volts)


def _unlit_enable(joint: str, dir_v: float, card_v: float, shown: str) -> list[Suspect]:
    ena, opto = f"{joint}.ENA", f"{joint}.OPTO0V"
    if dir_v < LOW_V:
        return [
            Suspect(f"open@{opto}", f"no input is lit, so their common return: {shown}", FITS),
            Suspect(f"open@{ena}", f"ENABLE is unlit: {shown}", POSSIBLE),
        ]
    if card_v > HIGH_V:
        because = f"ENABLE is unlit though the card drives it ({card_v:.2f} V), so limp: {shown}"
        return [Suspect(f"open@{ena}", because, PROVED)]
    because = f"ENABLE is held down at the card too ({card_v:.2f} V), so limp: {shown}"
    return [Suspect(f"short@{ena}/{other}", because, FITS) for other in (opto, "RAIL.0V")]


def _alike(one_v: float, other_v: float) -> bool:
    """Two outputs that fight end between the rails, at the same volts."""
    return LOW_V < one_v < LIT_V and abs(one_v - other_v) < TOGETHER_V


def _step_train(joint: str, volts: Mapping[str, float]) -> list[Suspect]:
    at_card, at_part = volts.get("train_card_v", 0.0), volts.get("train_part_v", 0.0)
    place = f"{joint}.STEP"
    shown = (
        f"a train of steps averages {at_card * 1e3:.0f} mV at the card and {at_part * 1e3:.0f} mV "
        "across the STEP input"
    )
    if at_part < -PULSES_V:
        return [Suspect(f"swap@{place}/{joint}.OPTO0V", shown, PROVED)]
    if at_card < PULSES_V or at_part > WEAKENED * at_card:
        return []
    return [Suspect(f"open@{place}", shown, PROVED), Suspect(f"resist@{place}", shown, CLASS)]


def _coils(joint: str | None, because: str) -> list[Suspect]:
    motor = f"{joint}.MOTOR"
    ends = ("A+", "A-", "B+", "B-")
    return [
        *(Suspect(f"open@{motor}.{end}", because, CLASS) for end in ends),
        *(
            Suspect(f"swap@{motor}.{a}/{motor}.{b}", because, CLASS)
            for a in ends[:2]
            for b in ends[2:]
        ),
        Suspect(f"weak@{motor}", because, POSSIBLE),
    ]


def reversed(symptom: Symptom) -> list[Suspect]:
    """The wrong way by eye and count."""
    motor = f"{symptom.joint}.MOTOR"
    because = "the wrong way for both signs, right in size: one coil is reversed"
    return [Suspect(f"swap@{motor}.{c}+/{motor}.{c}-", because, FITS) for c in ("A", "B")]


def stiff(symptom: Symptom) -> list[Suspect]:
    """The hand cannot turn the joint, though its drive is off."""
    because = f"by hand it moved {symptom.readings['turned_deg']:+.0f} deg, with the supply off"
    return [Suspect(f"bind@{symptom.joint}.GEAR", because, CLASS)]


def scale(symptom: Symptom) -> list[Suspect]:
    """A power of two of the distance, by eye and count."""
    because = f"2**{symptom.detail} of the distance asked, both ways"
    return [
        Suspect(f"microsteps@{symptom.joint}.DRIVE", because, FITS),
        Suspect(f"pulley@{symptom.joint}.GEAR", because, POSSIBLE),
    ]


def jog_short(symptom: Symptom) -> list[Suspect]:
    """Neither the distance asked nor none."""
    joint = symptom.joint
    because = "the joint does not go as far as asked"
    return [
        *drive(symptom),
        *(Suspect(place, because, CLASS) for place in _too_little_torque(joint)),
        Suspect(f"open@{joint}.STEP", because, POSSIBLE),
    ]


def loose(symptom: Symptom) -> list[Suspect]:
    """The shaft did as asked, the joint did not."""
    because = "the motor went as far as asked, the joint did not"
    joint = symptom.joint
    return [
        Suspect(f"slip@{joint}.COUPLING", because, PROVED),
        *(Suspect(f"{kind}@{joint}.GEAR", because, FITS) for kind in ("play", "pulley")),
    ]


def ran_away(symptom: Symptom) -> list[Suspect]:
    """Much further than asked: the joint falls, or the drive makes more of each step."""
    joint, seen = symptom.joint, symptom.readings
    if symptom.detail != "blind":
        if abs(seen["count_deg"] - seen["wanted_deg"]) < KEPT_DEG:
            return loose(symptom)
        exponent = power_of_two(abs(seen["count_deg"] / seen["wanted_deg"]))
        if exponent is not None and exponent > 0:
            because = f"2**{exponent} of the distance asked"
            return [Suspect(f"microsteps@{joint}.DRIVE", because, FITS)]
    return [*sinks(symptom), Suspect(f"slip@{joint}.COUPLING", SINKING, CLASS)]


def sinks(symptom: Symptom) -> list[Suspect]:
    """Energised, it falls with its shaft."""
    joint = symptom.joint
    torque = (f"weak@{joint}.MOTOR", f"idle@{joint}.DRIVE")
    return [*(Suspect(one, SINKING, CLASS) for one in torque), *_coils(joint, SINKING)[:-1]]


def _too_little_torque(joint: str | None) -> tuple[str, str]:
    return f"weak@{joint}.MOTOR", f"bind@{joint}.GEAR"


def lost(symptom: Symptom) -> list[Suspect]:
    """Steps and counts disagree after a run."""
    missing = symptom.readings["missing_counts"]
    because = f"{missing:+.0f} counts between steps and encoder"
    if not missing:
        because = "its rotor was out of step, and is back"
    return [
        *(Suspect(fault, because, FITS) for fault in _too_little_torque(symptom.joint)),
        Suspect(f"idle@{symptom.joint}.DRIVE", because, CLASS),
        # Set too high, a drive gets hot and lets go until it has cooled.
        Suspect(f"strong@{symptom.joint}.MOTOR", because, POSSIBLE),
        # Or all steps were made, and the encoder has not counted them.
        *(Suspect(f"{kind}@{symptom.joint}.ENC", because, POSSIBLE) for kind in ("dirt", "slow")),
    ]


def no_edge(symptom: Symptom) -> list[Suspect]:
    """A search ran its whole length."""
    joint = symptom.joint
    because = "the switch tested well by hand, yet no edge came within the travel"
    return [
        Suspect(f"shift@{joint}.SW", because, CLASS),
        *(Suspect(fault, because, CLASS) for fault in _too_little_torque(joint)),
        Suspect(f"slip@{joint}.COUPLING", because, CLASS),
        Suspect(f"open@{joint}.SW.NO", because, POSSIBLE),
    ]


def scatter(symptom: Symptom) -> list[Suspect]:
    """Fast and slow edge lie apart."""
    joint = symptom.joint
    because = f"the two edges lie {symptom.readings['apart_deg']:+.2f} deg apart"
    faults = (f"slip@{joint}.COUPLING", f"worn@{joint}.SW", *_too_little_torque(joint))
    return [Suspect(fault, because, CLASS) for fault in faults]


def disagrees(symptom: Symptom) -> list[Suspect]:
    """A second homing ends elsewhere: what lies past the motor moved, or steps were lost."""
    joint, readings = symptom.joint, symptom.readings
    because = f"the second homing lies {readings['apart_deg']:+.2f} deg from the first, "
    if "turns" in readings:
        because += "whole turns of the encoder: its index lies at the switch's edge"
        return [Suspect(f"index@{joint}.ENC", because, FITS)]
    if not readings["past_motor"]:
        because += "and the count at the edge did not go along: steps were lost"
        return [Suspect(fault, because, CLASS) for fault in _too_little_torque(joint)]
    because += "and the count at the edge went along: it lies between motor and switch"
    faults = (f"slip@{joint}.COUPLING", f"play@{joint}.GEAR", f"worn@{joint}.SW")
    return [Suspect(fault, because, CLASS) for fault in faults]


def no_release(symptom: Symptom) -> list[Suspect]:
    """The input stays 1 after backing off."""
    joint = symptom.joint
    because = "after backing off, the switch input is still 1"
    return [
        Suspect(f"sticky@{joint}.SW", because, CLASS),
        Suspect(f"open@{joint}.SW.NC", because, CLASS),
        Suspect(f"open@{joint}.DIR", because, CLASS),
    ]


def shifted(symptom: Symptom) -> list[Suspect]:
    """Homed, and yet far from zero."""
    because = "the joint homes, but its zero is far from the mark or the level"
    return [
        Suspect(fault, because, CLASS)
        for fault in (f"shift@{symptom.joint}.SW", f"idle@{symptom.joint}.DRIVE")
    ]


def play(symptom: Symptom) -> list[Suspect]:
    """The gauge reads otherwise from the other side, by the same steps and counts."""
    apart = symptom.readings["apart_deg"]
    because = f"approached from the other side, the same step is {apart:+.2f} deg away"
    return [
        Suspect(f"play@{symptom.joint}.GEAR", because, FITS),
        Suspect(f"slip@{symptom.joint}.COUPLING", because, CLASS),
    ]


def binds(symptom: Symptom) -> list[Suspect]:
    """The joint does not come freely through its travel, or its count not with it."""
    if "felt_at_deg" not in symptom.readings:
        because = "led by hand through its travel, the count did not go with it"
        return [Suspect(f"open@{symptom.joint}.ENC.{name}", because, POSSIBLE) for name in "AB"]
    because = "led by hand, it does not come freely through its travel"
    return [Suspect(f"bind@{symptom.joint}.GEAR", because, FITS)]
