"""The table of fault kinds: what each is in iron, how it shows, how one looks for it.

Every kind is a preset over five primitives: set a resistance, bridge two nodes, permute
conductors, set a part's parameter, filter the line. Symptoms are common practice, no published
source; the fault models named are those of ISO 13849-2:2012 annex D (numbering from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from ..sim.parts import Parts

OPEN_OHM = 1e12

Where = Literal["conductor", "node", "motor", "switch", "line"]


@dataclass(frozen=True)
class Parameter:
    """A number a fault takes: its value when not given, its range, its unit."""

    default: float
    least: float
    most: float
    unit: str


Apply = Callable[[Parts, tuple[str, ...], Mapping[str, float]], None]


@dataclass(frozen=True)
class Kind:
    """One entry of the table. `apply` changes parts; a kind on the line has none."""

    name: str
    where: Where
    places: int
    what: str
    shows: str
    look: str
    caution: str
    model: str
    apply: Apply | None
    parameters: Mapping[str, Parameter] = field(default_factory=dict)


def _open(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
    parts.set_resistance(places[0], OPEN_OHM)


def _resist(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
    parts.set_resistance(places[0], parts.ohm[places[0]] + values["ohm"])


def _short(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
    one, other = (parts.far_end.get(place, place) for place in places)
    parts.bridge(one, other, values["ohm"])


def _swap(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
    parts.permute(*places)


def _weak(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
    parts.set_parameter(f"{places[0]}.current", values["current"])


def _shift(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
    parts.set_parameter(f"{places[0]}.deg", values["deg"])


_POWER_OFF = "Switch off, lock off, wait, prove the meter, prove dead before ohms or a plug."

KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind(
            name="open",
            where="conductor",
            places=1,
            what="A conductor is broken, a pin pushed back, a screw on insulation.",
            shows="What hangs on it is dead, frozen or floats: an input near 0 V that drifts.",
            look="Volts at both ends of the conductor; power off, plug out: ohms end to end.",
            caution=_POWER_OFF,
            model="ISO 13849-2 table D.4, open circuit of any conductor",
            apply=_open,
        ),
        Kind(
            name="resist",
            where="conductor",
            places=1,
            what="A corroded contact or a loose crimp puts resistance into a conductor.",
            shows="Nothing on a signal that draws no current; sagging volts on one that does.",
            look="Volts along the conductor while it carries current; power off: ohms.",
            caution=_POWER_OFF,
            model="ISO 13849-2 table D.4, with the resistance short of an open circuit",
            apply=_resist,
            parameters={"ohm": Parameter(4700.0, 0.01, 1e9, "ohm")},
        ),
        Kind(
            name="short",
            where="node",
            places=2,
            what="Two conductors touch: clamped insulation, a whisker, a splash of solder.",
            shows="Both follow each other, or one rail pulls the other down.",
            look="Volts of both against 0 V; power off, plugs out: ohms between them.",
            caution=_POWER_OFF,
            model="ISO 13849-2 table D.4, short circuit between any two conductors",
            apply=_short,
            parameters={"ohm": Parameter(0.05, 0.001, 1e6, "ohm")},
        ),
        Kind(
            name="swap",
            where="conductor",
            places=2,
            what="Two conductors have changed places at the part.",
            shows="Each does the other's work: STEP in DIR's place, ground in the common's.",
            look="Colours and numbers against the wiring list; volts of each under a known level.",
            caution=_POWER_OFF,
            model="ISO 13849-2 table D.7, interchanged or incorrectly inserted",
            apply=_swap,
        ),
        Kind(
            name="weak",
            where="motor",
            places=1,
            what="A drive's current is set too low for its motor.",
            shows="Lifting or fast moves fall short by whole multiples of four full steps.",
            look="The drive's setting; supply current; a slow move against a fast one.",
            caution="Support the links: an arm that slips may fall.",
            model="IEC 61508-2 table A.1, drift (value from memory)",
            apply=_weak,
            parameters={"current": Parameter(0.3, 0.0, 1.0, "of the set current")},
        ),
        Kind(
            name="shift",
            where="switch",
            places=1,
            what="A limit switch's bracket has moved.",
            shows="Homing succeeds; every position of the joint is off by the same angle.",
            look="Level or witness mark at the trim pose.",
            caution="Nobody under the links; take the level off before moving.",
            model="ISO 13849-2 table D.8, mechanical position of the actuator (value from memory)",
            apply=_shift,
            parameters={"deg": Parameter(2.0, -5.0, 5.0, "deg")},
        ),
        Kind(
            name="drop",
            where="line",
            places=1,
            what="Bytes get lost on the serial line.",
            shows="Missing or garbled replies, unknown commands in the error queue.",
            look="Repeat one query many times; compare replies.",
            caution="A program that repeats a move after a lost reply moves twice.",
            model="IEC 61508-2 table A.1, communication: no transmission (value from memory)",
            apply=None,
            parameters={"per": Parameter(1e-3, 0.0, 1.0, "lost per byte")},
        ),
    )
}
"""All kinds by name."""
