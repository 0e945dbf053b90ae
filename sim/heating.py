"""What currents make of temperatures: motors, the resistance of their coils, drives.

Each motor, winding and case taken as one, and each drive is a heat capacity behind a thermal
resistance to the air. While its current stays the same its temperature is known in closed form,
the rise of copper's resistance included, so nothing is computed until somebody looks. A drive that
gets too hot cuts out, and comes back when it has cooled: both times are known beforehand too.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from .clock import TICKS_PER_S, ticks

if TYPE_CHECKING:
    from .rig import Rig

COPPER_PER_K = 0.00393
"""Temperature coefficient of annealed copper's resistance at 20 deg C (IEC 60028)."""
COLD_C = 20.0
"""What nameplates' resistances hold at."""


class Warm:
    """One body: `watts` are those at 20 deg C; by `per_k` of them more for each kelvin above."""

    def __init__(
        self, ambient_c: float, kelvin_per_watt: float, joule_per_kelvin: float, per_k: float = 0.0
    ) -> None:
        self._ambient_c, self._siemens = ambient_c, 1 / kelvin_per_watt  # W/K
        self._joule_per_kelvin, self._per_k = joule_per_kelvin, per_k
        self._from_c, self._since, self.watts = ambient_c, 0, 0.0

    def heat(self, now: int, watts: float) -> None:
        """From now on it is heated with so many watts."""
        self._from_c, self._since, self.watts = self.celsius(now), now, watts

    def celsius(self, now: int) -> float:
        """Its temperature, deg C."""
        rate, loss = self._balance(self._from_c)
        time_s = (now - self._since) / TICKS_PER_S
        # What it gains at first, evened out: (1 - exp(-loss t)) / loss, also where loss is none.
        span_s = -math.expm1(-loss * time_s) / loss if loss else time_s
        return self._from_c + rate * span_s

    def reaches_s(self, now: int, celsius: float) -> float:
        """Seconds from now until it has that temperature; may be never."""
        own_c = self.celsius(now)
        rate, loss = self._balance(own_c)
        rise = celsius - own_c
        if rise * rate <= 0:
            return 0.0 if rise == 0 else math.inf
        left = 1 - rise * loss / rate
        if left <= 0:
            return math.inf
        return -math.log(left) / loss if loss else rise / rate

    def _balance(self, own_c: float) -> tuple[float, float]:
        """How fast it warms from a temperature (K/s), and how fast that dies away (1/s)."""
        loss = self._siemens - self.watts * self._per_k
        heated = self.watts * (1 + self._per_k * (own_c - COLD_C))
        lost = (own_c - self._ambient_c) * self._siemens
        return (heated - lost) / self._joule_per_kelvin, loss / self._joule_per_kelvin


class Heating:
    """Motors and drives of one rig, one of each a joint."""

    def __init__(self, rig: Rig) -> None:
        self._rig, scene = rig, rig.scene
        self.motors = [
            Warm(scene.ambient_c, *joint.motor.warming, COPPER_PER_K) for joint in scene.joint
        ]
        drive = scene.drive
        self.drives = [
            Warm(scene.ambient_c, drive.kelvin_per_watt, drive.joule_per_kelvin)
            for _ in scene.joint
        ]
        self._change = [0] * len(scene.joint)

    def coil_ohm(self) -> list[float]:
        """Resistance of the coils of each joint, as warm as they are."""
        now = self._rig.now
        return [
            joint.motor.coil_ohm * (1 + COPPER_PER_K * (motor.celsius(now) - COLD_C))
            for joint, motor in zip(self._rig.scene.joint, self.motors, strict=True)
        ]

    def note(self) -> None:
        """Currents may have changed. Of what turns, each coil's is taken by its mean square."""
        rig = self._rig
        for number, (joint, drive) in enumerate(zip(rig.scene.joint, rig.drives, strict=True)):
            amps = joint.motor.current_a
            square = drive.heats(drive.coils) if drive.energised else 0.0
            square += sum(other.heats(coils) for other, coils in drive.fed_by if other.energised)
            motor_w = amps**2 * joint.motor.coil_ohm * square
            if motor_w != self.motors[number].watts:
                self.motors[number].heat(rig.now, motor_w)
            set_a = amps * drive.current * drive.standing_current
            drive_w = rig.scene.drive.bridge_ohm * set_a**2 * (drive.energised and drive.connected)
            if drive_w != self.drives[number].watts:
                self.drives[number].heat(rig.now, drive_w)
                self._foresee(number)

    def _foresee(self, number: int) -> None:
        """When, as things are, a drive will cut out or come back."""
        rig, drive, part = self._rig, self._rig.drives[number], self._rig.scene.drive
        self._change[number] += 1
        after_s = self.drives[number].reaches_s(
            rig.now, part.restart_c if drive.hot else part.trip_c
        )
        if math.isinf(after_s):
            return

        def turn(change: int = self._change[number]) -> None:
            if change == self._change[number]:
                rig.cut_out(number, not drive.hot)
                self._foresee(number)

        rig.at(rig.now + ticks(after_s), turn)
