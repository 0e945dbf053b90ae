"""A changeover limit switch: where its cam operates and releases it, and its contacts.

Terms of the trade: OP operating position, RP releasing position, MD movement differential.
The contacts break before they make: between throws the common touches neither.
"""

from __future__ import annotations

import math

from .individual import drawn
from .parts import Parts

AT_REST, PRESSED, IN_TRANSIT = 0, 1, 2
"""Settings of the contacts: common on the ground throw, on the 3.3 V throw, on neither."""


class Switch:
    """One joint's limit switch. Angles in degrees at the joint.

    Every operation has its own operating point within `repeat_deg` of the bracket's.
    """

    def __init__(
        self,
        name: str,
        seed: int,
        *,
        end_sign: int,
        operating_deg: float,
        differential_deg: float,
        repeat_deg: float,
    ) -> None:
        self.name = name
        self._random = drawn(seed, f"{name}.repeat")
        self._sign = end_sign
        self._operating_deg = operating_deg
        self._differential_deg = differential_deg
        self._repeat_deg = repeat_deg
        self.shift_deg = 0.0
        self.sticky_deg = 0.0
        self.overrun_deg = 0.0
        self.bounce_s = 0.0
        self._stuck = 0
        self._beyond = False
        self.by_cam = False
        self.by_finger = False
        self._spread_deg = self._random.uniform(-repeat_deg, repeat_deg)

    def fit(self, parts: Parts) -> None:
        """Take the parts' parameters."""
        self.shift_deg = parts.parameter(self.name, "deg")
        self.sticky_deg = parts.parameter(self.name, "sticky_deg")
        self.overrun_deg = parts.parameter(self.name, "overrun_deg")
        self.bounce_s = parts.parameter(self.name, "bounce_s")
        self._stuck = round(parts.parameter(self.name, "stuck"))

    def holds(self, setting: int) -> bool:
        """Whether the contact stays at this setting, whatever the lever does."""
        return self._stuck == setting + 1

    def bounces(self) -> list[tuple[float, float]]:
        """Seconds after contact at which it parts and meets again, for one operation."""
        if not self.bounce_s:
            return []
        times = sorted(self._random.uniform(0, self.bounce_s) for _ in range(6))
        return list(zip(times[::2], times[1::2], strict=True))

    @property
    def pressed(self) -> bool:
        """Whether cam or finger holds the lever down."""
        return self.by_cam or self.by_finger

    def bounds_deg(self) -> tuple[float, float]:
        """The span of joint angles over which the cam leaves the switch as it is."""
        operating = self._operating_deg + self.shift_deg + self._sign * self._spread_deg
        beyond = operating + self._sign * (self.overrun_deg or math.inf)
        if self._beyond:
            near, far = beyond - self._sign * self._differential_deg, self._sign * math.inf
        elif self.by_cam:
            differential = self._differential_deg + self.sticky_deg
            near, far = operating - self._sign * differential, beyond
        else:
            near, far = -self._sign * math.inf, operating
        return (near, far) if self._sign > 0 else (far, near)

    def move_cam(self, angle_deg: float) -> bool:
        """Put the joint at an angle; True when the cam operated or released the switch."""
        changed = False
        for _ in range(3):  # a jump may pass the operating point and the end of the cam
            low, high = self.bounds_deg()
            if low < angle_deg < high:
                break
            outward = angle_deg >= high if self._sign > 0 else angle_deg <= low
            self._beyond = self.by_cam and outward
            self.by_cam = not self.by_cam
            changed = not changed
            if not self.by_cam and not self._beyond:
                self._spread_deg = self._random.uniform(-self._repeat_deg, self._repeat_deg)
        return changed
