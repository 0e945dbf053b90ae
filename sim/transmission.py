"""What lies between motor shaft and joint: ratio, losses, friction, play, a coupling, a brake.

Angles in rad and torques in N·m at the joint unless said otherwise. Friction is Coulomb's, more of
it at rest; where the joint binds, more of it over a span of angles. A coupling passes torque up to
its limit and then slips: the shaft turns on, the joint does not. Play is the usual hysteresis of a
gear train: the joint follows only once the shaft has taken up the gap, and under a load that
outweighs friction it lies against one flank.
"""

from __future__ import annotations

import math

from ..scenes import Joint
from .parts import Parts


class Transmission:
    """One joint's gear train. `phase_rad` is the shaft's angle (at the motor) at joint zero."""

    def __init__(self, joint: Joint, friction_n_m: float, phase_rad: float) -> None:
        self._joint = joint
        self.phase_rad = phase_rad
        self._set_ratio(1.0)
        self.friction_n_m = friction_n_m
        self.breakaway = joint.breakaway
        self.brake_n_m = self._closed_n_m = joint.brake_n_m
        self.drag_n_m = 0.0
        self.lever = False
        self.backlash_rad = joint.to_si(joint.backlash_deg)
        self.slip_n_m = math.inf
        self.bind_n_m = 0.0
        self.bind_rad = (0.0, 0.0)

    def _set_ratio(self, factor: float) -> None:
        joint = self._joint
        ratio = joint.ratio * factor
        self.to_joint = joint.direction / ratio
        self.to_motor = joint.direction * ratio
        self.torque_ratio = joint.direction * ratio * joint.efficiency

    def fit(self, parts: Parts, shaft_rad: float) -> None:
        """Take the parts' parameters; the shaft (at `shaft_rad`, joint rad) stays where it is."""
        gear, joint = f"{self._joint.name}.GEAR", self._joint
        before = shaft_rad * self.to_motor
        self._set_ratio(parts.parameter(gear, "ratio"))
        self.phase_rad += before - shaft_rad * self.to_motor
        self.backlash_rad = joint.to_si(joint.backlash_deg + parts.parameter(gear, "play_deg"))
        brake = f"{joint.name}.BRAKE"
        self._closed_n_m = joint.brake_n_m * parts.parameter(brake, "holds")
        self.drag_n_m = joint.brake_n_m * parts.parameter(brake, "drags")
        self.pull_lever(self.lever)
        self.slip_n_m = parts.parameter(f"{joint.name}.COUPLING", "n_m")
        self.bind_n_m = parts.parameter(gear, "bind_n_m")
        middle, width = parts.parameter(gear, "bind_deg"), parts.parameter(gear, "bind_width_deg")
        self.bind_rad = (joint.to_si(middle - width / 2), joint.to_si(middle + width / 2))

    def pull_lever(self, is_open: bool) -> None:
        """Hold the brake open by its lever, or let go; one that drags does so all the same."""
        self.lever = is_open
        self.brake_n_m = self.drag_n_m if is_open else max(self._closed_n_m, self.drag_n_m)

    def resistance_n_m(
        self, position_rad: float, energised: bool, *, at_rest: bool = False
    ) -> float:
        """Friction at an angle, the brake included when the drive does not hold it open."""
        low, high = self.bind_rad
        resistance = self.friction_n_m * (self.breakaway if at_rest else 1.0)
        if self.bind_n_m and low <= position_rad <= high:
            resistance += self.bind_n_m
        return resistance + (self.drag_n_m if energised else self.brake_n_m)

    def joint_after(self, shaft_rad: float, joint_rad: float, load_n_m: float) -> float:
        """Where the joint is for a shaft (both in joint rad), coming from `joint_rad`.

        `load_n_m` is what the joint asks of the shaft, friction left out.
        """
        half = self.backlash_rad / 2
        if not half:
            return shaft_rad
        if abs(load_n_m) > self.friction_n_m:
            return shaft_rad - math.copysign(half, load_n_m)
        return min(max(joint_rad, shaft_rad - half), shaft_rad + half)

    def shaft_after(self, joint_rad: float, shaft_rad: float) -> float:
        """Where a limp shaft is (in joint rad) when the joint is led, coming from `shaft_rad`."""
        half = self.backlash_rad / 2
        return min(max(shaft_rad, joint_rad - half), joint_rad + half)
