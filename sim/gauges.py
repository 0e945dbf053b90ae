"""What a person reads at the arm: eye, level, mark, thermometer, displays."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from ..errors import UnknownTerminal, nearest
from .circuit import GROUND, RAILS

if TYPE_CHECKING:
    from .rig import Rig


_AMPS_DIGIT = 0.01  # of a supply's own display


def to_digit(resolution: float, value: float) -> float:
    """A reading as a display of that resolution shows it."""
    return round(round(value / resolution) * resolution, 9)


class Gauges:
    """Joint numbers from 0."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._scene = rig.scene
        self._level_zero_deg = 0.0
        self.level_reversed = False
        """Whether the level lies turned end for end: it then shows a pitch with the other sign,
        but its own bias as before, so that half the difference of both ways is free of it."""

    def look_deg(self, joint: int) -> float:
        """A joint's angle as the eye judges it against the arm's drawing, deg."""
        angle = self._scene.joint[joint].from_si(self._rig.angles_rad()[joint])
        return to_digit(self._scene.gauges.eye.resolution_deg, angle)

    def zero_level(self) -> None:
        """Lay the level on the base, the way round it lies now, and zero it there."""
        self._level_zero_deg = self._level(None)

    def level_deg(self, joint: int) -> float:
        """What the level on a joint's link shows, from where it was zeroed, deg: up positive.

        A level sees gravity only: a turn about the vertical does not move it.
        """
        reading = self._level(joint) - self._level_zero_deg
        return to_digit(self._scene.gauges.level.resolution_deg, reading)

    def _level(self, joint: int | None) -> float:
        angles = self._rig.angles_rad()
        lean = self._rig.base.lean_rad(angles)
        pitch = math.degrees(self._rig.body.pitch_rad(angles, joint, lean))
        return (-pitch if self.level_reversed else pitch) + self._rig.individual.level_bias_deg

    def supply_a(self, rail: str) -> float:
        """Amps of a supply by its own display. Raises `UnknownTerminal` for one there is not."""
        rails = [each for each in RAILS if each != GROUND]
        if rail not in rails:
            raise UnknownTerminal(
                f"no supply {rail!r}: expected one of {', '.join(rails)}{nearest(rail, rails)}"
            )
        return to_digit(_AMPS_DIGIT, self._rig.harness.supply_a(rail))

    def case_c(self, joint: int) -> float:
        """The temperature of a motor's case by a thermometer held to it, deg C."""
        rig, gauge = self._rig, self._scene.gauges.thermometer
        true_c = rig.heating.motors[joint].celsius(rig.now)
        return to_digit(gauge.resolution_c, true_c + rig.individual.thermometer_bias_c)

    def mark_deg(self, joint: int) -> float | None:
        """A joint's distance from its scribed zero, deg; None when the marks are too far apart."""
        mark = self._scene.gauges.mark
        angle = self._scene.joint[joint].from_si(self._rig.angles_rad()[joint])
        if abs(angle) > mark.window_deg:
            return None
        return to_digit(mark.resolution_deg, angle + self._rig.individual.mark_bias_deg[joint])
