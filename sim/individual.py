"""One individual arm: what a seed draws from a scene's tolerances.

Every figure has its own generator, keyed by seed and name, so that adding one moves no other.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass

from ..scenes import WIRES, Scene


def drawn(seed: int, name: str) -> random.Random:
    """The generator of one figure."""
    return random.Random(f"{seed}:{name}")


def around(seed: int, name: str, nominal: float, fraction: float) -> float:
    """`nominal` spread evenly by plus and minus `fraction` of it."""
    return nominal * (1 + fraction * drawn(seed, name).uniform(-1, 1))


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
    base_tilt_rad: tuple[float, float]
    level_bias_deg: float
    mark_bias_deg: tuple[float, ...]
    meter_gain: float
    rail_volts: dict[str, float]
    wire_ohm: dict[str, float]


def draw_individual(
    scene: Scene, seed: int, start_pose_deg: Sequence[float] | None = None
) -> Individual:
    """Draw one arm. `start_pose_deg` (one a joint) replaces the drawn pose.

    Raises `ValueError` for a start pose of the wrong length or outside the hard stops.
    """
    tolerance, joints, gauges = scene.tolerances, scene.joint, scene.gauges
    if start_pose_deg is None:
        pose = tuple(
            drawn(seed, f"{joint.name}.start").uniform(*joint.travel_deg) for joint in joints
        )
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
    for joint in joints:
        for wire in WIRES:
            place = f"{joint.name}.{wire}"
            nominal = scene.harness.wires[wire].ohm_per_m * joint.cable_m
            wires[place] = around(
                seed, place, nominal + 2 * scene.harness.crimp_ohm, scene.harness.spread
            )
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
            + tolerance.switch_deg * drawn(seed, f"{joint.name}.switch").uniform(-1, 1)
            for joint in joints
        ),
        differential_deg=tuple(
            around(
                seed,
                f"{joint.name}.differential",
                joint.home.differential_deg,
                tolerance.differential,
            )
            for joint in joints
        ),
        holding_n_m=tuple(
            around(seed, f"{joint.name}.holding", joint.motor.holding_n_m, tolerance.holding_torque)
            for joint in joints
        ),
        friction_n_m=tuple(
            around(seed, f"{joint.name}.friction", joint.friction_n_m, tolerance.friction)
            for joint in joints
        ),
        rotor_phase_rad=tuple(drawn(seed, f"{name}.rotor").uniform(0, 0.12) for name in names),
        encoder_phase=tuple(drawn(seed, f"{name}.encoder").uniform(0, 4) for name in names),
        base_tilt_rad=(tilt.uniform(-half, half), tilt.uniform(-half, half)),
        level_bias_deg=drawn(seed, "level").uniform(-1, 1) * gauges.level.accuracy_deg / 2,
        mark_bias_deg=tuple(
            drawn(seed, f"{name}.mark").uniform(-1, 1) * gauges.mark.accuracy_deg / 2
            for name in names
        ),
        meter_gain=1 + drawn(seed, "meter").uniform(-1, 1) * gauges.meter.percent / 100,
        rail_volts={
            rail: around(seed, rail, supply.volts, supply.tolerance)
            for rail, supply in supplies.items()
        },
        wire_ohm=wires,
    )
