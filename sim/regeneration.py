"""What a motor that is turned gives back to the 24 V supply through its drive's diodes.

A drive that is off leaves its motor on a bridge of diodes. Turned by a hand or a falling link, the
motor's back-EMF has a peak of Ke times its speed, Ke being the torque for each ampere (SI units);
what exceeds the rail and two diodes flows. A sound supply takes that and stays where it is. One
that cannot rises with it, until its over-voltage protection trips; it stays off until it is
switched on again. A drive that is on gives nothing back here: what it brakes is less than its coils
turn into heat. What the current takes from the motion is left out.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from .circuit import RAILS, Source
from .clock import TICKS_PER_S
from .parts import Parts

if TYPE_CHECKING:
    from .rig import Rig

_RAIL = "RAIL.24V"
_DIODES_V = 2 * 0.7
_STEP_V = 0.25
"""Smaller changes of what comes back are not looked at."""
_OVER_TICKS = TICKS_PER_S // 100
"""A motor of which nothing was heard for so long stands still."""


class Regeneration:
    """The rig's 24 V supply and what comes back to it."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._trip_v = math.inf
        self._tick = 0
        self._shaft: list[float] = []
        self._source: Source | None = None
        self._heard = 0

    def fit(self, parts: Parts) -> None:
        """Take the parts' parameters."""
        self._trip_v = parts.parameter(_RAIL, "trip_v")
        self._shaft = []
        if math.isinf(self._trip_v):
            self._source = self._rig.harness.fed_back = None

    def moved(self) -> None:
        """The pose was committed: see whether any motor gives back more than before, or less."""
        if math.isinf(self._trip_v):
            return
        motion = self._rig.motion
        before, since = self._shaft, motion.tick - self._tick
        self._tick, self._shaft = motion.tick, list(motion.shaft)
        if not before or since <= 0:
            return
        time_s = since / TICKS_PER_S
        rates = [(now - then) / time_s for now, then in zip(self._shaft, before, strict=True)]
        self._heard = self._rig.now
        self._feed(self._strongest(rates))

    def _strongest(self, rates_rad_s: list[float]) -> Source | None:
        """The motor with the highest peak, as a source on the rail; None when none exceeds it."""
        rig, found = self._rig, None
        volts = float(rig.individual.rail_volts[_RAIL])
        for number, joint in enumerate(rig.scene.joint):
            drive, motor = rig.drives[number], joint.motor
            if drive.live or not drive.connected or drive.supply_v < 0.5 * volts:
                continue
            shaft_rad_s = abs(rates_rad_s[number] * rig.gears[number].to_motor)
            peak_v = drive.holding_n_m / motor.current_a * shaft_rad_s - _DIODES_V
            if peak_v > volts:
                volts, found = peak_v, Source(_RAIL, peak_v, motor.coil_ohm)
        return found

    def _feed(self, source: Source | None) -> None:
        old = self._source
        if source is None and old is None:
            return
        if source is not None and old is not None and abs(source.volts - old.volts) < _STEP_V:
            return
        self._source = source
        rig = self._rig
        rig.at(rig.now, self._apply)  # not in the middle of a step of the motion
        rig.motion.interrupt()
        if source is not None:
            rig.at(rig.now + _OVER_TICKS, self._look_again)

    def _look_again(self) -> None:
        if self._source is None:
            return
        if self._rig.now - self._heard >= _OVER_TICKS:
            self._feed(None)
        else:
            self._rig.at(self._rig.now + _OVER_TICKS, self._look_again)

    def _apply(self) -> None:
        rig, harness = self._rig, self._rig.harness
        harness.feed_back(self._source if harness.motor_supply else None)
        rig.supply_changed()
        rig.meter.look()
        if harness.motor_supply and harness.circuit.known_v[RAILS.index(_RAIL)] > self._trip_v:
            self._source = None
            harness.feed_back(None)
            harness.set_motor_supply(False)
            rig.supply_changed()
            rig.notify()
