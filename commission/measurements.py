"""Measurements with a meter that a diagnosis asks for: where the probes go and what is switched.

The cautions of each are those of live volts or of dead circuits. Every measurement begins by
putting the arm into its state and ends by taking that back, so that it can be taken in any order.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from . import cautions
from .arm import Arm, Joint
from .client import Card
from .hand import Hand

SETTLE_S = 0.05
# Enough for both senses of DIR; next to nothing where the joint leans on a stop.
NUDGE_DEG = 0.05
LIMIT_S = 5.0
NO_PLUG = ""


@dataclass(frozen=True)
class Measurement:
    """Volts (DC) or ohms between two terminals.

    For volts all supplies are on and the links on their stand. `drive` names a joint whose drive
    is energised (motor supply on), after a nudge in the sense `sign`. For ohms the main supply is
    off; `plug` is then out. `press` names a joint whose switch is held.
    """

    unit: str
    red: str
    black: str
    drive: str = ""
    sign: int = 0
    press: str = ""
    plug: str = NO_PLUG

    @property
    def words(self) -> str:
        """As one would ask a person for it."""
        if self.unit == "ohm":
            state = "main supply off and locked, proved dead"
            state += f", plug {self.plug} out" if self.plug else ""
            state += self._held
            return f"ohms from {self.red} to {self.black}, {state}"
        states = []
        if self.drive:
            way = "positive" if self.sign > 0 else "negative"
            states.append(f"{self.drive} energised, standing after a small {way} jog")
        else:
            states.append("motor supply off")
        return (
            f"DC volts, red on {self.red}, black on {self.black}, {', '.join(states)}{self._held}"
        )

    @property
    def _held(self) -> str:
        return f", {self.press}'s switch held down" if self.press else ""

    @property
    def rail(self) -> bool:
        """Whether it is a supply at the card."""
        return self.red.startswith("RAIL.") and self.black.startswith("RAIL.")

    @property
    def caution(self) -> str:
        """What to mind."""
        return cautions.DEAD if self.unit == "ohm" else cautions.LIVE_VOLTS

    def shown(self, value: float) -> str:
        """A reading in words."""
        if self.unit == "ohm":
            return "overload" if math.isinf(value) else f"{value:.3g} ohm"
        return f"{value + 0.0:.2f} V"


def take(
    arm: Arm, card: Card, hand: Hand, whats: Iterable[Measurement]
) -> dict[Measurement, float]:
    """Take measurements: V, or ohms, infinite on overload. Those of one state are taken together.

    The links lie on their stand; drives and motor supply are off afterwards. Raises PortError,
    CardError, HandError.
    """
    joints = {joint.name: joint for joint in arm.joints}
    hand.caution(cautions.SUPPORT)
    hand.stand(True)
    read: dict[Measurement, float] = {}
    for _, group in groupby(sorted(whats, key=_state), key=_state):
        same = list(group)
        hand.caution(same[0].caution)
        measure = _ohms if same[0].unit == "ohm" else _volts
        read |= dict(zip(same, measure(joints, card, hand, same), strict=True))
    return read


def _state(what: Measurement) -> tuple[str, ...]:
    # Live first: what needs no plug pulled comes before what does.
    return "ohm" if what.unit == "ohm" else "", what.plug, what.drive, str(what.sign), what.press


def _volts(
    joints: Mapping[str, Joint], card: Card, hand: Hand, whats: Sequence[Measurement]
) -> list[float]:
    driven, held = joints.get(whats[0].drive), joints.get(whats[0].press)
    hand.motor_supply(driven is not None)
    if driven is not None:
        _energise(card, driven, whats[0].sign)
    if held is not None:
        hand.press(held)
    card.pause(SETTLE_S)
    values = [hand.volts(what.red, what.black) for what in whats]
    if held is not None:
        hand.release(held)
    if driven is not None:
        card.enable(False, [driven.channel])
        hand.motor_supply(False)
    return values


def _energise(card: Card, joint: Joint, sign: int) -> None:
    card.enable(True, [joint.channel])
    card.pause(SETTLE_S)
    card.set_speed({joint.channel: joint.speed(joint.home.fast_deg_s / 2.0)})
    # There and on: the last pulse had this sense, and the joint ends where it was.
    for way in (-sign, sign):
        card.move({joint.channel: joint.steps(way * NUDGE_DEG)})
        card.until_still([joint.channel], LIMIT_S)


def _ohms(
    joints: Mapping[str, Joint], card: Card, hand: Hand, whats: Sequence[Measurement]
) -> list[float]:
    plug, held = whats[0].plug, joints.get(whats[0].press)
    hand.motor_supply(False)
    hand.main_supply(False)
    if plug:
        hand.plug(plug, False)
    if held is not None:
        hand.press(held)
    card.pause(SETTLE_S)
    values = [hand.ohms(what.red, what.black) for what in whats]
    if held is not None:
        hand.release(held)
    if plug:
        hand.plug(plug, True)
    hand.main_supply(True)
    hand.motor_supply(False)
    return values
