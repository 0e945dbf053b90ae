"""What a scene may say: one arm, its card, supplies, harness and the gauges lying beside it.

Angles are degrees at the joint unless a name says otherwise; everything else is SI, with the
unit in the name. Ranges that are common practice for small stepper arms (no published source)
bound the values, so that a slip of the keyboard is caught at load time.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError, model_validator

from ..errors import SceneError
from .part import Fraction, Interval, Part, Positive, Wire
from .second_card import IO, GripperPart, IoPart
from .spreads import Spread, put_figures


class Supply(Part):
    """A source: open-circuit voltage, internal resistance with its feed, current limit, spread."""

    volts: Positive
    ohm: Positive
    limit_a: Positive
    tolerance: Fraction = 0.0


class Supplies(Part):
    """The sources that every harness hangs on, and the frequency of the mains around it."""

    v24: Supply = Field(alias="24V")
    v5: Supply = Field(alias="5V")
    v3v3: Supply = Field(alias="3V3")
    mains_hz: Annotated[float, Field(ge=40, le=70)]


class CardPart(Part):
    """Outputs and inputs of the controller card."""

    output_ohm: Positive
    pulse_s: Annotated[float, Field(gt=0, le=1e-3)]
    input_low_v: Positive
    input_high_v: Positive
    input_leak_ohm: Positive
    input_farad: Positive
    input_bias_a: Interval
    input_wander_a: Annotated[float, Field(ge=0)]
    hum_a: Annotated[float, Field(ge=0)]
    counter_bits: Annotated[int, Field(ge=8, le=64)] = 32
    direction_lead_s: Annotated[float, Field(ge=1e-6, le=1e-4)] = 10e-6

    @model_validator(mode="after")
    def _ordered(self) -> CardPart:
        if self.input_low_v >= self.input_high_v:
            raise ValueError(
                f"input_low_v {self.input_low_v} must lie below input_high_v {self.input_high_v}"
            )
        return self


class ChassisPart(Part):
    """What ties the arm's bare metal to 0 V where no bond does (values from memory).

    It is earthed, and 0 V is not: between them the supplies' interference capacitors and their
    discharge resistor, mains current through the capacitance of their windings (peak), leakage.
    """

    ohm: Positive = 1e6
    farad: Positive = 10e-9
    hum_a: Annotated[float, Field(ge=0, le=1e-3)] = 10e-6
    wander_a: Annotated[float, Field(ge=0, le=1e-5)] = 50e-9


class DrivePart(Part):
    """Opto inputs and supply of a drive, and its over-temperature cut-off.

    Its bridges have `bridge_ohm` between supply and one coil's current; above `trip_c` it cuts out
    until it has cooled to `restart_c` (values from memory for drives of one chip).
    """

    opto_ohm: Positive
    opto_forward_v: Positive
    opto_threshold_a: Positive
    enable_lit: bool
    direction_lit: Literal[-1, 1]
    undervoltage_v: Annotated[float, Field(ge=5, le=40)]
    pulse_min_s: Annotated[float, Field(gt=0, le=1e-3)] = 1e-6
    opto_off_s: Annotated[float, Field(ge=0, le=1e-3)] = 3e-6
    opto_jitter: Annotated[float, Field(ge=0, lt=1)] = 0.1
    standstill_current: Annotated[float, Field(gt=0, le=1)] = 1.0
    standstill_s: Annotated[float, Field(ge=0.05, le=60)] = 0.5
    chopper_hz: Annotated[float, Field(ge=1e3, le=2e5)] = 20e3
    bridge_ohm: Positive = 0.3
    kelvin_per_watt: Positive = 35.0
    joule_per_kelvin: Positive = 2.0
    trip_c: Annotated[float, Field(ge=60, le=200)] = 150.0
    restart_c: Annotated[float, Field(ge=40, le=200)] = 130.0
    idle_a: Positive
    load_a: Positive

    @model_validator(mode="after")
    def _cools(self) -> DrivePart:
        if self.restart_c >= self.trip_c:
            raise ValueError(f"restart_c {self.restart_c} must lie below trip_c {self.trip_c}")
        return self


class EncoderPart(Part):
    """Supply and output stage of an encoder; levels of A and B while its index is high."""

    supply_a: Positive
    supply_min_v: Positive
    output_ohm: Positive
    dead_ohm: Positive
    index_gate: Literal["00", "10", "11", "01"] = "11"


class SwitchPart(Part):
    """Contacts of a changeover limit switch."""

    closed_ohm: Positive
    transfer_s: Annotated[float, Field(gt=0, le=0.05)]
    repeat_deg: Annotated[float, Field(ge=0, le=1)]


class HarnessPart(Part):
    """The loom every joint has."""

    crimp_ohm: Positive
    spread: Fraction
    wires: dict[str, Wire]

    @model_validator(mode="after")
    def _complete(self) -> HarnessPart:
        missing = [name for name in WIRES if name not in self.wires]
        extra = [name for name in self.wires if name not in WIRES]
        if missing or extra:
            raise ValueError(
                f"wires: missing {missing or 'none'}, unknown {extra or 'none'}; "
                f"a loom holds exactly {', '.join(WIRES)}"
            )
        return self


WIRES = (
    *("DIR", "STEP", "ENA", "OPTO0V", "DRIVE.24V", "DRIVE.0V"),
    *("MOTOR.A+", "MOTOR.A-", "MOTOR.B+", "MOTOR.B-"),
    *("ENC.5V", "ENC.0V", "ENC.A", "ENC.B", "ENC.Z", "SW.COM", "SW.NC", "SW.NO"),
)
"""The conductors of a joint, in the order in which they are listed."""


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


class Tolerances(Part):
    """Half widths of what a seed draws for all joints: degrees, or fractions of the nominal figure.

    A figure that carries a distribution of its own is drawn from that instead.
    """

    base_tilt_deg: Annotated[float, Field(ge=0, le=10)]
    switch_deg: Annotated[float, Field(ge=0, le=10)]
    differential: Fraction
    holding_torque: Fraction
    friction: Fraction


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


class Scene(Part):
    """One arm, ready to be built. `folder` is where its URDF is looked for.

    `table_m` is the height of the table's top over the base plane; without it there is no table.
    All figures are nominal; `spreads` has the distributions of those that carry one, by path.
    """

    schema_: Literal[1] = Field(alias="schema")
    name: str
    title: str
    urdf: str
    payload_kg: Annotated[float, Field(ge=0, le=50)]
    table_m: Annotated[float, Field(ge=-10, le=10)] | None = None
    ambient_c: Annotated[float, Field(ge=-10, le=60)] = 20.0
    rest_pose_deg: tuple[float, ...]
    supplies: Supplies
    card: CardPart
    chassis: ChassisPart = ChassisPart()
    drive: DrivePart
    encoder: EncoderPart
    switch: SwitchPart
    harness: HarnessPart
    gauges: GaugesPart
    tolerances: Tolerances
    joint: Annotated[tuple[Joint, ...], Field(min_length=1, max_length=9)]
    io: IoPart | None = None
    gripper: GripperPart | None = None
    folder: Path = Path()
    spreads: dict[str, Spread] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _whole(self) -> Scene:
        names = [joint.name for joint in self.joint]
        expected = [f"J{n}" for n in range(1, len(names) + 1)]
        if names != expected:
            raise ValueError(f"joint: got names {names}, expected {expected} in that order")
        self._check_pose("rest_pose_deg", self.rest_pose_deg)
        for joint in self.joint:
            if joint.kind == "linear" and joint.encoder.mount == "joint":
                raise ValueError(f"{joint.name}: a linear axis has its encoder on the motor")
            self._check_pose(f"{joint.name}: trim.pose_deg", joint.trim.pose_deg)
        self._check_gripper()
        return self

    def _check_gripper(self) -> None:
        gripper = self.gripper
        if gripper is None:
            return
        if self.io is None:
            raise ValueError("gripper: it hangs on a second card; add a table [io]")
        for key in ("contact", "opened", "pot", "lamp"):
            if (wire := getattr(gripper, key)) not in self.io.wires:
                raise ValueError(
                    f"gripper: {key} {wire!r} is not among io.wires: {', '.join(self.io.wires)}"
                )

    def _check_pose(self, what: str, pose: tuple[float, ...]) -> None:
        if len(pose) != len(self.joint):
            raise ValueError(
                f"{what}: got {len(pose)} angles, expected {len(self.joint)}, one a joint"
            )
        for joint, angle in zip(self.joint, pose, strict=True):
            low, high = joint.travel_deg
            if not low <= angle <= high:
                raise ValueError(
                    f"{what}: {angle} for {joint.name} lies outside its travel {low} to {high} deg"
                )

    def with_figures(self, figures: Mapping[str, float]) -> Scene:
        """This scene with other figures, by path. Raises `SceneError` if they contradict."""
        kept = {"folder": self.folder, "spreads": self.spreads}
        plain = self.model_dump(by_alias=True, exclude=set(kept))
        try:
            return Scene.model_validate(put_figures(plain, figures) | kept)
        except ValidationError as error:
            first = error.errors()[0]
            where = ".".join(map(str, first["loc"]))
            raise SceneError(f"{self.name}: drawn figures: {where}: {first['msg']}") from None

    def conductors(self) -> dict[str, tuple[Wire, float]]:
        """Every conductor and its length in m, joint by joint, then those of the second card."""
        found = {
            f"{joint.name}.{name}": (self.harness.wires[name], joint.cable_m)
            for joint in self.joint
            for name in WIRES
        }
        if self.io is not None:
            found |= {
                f"{IO}.{name}": (wire, self.io.cable_m) for name, wire in self.io.wires.items()
            }
        return found

    def pose_si(self, pose_deg: Sequence[float]) -> list[float]:
        """A pose as the plant has it: rad, or m."""
        return [joint.to_si(angle) for joint, angle in zip(self.joint, pose_deg, strict=True)]

    def joint_number(self, name: str) -> int:
        """Number from 0 of a joint by its name; `ValueError` when there is none."""
        return [joint.name for joint in self.joint].index(name)

    @property
    def urdf_path(self) -> Path:
        """The URDF beside the scene file."""
        return self.folder / self.urdf
