"""Rails: the supplies at the card and at the far end of every joint's loom.

Ranges are common practice, no published source: 24 V and 3.3 V to 5 %, 4.75-5.25 V at an encoder,
more than 1.5 V of sag on 24 V is suspect.
"""

from __future__ import annotations

from typing import NamedTuple

from . import cautions
from .findings import Check, Kind, Symptom, judged
from .proved import proved
from .station import Station
from .suspects_stop import COIL


class Rail(NamedTuple):
    """A rail's terminal and the volts it may have against RAIL.0V."""

    terminal: str
    low_v: float
    high_v: float


class FarEnd(NamedTuple):
    """A supply at a part: its group, its two conductors, its rail, and the sag allowed."""

    group: str
    plus: str
    minus: str
    rail: str
    sag_v: float


LOW_3V3_V = 3.135
# A motor supply that does not come at all: its contactor may have no coil volts.
GONE_V = 2.0
RAILS = (
    Rail("RAIL.5V", 4.75, 5.25),
    Rail("RAIL.3V3", LOW_3V3_V, 3.465),
    Rail("RAIL.24V", 22.8, 25.2),
)
FAR_ENDS = (
    FarEnd("ENC", "ENC.5V", "ENC.0V", "RAIL.5V", 0.25),
    FarEnd("SW", "SW.NO", "SW.NC", "RAIL.3V3", 0.165),
    FarEnd("DRIVE", "DRIVE.24V", "DRIVE.0V", "RAIL.24V", 1.5),
)


def check_rails(station: Station) -> list[Check]:
    """Meter the rails, then every far end. Leaves the motor supply on."""
    hand = station.hand
    hand.caution(cautions.FIRST_POWER)
    hand.motor_supply(True)
    station.progress("rails: meter at the card")
    volts = {rail.terminal: station.to_ground(rail.terminal) for rail in RAILS}
    bad = [rail for rail in RAILS if not rail.low_v <= volts[rail.terminal] <= rail.high_v]
    coil = _coil(station) if volts["RAIL.24V"] < GONE_V else {}
    symptoms = [
        Symptom(
            Kind.RAIL,
            None,
            {"volts": volts[rail.terminal]} | (coil if rail.terminal == "RAIL.24V" else {}),
            rail.terminal,
        )
        for rail in bad
    ]
    evidence = ", ".join(f"{name} {value:.2f} V" for name, value in (volts | coil).items())
    if volts["RAIL.3V3"] < LOW_3V3_V:
        revived = _pressed_revives(station)
        symptoms += revived
        evidence += "".join(
            f"; 3.3 V comes back ({s.readings['pressed_v']:.2f} V) while {s.joint}'s switch is "
            "pressed"
            for s in revived
        )
    if bad and (unfit := proved(station, "rails", live=True)) is not None:
        return [unfit]
    checks = [judged("rails", None, symptoms, evidence)]
    checks += _far_ends(station, volts)
    return checks


def _coil(station: Station) -> dict[str, float]:
    """Volts along the line of the contactor's coil."""
    station.progress("rails: no 24 V; meter along the coil of the motor supply's contactor")
    return {terminal: station.to_ground(terminal) for terminal in COIL}


def _far_ends(station: Station, volts: dict[str, float]) -> list[Check]:
    checks = []
    for joint in station.arm.joints:
        station.progress(f"rails: meter at {joint.name}")
        symptoms = []
        words = []
        for far in FAR_ENDS:
            pair = station.across(joint, far.plus, far.minus)
            words.append(f"{far.plus} to {far.minus} {pair:.2f} V")
            if volts[far.rail] - pair <= far.sag_v:
                continue
            plus = station.to_ground(f"{joint.name}.{far.plus}")
            minus = station.to_ground(f"{joint.name}.{far.minus}")
            words[-1] += (
                f" (rail {volts[far.rail]:.2f} V; against RAIL.0V {far.plus} {plus:.2f} V, "
                f"{far.minus} {minus:.2f} V)"
            )
            readings = {
                "pair_v": pair, "plus_v": plus, "minus_v": minus, "rail_v": volts[far.rail]
            }  # fmt: skip
            symptoms.append(Symptom(Kind.FAR_END, joint.name, readings, far.group))
        checks.append(judged("rails", joint, symptoms, "; ".join(words)))
    return checks


def _pressed_revives(station: Station) -> list[Symptom]:
    """A switch lead pair can short 3.3 V at rest: then pressing that switch revives the rail."""
    found = []
    for joint in station.arm.joints:
        station.hand.press(joint)
        pressed = station.to_ground("RAIL.3V3")
        station.hand.release(joint)
        if pressed >= LOW_3V3_V:
            found.append(Symptom(Kind.SWITCH_SHORTS, joint.name, {"pressed_v": pressed}, "at rest"))
    return found
