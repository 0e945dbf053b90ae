"""Kinds of fault in the person's own hand: the meter's leads, and where they are put."""

from __future__ import annotations

from collections.abc import Mapping

from ..sim.parts import Parts
from .gates import Parameter
from .kind import OPEN_OHM, Kind, setting

_PROVE = "Prove the meter on a known source before and after; a 0 of a meter that is not proved "


def _lead(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
    """Put resistance into one of the leads."""
    lead = ("red", "black")[round(values["lead"]) - 1]
    parts.set_parameter(f"{places[0]}.{lead}_ohm", values["ohm"])


KINDS = (
    Kind(
        name="lead",
        where="part",
        parts=("METER",),
        what="One of the meter's leads is broken inside its insulation, or its plug is half out.",
        shows="Volts near 0 that drift wherever the probes are, overload on every ohm; with some "
        "resistance left in it volts are right and ohms too high.",
        look="Prove the meter: the known source reads its volts, the probes together read 0 ohm.",
        mistaken="Dead supplies; every conductor of the arm open at once.",
        caution=_PROVE + "proves nothing dead.",
        model="none: a tool of the person's (common practice, no published source)",
        apply=_lead,
        parameters={
            "lead": Parameter(1.0, 1.0, 2.0, "1: red, 2: black", whole=True),
            "ohm": Parameter(OPEN_OHM, 0.1, OPEN_OHM, "ohm"),
        },
        variants=("lead=2",),
    ),
    Kind(
        name="amps",
        where="part",
        parts=("METER",),
        what="The meter's red lead is still in its amps socket: a shunt of a tenth of an ohm, "
        "behind a fuse.",
        shows="Volts read near 0, and what is probed is pulled to where the other probe is: a rail "
        "sags, drives let go, encoders starve, until the fuse blows. Then the meter reads near 0 "
        "everywhere and does no more harm.",
        look="The sockets, before every reading; prove the meter; its fuse.",
        mistaken="A dead supply; a rail that is shorted, and only while somebody measures.",
        caution="A shunt across a supply is a short circuit in your hand: it may burn, and drives "
        "that lose their supply let go of the arm. " + _PROVE + "proves nothing dead.",
        model="none: a wrong use (common practice, no published source)",
        apply=setting(in_amps=1.0),
    ),
    Kind(
        name="chassis",
        where="part",
        parts=("METER",),
        what="The meter's black lead is on the arm's bare metal instead of 0 V, and no bond ties "
        "the two.",
        shows="Rails read too low by a tenth, and wander; AC volts show mains hum; ohms to 0 V are "
        "megohms everywhere. Between two terminals of the harness all is right.",
        look="The same reading again, black on a 0 V terminal; ohms from chassis to 0 V.",
        mistaken="Weak supplies; a bad 0 V conductor; noise.",
        caution="Bare metal that carries volts is a finding of its own: switch off, find out why.",
        model="none: a wrong use (common practice, no published source)",
        apply=setting(on_chassis=1.0),
    ),
)
"""In the order in which they are listed."""
