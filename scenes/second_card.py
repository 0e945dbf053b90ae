"""What a scene may say of a second card, and of the gripper on its cable."""

from __future__ import annotations

import itertools
from typing import Annotated

from pydantic import Field, model_validator

from .part import Interval, Part, Positive, Wire

IO = "IO"
"""What the names of the second card's conductors begin with, and the name of their plug."""
IO_WIRES = ("5V", "0V", "SERVO")
"""The conductors that every second card has."""
IO_SORTS = ("DI", "DO", "AI")
"""Digital inputs, digital outputs and analog inputs, numbered from 1."""


class IoPart(Part):
    """A second card, and the one cable from it to the tool.

    `wires` by name: `5V`, `0V`, `SERVO`, and `DI1`, `DO1`, `AI1` with as many more of each as there
    are inputs and outputs. A digital input has its own resistor to 0 V, so that it never floats.
    """

    cable_m: Annotated[float, Field(gt=0, le=50)]
    output_ohm: Positive
    input_ohm: Positive
    input_low_v: Positive
    input_high_v: Positive
    analog_ohm: Positive
    analog_full_v: Positive
    analog_bits: Annotated[int, Field(ge=8, le=24)]
    wires: dict[str, Wire]

    @model_validator(mode="after")
    def _consistent(self) -> IoPart:
        if self.input_low_v >= self.input_high_v:
            raise ValueError(
                f"input_low_v {self.input_low_v} must lie below input_high_v {self.input_high_v}"
            )
        counted = [name for sort in IO_SORTS for name in self.named(sort)]
        expected = [*IO_WIRES, *counted]
        if sorted(self.wires) != sorted(expected) or not self.named("DI"):
            raise ValueError(
                f"wires: got {', '.join(self.wires)}; expected {', '.join(IO_WIRES)}, at least "
                "DI1, and further DI, DO and AI numbered from 1 without a gap"
            )
        for name, wire in self.wires.items():
            start = name if name in ("5V", "0V") else "card"
            if wire.from_ != start:
                raise ValueError(f"wires: {name} starts at {start!r}, got {wire.from_!r}")
        return self

    def named(self, sort: str) -> list[str]:
        """The wires of a sort that are numbered from 1 without a gap: `DI1`, `DI2`."""
        numbers = itertools.takewhile(lambda n: f"{sort}{n}" in self.wires, itertools.count(1))
        return [f"{sort}{n}" for n in numbers]


class GripperPart(Part):
    """Two fingers on a model servo, and what else hangs on the cable of the second card.

    A pulse of `pulse_s[0]` asks for closed fingers, of `pulse_s[1]` for a gap of `stroke_mm`. The
    servo has `force_n` between the fingers, and `friction_n` holds them when it is limp. `contact`
    is an input with a contact in a finger's pad, `opened` one with a contact at `opened_mm` and
    more, `pot` an analog input with a potentiometer on the gap, `lamp` an output with a lamp.
    """

    stroke_mm: Annotated[float, Field(gt=0, le=200)]
    speed_mm_s: Annotated[float, Field(gt=0, le=1000)]
    force_n: Annotated[float, Field(gt=0, le=500)]
    friction_n: Annotated[float, Field(ge=0, le=500)]
    object_n_per_mm: Annotated[float, Field(gt=0, le=1e5)]
    pulse_s: Interval
    dead_band_s: Annotated[float, Field(ge=0, le=1e-4)]
    lost_s: Annotated[float, Field(gt=0, le=1)]
    start_s: Annotated[float, Field(gt=0, le=1)]
    signal_ohm: Positive
    signal_low_v: Positive
    signal_high_v: Positive
    supply_min_v: Positive
    idle_a: Positive
    moving_a: Positive
    stall_a: Positive
    contact: Annotated[str, Field(pattern="^DI[1-9]$")]
    contact_n: Annotated[float, Field(gt=0, le=100)]
    opened: Annotated[str, Field(pattern="^DI[1-9]$")]
    opened_mm: Annotated[float, Field(gt=0, le=200)]
    contact_ohm: Positive
    pot: Annotated[str, Field(pattern="^AI[1-9]$")]
    pot_ohm: Positive
    pot_end_ohm: Positive
    pot_turns: Annotated[int, Field(ge=50, le=2000)]
    lamp: Annotated[str, Field(pattern="^DO[1-9]$")]
    lamp_ohm: Positive
    lamp_min_a: Positive

    @model_validator(mode="after")
    def _consistent(self) -> GripperPart:
        closed, opened = self.pulse_s
        if not 0.5e-3 <= closed < opened <= 2.5e-3:
            raise ValueError(
                f"pulse_s {list(self.pulse_s)} must be ascending and lie within 0.0005 to 0.0025 s"
            )
        if self.signal_low_v >= self.signal_high_v:
            raise ValueError(
                f"signal_low_v {self.signal_low_v} must lie below "
                f"signal_high_v {self.signal_high_v}"
            )
        if self.opened_mm > self.stroke_mm:
            raise ValueError(
                f"opened_mm {self.opened_mm} must lie within stroke_mm {self.stroke_mm}"
            )
        if self.contact == self.opened:
            raise ValueError(f"contact and opened: both are {self.contact}")
        if self.contact_n >= self.force_n:
            raise ValueError(f"contact_n {self.contact_n} must lie below force_n {self.force_n}")
        return self
