"""One individual arm: what a seed draws from a scene's spreads and tolerances.

Every figure has its own generator, keyed by seed and name, so that adding one moves no other.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass

from ..scenes import Scene
from .disc import GATES


def drawn(seed: int, name: str) -> random.Random:
    """The generator of one figure."""
    return random.Random(f"{seed}:{name}")


def drawn_figures(scene: Scene, seed: int) -> dict[str, float]:
    """The drawn figure of everything in a scene that carries a distribution, by path."""
    return {path: spread.draw(drawn(seed, path)) for path, spread in scene.spreads.items()}


def draw_scene(scene: Scene, seed: int) -> Scene:
    """The scene of one individual arm: drawn figures where it has distributions.

    Drawing again from the result gives the same. Raises `SceneError` when the drawn figures
    contradict each other.
    """
    figures = drawn_figures(scene, seed)
    return scene.with_figures(figures) if figures else scene


def around(seed: int, name: str, nominal: float, fraction: float) -> float:
    """`nominal` spread evenly by plus and minus `fraction` of it."""
    return nominal * (1 + fraction * drawn(seed, name).uniform(-1, 1))


def _gain(seed: int, name: str, percent: float) -> float:
    return 1 + drawn(seed, name).uniform(-1, 1) * percent / 100


_JOINT_FIGURES = (
    "start_pose_deg",
    "home.switch_deg",
    "home.differential_deg",
    "motor.holding_n_m",
    "friction_n_m",
    "rotor_phase_rad",
    "encoder_phase",
    "encoder_index",
    "mark_bias_deg",
)
"""What is drawn for each joint, as the scene calls it where it has a nominal figure."""


@dataclass(frozen=True)
class Individual:
    """Drawn figures, one a joint where a tuple; degrees, N·m, ohms, amps, radians."""

    start_pose_deg: tuple[float, ...]
    switch_deg: tuple[float, ...]
    differential_deg: tuple[float, ...]
    holding_n_m: tuple[float, ...]
    friction_n_m: tuple[float, ...]
    rotor_phase_rad: tuple[float, ...]
    encoder_phase: tuple[float, ...]
    encoder_index: tuple[int, ...]
    base_tilt_rad: tuple[float, float]
    level_bias_deg: float
    mark_bias_deg: tuple[float, ...]
    meter_gain: float
    meter_ac_gain: float
    meter_ohm_gain: float
    thermometer_bias_c: float
    rail_volts: dict[str, float]
    wire_ohm: dict[str, float]

    def figures(self, joints: Sequence[str]) -> dict[str, float]:
        """Every drawn figure by a name: a joint's own, those of conductors, rails and gauges."""
        named: dict[str, float] = {}
        for number, joint in enumerate(joints):
            for name in _JOINT_FIGURES:
                named[f"joint.{joint}.{name}"] = getattr(self, name.rsplit(".", 1)[-1])[number]
        named |= {f"harness.{place}.ohm": ohm for place, ohm in self.wire_ohm.items()}
        for rail, volts in self.rail_volts.items():
            named[f"supplies.{rail.removeprefix('RAIL.')}.volts"] = volts
        named |= {f"base.tilt_rad.{axis}": tilt for axis, tilt in enumerate(self.base_tilt_rad)}
        named["gauges.level.bias_deg"] = self.level_bias_deg
        named["gauges.meter.gain"] = self.meter_gain
        named["gauges.meter.ac_gain"] = self.meter_ac_gain
        named["gauges.meter.ohm_gain"] = self.meter_ohm_gain
        named["gauges.thermometer.bias_c"] = self.thermometer_bias_c
        return named


def draw_start_pose(scene: Scene, seed: int, again: int = 0) -> tuple[float, ...]:
    """A pose anywhere in the travel, deg; `again` counts those that did not please."""
    key = f"start.{again}" if again else "start"
    return tuple(
        drawn(seed, f"{joint.name}.{key}").uniform(*joint.travel_deg) for joint in scene.joint
    )


