"""A stepper drive and its motor: inputs to field, field to torque.

The field is a number of microsteps; a microstep is a quarter turn of the electrical angle divided
by the microstep setting. The motor's torque is that of an ideal two-phase machine,
T = Th (iB cos(p θ) - iA sin(p θ)), with coil currents iA, iB as fractions of the set current
(standard stepper theory; T = Th sin(p (φ - θ)) when both coils get what they should).
"""

from __future__ import annotations

import math

from ..scenes import Joint
from .axis import Axis
from .parts import Parts

TWO_PI = 2 * math.pi
Coils = tuple[tuple[float, float], tuple[float, float]]
_NO_CURRENT = 0.02


class Drive:
    """One axis's drive. Angles in rad at the motor shaft."""

    def __init__(self, joint: Joint, holding_n_m: float) -> None:
        self.joint = joint
        self.holding_n_m = holding_n_m
        self.teeth = joint.motor.full_steps // 4
        self.rad_per_step = TWO_PI / joint.motor.full_steps / joint.microsteps
        self.well_rad = TWO_PI / self.teeth
        self.energised = False
        self.step_lit = False
        self.direction_lit = False
        self.direction_taken = False  # what the opto makes of it, later
        self.direction_change = 0  # how often it has changed
        self.late_s = 0.0
        self.ripple_rad = 0.0  # electrical
        self.enable_lit = False
        self.supplied = False
        self.supply_v = 0.0
        self.standstill_current = 1.0
        self.standing_current = 1.0
        self.idle_since: int | None = None
        self.ordered_current = 1.0  # the share that the card asks for
        self._fitted_current = 1.0
        self._forgets = 0.0
        self._forgot = False
        self._microsteps = 1.0
        self.coils = ((1.0, 0.0), (0.0, 1.0))
        self.fed_by: list[tuple[Drive, Coils]] = []  # other drives with a leg on this motor
        self._conducts = True
        self.wells = 0
        self._field = 0.0
        self._feeds: list[tuple[Axis, int, int, float]] = []

    def wire(self, coils: Coils, fed_by: list[tuple[Drive, Coils]]) -> None:
        """Take what the circuit makes of the motor's leads."""
        self.coils, self.fed_by = coils, fed_by
        self._conducts = max(abs(part) for row in coils for part in row) > _NO_CURRENT

    def fit(self, parts: Parts, standstill: float, tick: int) -> None:
        """Take the parts' parameters at a tick; the field stays at its angle.

        `standstill` is the scene's share of the current left when no steps come.
        """
        name = self.joint.name
        self._fitted_current = parts.parameter(f"{name}.MOTOR", "current")
        self.standstill_current = standstill * parts.parameter(f"{name}.DRIVE", "standstill")
        self.late_s = parts.parameter(f"{name}.DRIVE", "late_s")
        self.ripple_rad = math.radians(parts.parameter(f"{name}.DRIVE", "ripple_deg"))
        self._microsteps = parts.parameter(f"{name}.DRIVE", "microsteps")
        self._forgets = parts.parameter(f"{name}.DRIVE", "forgets")
        self._forgot = self._forgot and self._forgets > 0
        self._set_up(tick)

    def _set_up(self, tick: int) -> None:
        """Take the microstep setting as it is now; the field stays at its angle."""
        joint = self.joint
        factor = self._forgets if self._forgot else self._microsteps
        unit = TWO_PI / joint.motor.full_steps / joint.microsteps / factor
        if unit == self.rad_per_step:
            return
        self.feed(tick, [(axis, sign, share) for axis, sign, _, share in self._feeds])
        self._field *= self.rad_per_step / unit
        self.rad_per_step = unit

    def lose_supply(self, tick: int) -> None:
        """The supply has gone: a drive that cannot remember has lost its setting."""
        if self._forgets and not self._forgot:
            self._forgot = True
            self._set_up(tick)

    @property
    def current(self) -> float:
        """Share of its nameplate current that the motor gets."""
        return self._fitted_current * self.ordered_current

    @property
    def torque_n_m(self) -> float:
        """Peak of the torque-angle curve with the coils as they are, N·m at the shaft."""
        return self.holding_n_m * self.current * self.standing_current * self.coils[0][0]

    def pull_out_n_m(self, rate_rad_s: float) -> float:
        """Peak of the torque-angle curve at a shaft speed, N·m.

        The drive keeps its set current as long as the supply can drive it against the winding's
        impedance and back-EMF. From there on T = p ψ V/Z - p ω ψ² R/Z² (two-phase machine on
        sinusoidal voltage, P. Acarnley, Stepping Motors; formula from memory).
        """
        held = self.torque_n_m
        motor = self.joint.motor
        omega = self.teeth * abs(rate_rad_s)
        flux = self.holding_n_m / (self.teeth * motor.current_a)
        impedance_2 = motor.coil_ohm**2 + (omega * motor.inductance_h) ** 2
        driven = self.supply_v / math.sqrt(impedance_2)
        driven -= omega * flux * motor.coil_ohm / impedance_2
        return max(0.0, min(held, self.teeth * flux * driven))

    @property
    def connected(self) -> bool:
        """Whether any current can flow between the drive and its own motor."""
        return self._conducts

    @property
    def live(self) -> bool:
        """Whether this joint's motor gets any current, from whichever drive."""
        return (self.energised and self._conducts) or self._borrows

    @property
    def _borrows(self) -> bool:
        return bool(self.fed_by) and any(drive.energised for drive, _ in self.fed_by)

    @property
    def regular(self) -> bool:
        """Whether both coils get equal currents and nothing of each other's or another drive's."""
        if self._borrows:
            return False
        (aa, ab), (ba, bb) = self.coils
        if aa <= _NO_CURRENT:
            return False
        return abs(aa - bb) < 0.02 * aa and abs(ab) < 0.02 * aa and abs(ba) < 0.02 * aa

    @property
    def moving(self) -> bool:
        """Whether any pulse generator that feeds this motor's field is running."""
        if self._stepping:
            return True
        return bool(self.fed_by) and any(drive._stepping for drive, _ in self.fed_by)

    @property
    def _stepping(self) -> bool:
        for axis, _, _, _ in self._feeds:  # noqa: SIM110 (asked at every checkpoint)
            if axis.profile is not None:
                return True
        return False

    def feed(self, tick: int, feeds: list[tuple[Axis, int, float]]) -> None:
        """From now on follow these pulse generators: the sign of a step, the share taken of them.

        Of pulses that the input may miss, those it takes are spread evenly over all.
        """
        self._field = self.field_steps(tick)
        self._feeds = [(axis, sign, axis.pulses(tick), share) for axis, sign, share in feeds]

    def step(self, sign: int) -> None:
        """A single edge of the STEP input, outside a pulse train."""
        self._field += sign

    def unmixed(self) -> tuple[float, float] | None:
        """The current of each coil, as a share of the set one, if neither gets another's."""
        (aa, ab), (ba, bb) = self.coils
        return None if ab or ba or self._borrows or not self.energised else (aa, bb)

    def field_steps(self, tick: int) -> float:
        """The field in microsteps, whole ones since its setting last changed."""
        field = self._field
        for axis, sign, start, share in self._feeds:
            pulses = axis.pulses(tick) - start
            field += sign * (pulses if share == 1 else math.floor(share * pulses))
        return field

    def field(self, tick: int) -> tuple[float, float, float]:
        """The field in rad at the shaft, its rate and acceleration, pulses evened out."""
        place, rate, acceleration = self._field, 0.0, 0.0
        for axis, sign, start, share in self._feeds:
            distance, axis_rate, axis_acceleration = axis.travel(tick)
            gain = sign * share
            place += gain * (distance - start)
            rate += gain * axis_rate
            acceleration += gain * axis_acceleration
        unit = self.rad_per_step
        place *= unit
        if self.ripple_rad:
            place += self._ripple(place * self.teeth) / self.teeth
        return place, rate * unit, acceleration * unit

    def _ripple(self, angle: float) -> float:
        """How far the field of uneven microsteps is from its even angle, electrical rad.

        The first harmonic of it: right at every full step, ahead and behind in between. A drive
        that works in full steps is a sawtooth, whose first harmonic is half a radian.
        """
        return self.ripple_rad * math.sin(4 * angle)

    def corners(self, tick: int) -> list[int]:
        """Ticks after `tick` at which a feeding profile changes its acceleration."""
        return [
            corner
            for axis, _, _, _ in self._feeds
            if axis.profile is not None
            for corner in axis.profile.corners
            if corner > tick
        ]

    def strength(self, tick: int) -> float:
        """Current the coils can get at the field's speed, as a fraction of the set current."""
        set_now = self.current * self.standing_current
        held = self.torque_n_m
        if not self.moving or held <= 0:
            return set_now
        return set_now * self.pull_out_n_m(self.field(tick)[1]) / held

    def coil_currents(self, tick: int, strength: float) -> tuple[float, float]:
        """Currents of both coils as fractions of the set current, at a `strength`."""
        first = second = 0.0
        if self.energised:
            first, second = self._through(self.coils, tick, strength)
        for drive, coils in self.fed_by:
            if drive.energised:
                more = drive._through(coils, tick, drive.strength(tick))
                first, second = first + more[0], second + more[1]
        return first, second

    def _through(self, coils: Coils, tick: int, strength: float) -> tuple[float, float]:
        """What this drive's two currents make in coils wired like that."""
        angle = self.field_steps(tick) * self.rad_per_step * self.teeth
        if self.ripple_rad:
            angle += self._ripple(angle)
        cosine, sine = strength * math.cos(angle), strength * math.sin(angle)
        (aa, ab), (ba, bb) = coils
        return aa * cosine + ab * sine, ba * cosine + bb * sine

    def lag_rad(self, tick: int, rotor_rad: float) -> float:
        """How far the rotor is from the nearest well of the field, electrical rad, unsigned."""
        return abs(math.remainder((self.field(tick)[0] - rotor_rad) * self.teeth, 2 * math.pi))

    def capture(self, tick: int, rotor_rad: float) -> None:
        """Take the well nearest to the rotor as the one it is held in."""
        self.wells = round((self.field(tick)[0] - rotor_rad) / self.well_rad)
