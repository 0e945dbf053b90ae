"""What is watched while a routine runs: that it ends, and how long it presses a hard stop."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
import numpy.typing as npt

from ..sim.clock import TICKS_PER_S, seconds, ticks
from ..sim.rig import Rig

AT_STOP_DEG = 0.3
"""So near to its hard stop (deg; mm of a linear axis) a joint touches it, bounces included."""
_PULSES_APART_S = 0.1
# Of the motor shaft: more than the electrical turn (7.2 deg) by which a rotor slips at a stop.
_AWAY_DEG = 10.0

Ticks = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


class RanTooLong(BaseException):
    """Rig time was up. No Exception, so that a routine that catches all ends nevertheless."""


@contextmanager
def time_limit(rig: Rig, limit_s: float) -> Iterator[None]:
    """Raises RanTooLong out of the call that reaches `limit_s` of rig time from now.

    Meanwhile something is always going to happen, so a read without a time-out ends then too.
    """
    over = False

    def up() -> None:
        if not over:
            rig.at(rig.now + TICKS_PER_S, up)
            raise RanTooLong

    rig.at(rig.now + ticks(limit_s), up)
    try:
        yield
    finally:
        over = True


def pressed_s(rig: Rig) -> dict[str, float]:
    """How long each joint was at a hard stop while pulses went out, s, by the rig's trace.

    A joint that lies there while its shaft turns away from the stop, through a loose coupling, is
    not pressed.
    """
    signals = rig.trace.signals()
    found = {}
    for joint in rig.scene.joint:
        what = "PLACE_MM" if joint.kind == "linear" else "ANGLE_DEG"
        place = signals.wave(f"{joint.name}.{what}")
        low, high = joint.stops_deg
        at_stop = (place.values < low + AT_STOP_DEG) | (place.values > high - AT_STOP_DEG)
        found[joint.name] = 0.0
        if not at_stop.any():
            continue
        pulses = signals.wave(f"{joint.name}.STEP").ticks
        # Intervals between pulses, as far as the joint was at its stop at their end.
        index = np.searchsorted(place.ticks, pulses, side="right") - 1
        pressing = at_stop[np.clip(index, 0, len(at_stop) - 1)]
        apart = np.diff(pulses, prepend=pulses[:1])
        counted = pressing & (apart < _PULSES_APART_S * TICKS_PER_S)
        counted &= ~_turning_away(rig, joint.name, pulses, place.values[index] < (low + high) / 2)
        found[joint.name] = seconds(int(apart[counted].sum()))
    return found


def _turning_away(rig: Rig, name: str, pulses: Ticks, low: Flags) -> Flags:
    """At which pulses a shaft has just gone away from the stop at this end."""
    shaft = rig.trace.signals().wave(f"{name}.SHAFT_DEG")

    def at(when: Ticks) -> Any:
        index = np.searchsorted(shaft.ticks, when, side="right") - 1
        return shaft.values[np.clip(index, 0, None)]

    gone = at(pulses) - at(pulses - ticks(_PULSES_APART_S))
    away: Flags = np.where(low, gone, -gone) > _AWAY_DEG
    return away
