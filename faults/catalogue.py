"""Every fault an arm can have, enumerated from its scene."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from ..scenes import WIRES, Scene
from .kinds import KINDS

CONNECTORS = (
    ("DIR", "STEP", "ENA", "OPTO0V"),
    ("DRIVE.24V", "DRIVE.0V"),
    ("MOTOR.A+", "MOTOR.A-", "MOTOR.B+", "MOTOR.B-"),
    ("ENC.5V", "ENC.0V", "ENC.A", "ENC.B"),
    ("SW.COM", "SW.NC", "SW.NO"),
)
"""Wires that share a plug or a terminal block, in the order of its pins."""


def enumerate_faults(scene: Scene) -> Iterator[str]:
    """All `KIND@PLACE` of a scene, kind by kind.

    Shorts and swaps are those between pins of one plug, and shorts of every conductor to 0 V; the
    grammar takes any two places.
    """
    loom = [(joint.name, wire) for joint in scene.joint for wire in WIRES]
    pairs = [
        (f"{joint.name}.{one}", f"{joint.name}.{other}")
        for joint in scene.joint
        for plug in CONNECTORS
        for one, other in itertools.combinations(plug, 2)
    ]
    for name in ("open", "resist"):
        yield from (f"{name}@{joint}.{wire}" for joint, wire in loom)
    yield from (f"short@{one}/{other}" for one, other in pairs)
    yield from (
        f"short@{joint}.{wire}/RAIL.0V"
        for joint, wire in loom
        if scene.harness.wires[wire].from_ != "0V"
    )
    yield from (f"swap@{one}/{other}" for one, other in pairs)
    for kind in KINDS.values():
        if kind.where == "part":
            yield from (f"{kind.name}@{joint.name}.{kind.part}" for joint in scene.joint)
    yield "drop@LINE"
