"""What a scene may say of a joint: motor, encoder, home, trim, and what ties them together."""

from __future__ import annotations

import math
from typing import Annotated, Literal

from pydantic import Field, model_validator

from .part import Interval, Part, Positive


class Motor(Part):
    """A two-phase stepping motor's nameplate; the current is the peak of one phase."""

    frame_mm: Annotated[int, Field(ge=14, le=110)]
    holding_n_m: Annotated[float, Field(gt=0, le=20)]
    current_a: Annotated[float, Field(gt=0, le=10)]
    coil_ohm: Annotated[float, Field(gt=0, le=100)]
    inductance_h: Annotated[float, Field(gt=0, le=0.1)]
    rotor_kg_m2: Annotated[float, Field(gt=0, le=1e-2)]
    full_steps: Literal[200, 400]
    kelvin_per_watt: Positive | None = None
    joule_per_kelvin: Positive | None = None

    @property
    def warming(self) -> tuple[float, float]:
        """Thermal resistance to the air (K/W) and heat capacity (J/K) of winding and case as one.

        Where the file does not say: by surface and volume from a frame of 57 mm, which has some
        6 K/W and 400 J/K (values from memory).
        """
        size = self.frame_mm / 57.0
        return self.kelvin_per_watt or 6.0 / size**2, self.joule_per_kelvin or 400.0 * size**3


class Encoder(Part):
    """Counts (X4) a turn of what it is mounted on."""

    counts: Annotated[int, Field(ge=16, le=1_000_000, multiple_of=4)]
    mount: Literal["motor", "joint"]


HOME_SWITCH_METHODS = frozenset({3, 4, 5, 6, 19, 20, 21, 22})
"""Homing methods of CiA 402 that use a home switch within the travel, not one at its end."""


class Home(Part):
    """Where the joint's switch sits and how a homing run approaches it.

    It is pressed from `switch_deg` on towards its `end`. `method` is a homing method of CiA 402
    (object 6098h), or -1, -2 for a hard stop; it tells the host side how to home. With one of
    `HOME_SWITCH_METHODS` the switch sits within the travel; `stop_current` is the share of a
    drive's current with which a hard stop is met.
    """

    end: Literal["negative", "positive"]
    switch_deg: float
    differential_deg: Positive
    fast_deg_s: Positive
    slow_deg_s: Positive
    back_off_deg: Positive
    acceleration_deg_s2: Positive
    method: Annotated[int, Field(ge=-128, le=37)] | None = None
    stop_current: Annotated[float, Field(ge=0.05, le=1)] = 0.3


class Trim(Part):
    """The pose in which a gauge shows this joint's zero, and what it then reads."""

    gauge: Literal["level", "mark"]
    pose_deg: tuple[float, ...]
    reads_deg: float


class Joint(Part):
    """One axis from motor to link. Friction at rest is `breakaway` times that of motion.

    Of a `linear` axis every angle is a length in mm, every torque at the joint a force in N, and
    `ratio` is what its motor turns for each metre, rad/m (`scenes/linear.py` reads it from the
    file's own words).
    """

    name: Annotated[str, Field(pattern=r"^J[1-9]$")]
    what: str
    kind: Literal["rotary", "linear"] = "rotary"
    stage: Annotated[int, Field(ge=1, le=9)]
    motor: Motor
    ratio: Annotated[float, Field(gt=0, le=10_000)]
    efficiency: Annotated[float, Field(gt=0.05, le=1)]
    friction_n_m: Annotated[float, Field(ge=0)]
    breakaway: Annotated[float, Field(ge=1, le=5)] = 1.0
    backlash_deg: Annotated[float, Field(ge=0, le=5)] = 0.0
    brake_n_m: Annotated[float, Field(ge=0)] = 0.0
    microsteps: Literal[1, 2, 4, 8, 16, 32, 64, 128, 256]
    encoder: Encoder
    direction: Literal[-1, 1]
    travel_deg: Interval
    stops_deg: Interval
    home: Home
    trim: Trim
    cable_m: Annotated[float, Field(gt=0, le=50)]

    @model_validator(mode="after")
    def _consistent(self) -> Joint:
        low, high = self.travel_deg
        stop_low, stop_high = self.stops_deg
        if not stop_low < low < high < stop_high:
            raise ValueError(
                f"travel_deg {list(self.travel_deg)} must be ascending and lie inside "
                f"stops_deg {list(self.stops_deg)}"
            )
        if self.home.method in HOME_SWITCH_METHODS:
            if not low < self.home.switch_deg < high:
                raise ValueError(
                    f"home.switch_deg {self.home.switch_deg} must lie within travel_deg: method "
                    f"{self.home.method} uses a home switch"
                )
            return self._releases()
        inside = stop_low < self.home.switch_deg <= low
        if self.home.end == "positive":
            inside = high <= self.home.switch_deg < stop_high
        if not inside:
            raise ValueError(
                f"home.switch_deg {self.home.switch_deg} must lie between the {self.home.end} end "
                "of travel_deg and the hard stop"
            )
        return self._releases()

    def _releases(self) -> Joint:
        if self.home.back_off_deg <= self.home.differential_deg:
            raise ValueError(
                f"home.back_off_deg {self.home.back_off_deg} must exceed "
                f"differential_deg {self.home.differential_deg}, or the switch never releases"
            )
        return self

    @property
    def end_sign(self) -> int:
        """+1 when the joint homes towards positive angles, -1 otherwise."""
        return 1 if self.home.end == "positive" else -1

    @property
    def unit(self) -> str:
        """What its figures are in: `deg`, or `mm`."""
        return "mm" if self.kind == "linear" else "deg"

    def to_si(self, figure: float) -> float:
        """A figure of the scene as the plant has it: rad, or m."""
        return figure / 1000.0 if self.kind == "linear" else math.radians(figure)

    def from_si(self, figure: float) -> float:
        """The other way round."""
        return figure * 1000.0 if self.kind == "linear" else math.degrees(figure)

    @property
    def steps_per_deg(self) -> float:
        """Microsteps for a degree (or mm) at the joint, without sign."""
        turns = self.ratio / 360.0 if self.unit == "deg" else self.ratio / (2000.0 * math.pi)
        return self.motor.full_steps * self.microsteps * turns