def draw_individual(
    scene: Scene, seed: int, start_pose_deg: Sequence[float] | None = None
) -> Individual:
    """Draw one arm. `start_pose_deg` (one a joint) replaces the drawn pose.

    Raises `ValueError` for a start pose of the wrong length or outside the hard stops.
    """
    scene = draw_scene(scene, seed)
    tolerance, joints, gauges = scene.tolerances, scene.joint, scene.gauges

    def wide(path: str, key: str, nominal: float, fraction: float) -> float:
        """A figure as the scene's own spread drew it, or by the tolerance of all joints."""
        return nominal if path in scene.spreads else around(seed, key, nominal, fraction)

    if start_pose_deg is None:
        pose = draw_start_pose(scene, seed)
    else:
        pose = tuple(float(angle) for angle in start_pose_deg)
        if len(pose) != len(joints):
            raise ValueError(f"start pose: got {len(pose)} angles, expected {len(joints)}")
        for joint, angle in zip(joints, pose, strict=True):
            if not joint.stops_deg[0] < angle < joint.stops_deg[1]:
                raise ValueError(
                    f"start pose: {angle} deg for {joint.name} lies outside its hard stops "
                    f"{joint.stops_deg[0]} to {joint.stops_deg[1]}"
                )
    tilt = drawn(seed, "base.tilt")
    half = tolerance.base_tilt_deg * 0.017453292519943295
    wires: dict[str, float] = {}
    for place, (wire, length_m) in scene.conductors().items():
        nominal = wire.ohm_per_m * length_m + 2 * scene.harness.crimp_ohm
        wires[place] = around(seed, place, nominal, scene.harness.spread)
    supplies = {
        "RAIL.24V": scene.supplies.v24,
        "RAIL.5V": scene.supplies.v5,
        "RAIL.3V3": scene.supplies.v3v3,
    }
    names = [joint.name for joint in joints]
    return Individual(
        start_pose_deg=pose,
        switch_deg=tuple(
            joint.home.switch_deg
            if f"joint.{joint.name}.home.switch_deg" in scene.spreads
            else joint.home.switch_deg
            + tolerance.switch_deg * drawn(seed, f"{joint.name}.switch").uniform(-1, 1)
            for joint in joints
        ),
        differential_deg=tuple(
            wide(
                f"joint.{joint.name}.home.differential_deg",
                f"{joint.name}.differential",
                joint.home.differential_deg,
                tolerance.differential,
            )
            for joint in joints
        ),
        holding_n_m=tuple(
            wide(
                f"joint.{joint.name}.motor.holding_n_m",
                f"{joint.name}.holding",
                joint.motor.holding_n_m,
                tolerance.holding_torque,
            )
            for joint in joints
        ),
        friction_n_m=tuple(
            wide(
                f"joint.{joint.name}.friction_n_m",
                f"{joint.name}.friction",
                joint.friction_n_m,
                tolerance.friction,
            )
            for joint in joints
        ),
        rotor_phase_rad=tuple(drawn(seed, f"{name}.rotor").uniform(0, 0.12) for name in names),
        encoder_phase=tuple(drawn(seed, f"{name}.encoder").uniform(0, 4) for name in names),
        encoder_index=tuple(
            4 * drawn(seed, f"{joint.name}.index").randrange(joint.encoder.counts // 4)
            + GATES[scene.encoder.index_gate]
            for joint in joints
        ),
        base_tilt_rad=(tilt.uniform(-half, half), tilt.uniform(-half, half)),
        level_bias_deg=drawn(seed, "level").uniform(-1, 1) * gauges.level.accuracy_deg / 2,
        mark_bias_deg=tuple(
            drawn(seed, f"{name}.mark").uniform(-1, 1) * gauges.mark.accuracy_deg / 2
            for name in names
        ),
        meter_gain=_gain(seed, "meter", gauges.meter.percent),
        meter_ac_gain=_gain(seed, "meter.ac", gauges.meter.ac_percent),
        meter_ohm_gain=_gain(seed, "meter.ohm", gauges.meter.ohm_percent),
        thermometer_bias_c=drawn(seed, "thermometer").uniform(-1, 1)
        * gauges.thermometer.accuracy_c,
        rail_volts={
            rail: wide(
                f"supplies.{rail.removeprefix('RAIL.')}.volts", rail, supply.volts, supply.tolerance
            )
            for rail, supply in supplies.items()
        },
        wire_ohm=wires,
    )
