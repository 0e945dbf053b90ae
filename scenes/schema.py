"""What a scene may say: one arm, its card, supplies, harness and the gauges lying beside it.

Angles are degrees at the joint unless a name says otherwise; everything else is SI, with the
unit in the name. Ranges that are common practice for small stepper arms (no published source)
bound the values, so that a slip of the keyboard is caught at load time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError, model_validator

from ..errors import SceneError
from .gauges import GaugesPart
from .joint import Joint
from .part import Fraction, Interval, Part, Positive, Wire
from .second_card import IO, GripperPart, IoPart
from .spreads import Spread, put_figures
from .stop import STOP, StopPart


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


class Tolerances(Part):
    """Half widths of what a seed draws for all joints: degrees, or fractions of the nominal figure.

    A figure that carries a distribution of its own is drawn from that instead.
    """

    base_tilt_deg: Annotated[float, Field(ge=0, le=10)]
    switch_deg: Annotated[float, Field(ge=0, le=10)]
    differential: Fraction
    holding_torque: Fraction
    friction: Fraction


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
    stop: StopPart = StopPart()
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
        """Every conductor and its length in m: by joint, of the second card, of the button."""
        found = {
            f"{joint.name}.{name}": (self.harness.wires[name], joint.cable_m)
            for joint in self.joint
            for name in WIRES
        }
        if self.io is not None:
            found |= {
                f"{IO}.{name}": (wire, self.io.cable_m) for name, wire in self.io.wires.items()
            }
        found |= {
            f"{STOP}.{name}": (wire, self.stop.cable_m) for name, wire in self.stop.wires.items()
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
