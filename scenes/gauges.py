"""What a scene may say of what lies on its bench: gauges, meter, a known source, a hand."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from .part import Part, Positive


class Level(Part):
    """A digital level."""

    resolution_deg: Positive
    accuracy_deg: Positive


class Mark(Part):
    """A witness mark read against a scribed line, within a window around zero."""

    resolution_deg: Positive
    accuracy_deg: Positive
    window_deg: Positive


class Meter(Part):
    """A multimeter: input resistance on volts, time for one reading.

    Accuracy of each function as percent of the reading and counts of the last digit; ohms have
    `full_counts` before the next range, ten times coarser, and overload above `limit_ohm`. What its
    leads pick up, and drift by, shows where one of them is broken. Its amps socket has a shunt of
    `amps_ohm`, fuse included, whose wire melts at `fuse_a2s`, A2.s (values from memory).
    """

    ohm: Positive
    reading_s: Positive
    percent: Annotated[float, Field(ge=0, le=10)]
    counts: Annotated[int, Field(ge=0, le=100)]
    digit_v: Positive
    ac_percent: Annotated[float, Field(ge=0, le=10)] = 1.0
    ac_counts: Annotated[int, Field(ge=0, le=100)] = 3
    ohm_percent: Annotated[float, Field(ge=0, le=10)] = 0.5
    ohm_counts: Annotated[int, Field(ge=0, le=100)] = 2
    digit_ohm: Positive = 0.1
    full_counts: Annotated[int, Field(ge=1000, le=1_000_000)] = 4000
    limit_ohm: Positive = 40e6
    continuity_ohm: Positive = 30.0
    lead_hum_a: Annotated[float, Field(ge=0, le=1e-6)] = 5e-9
    lead_wander_a: Annotated[float, Field(ge=0, le=1e-6)] = 2e-9
    amps_ohm: Positive = 0.1
    fuse_a: Positive = 0.5
    fuse_a2s: Positive = 0.2


class ProvingUnit(Part):
    """A known source on the bench, by which a meter is proved: volts and internal resistance."""

    volts: Positive = 9.0
    ohm: Positive = 2.0


class Eye(Part):
    """How finely an angle can be judged against a drawing."""

    resolution_deg: Positive


class Thermometer(Part):
    """A thermometer held to a motor's case."""

    resolution_c: Positive = 0.5
    accuracy_c: Positive = 2.0


class Hand(Part):
    """A person's hand at a joint, or pushing along a linear axis."""

    torque_n_m: Positive
    force_n: Positive = 80.0
    speed_deg_s: Positive


class GaugesPart(Part):
    """What lies on the bench."""

    level: Level
    mark: Mark
    meter: Meter
    eye: Eye
    hand: Hand
    proving: ProvingUnit = ProvingUnit()
    thermometer: Thermometer = Thermometer()
