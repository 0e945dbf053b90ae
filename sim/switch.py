"""A changeover limit switch: where its cam operates and releases it, and its contacts.

Terms of the trade: OP operating position, RP releasing position, MD movement differential.
The contacts break before they make: between throws the common touches neither.
"""

from __future__ import annotations

from .individual import drawn

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
        self.by_cam = False
        self.by_finger = False
        self._spread_deg = self._random.uniform(-repeat_deg, repeat_deg)

    @property
    def pressed(self) -> bool:
        """Whether cam or finger holds the lever down."""
        return self.by_cam or self.by_finger

    def bounds_deg(self) -> tuple[float, float]:
        """The span of joint angles over which the cam leaves the switch as it is."""
        operating = self._operating_deg + self.shift_deg + self._sign * self._spread_deg
        if not self.by_cam:
            return (-1e9, operating) if self._sign > 0 else (operating, 1e9)
        releasing = operating - self._sign * self._differential_deg
        return (releasing, 1e9) if self._sign > 0 else (-1e9, releasing)

    def move_cam(self, angle_deg: float) -> bool:
        """Put the joint at an angle; True when the cam operated or released the switch."""
        low, high = self.bounds_deg()
        if low < angle_deg < high:
            return False
        self.by_cam = not self.by_cam
        if not self.by_cam:
            self._spread_deg = self._random.uniform(-self._repeat_deg, self._repeat_deg)
        return True
