"""Every fault an arm can have, enumerated from its scene."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator

from ..scenes import WIRES, Scene
from ..sim.circuit import RAILS
from .kinds import KINDS, plug_of


def enumerate_faults(scene: Scene) -> Iterator[str]:
    """All `KIND@PLACE` of a scene, kind by kind.

    Shorts and swaps are those between pins of one plug, and shorts of every conductor to every
    rail; crossed plugs are those of neighbouring joints. The grammar takes any two places.
    """
    loom = [(joint.name, wire) for joint in scene.joint for wire in WIRES]
    plugs: dict[str, list[str]] = {}
    for joint, wire in loom:
        plugs.setdefault(plug_of(f"{joint}.{wire}"), []).append(f"{joint}.{wire}")
    pairs = [pair for pins in plugs.values() for pair in itertools.combinations(pins, 2)]
    for name in ("open", "resist"):
        yield from (f"{name}@{joint}.{wire}" for joint, wire in loom)
    yield from (f"short@{one}/{other}" for one, other in pairs)
    yield from (
        f"short@{joint}.{wire}/{rail}"
        for joint, wire in loom
        for rail in RAILS
        if f"RAIL.{scene.harness.wires[wire].from_}" != rail
    )
    yield from (f"swap@{one}/{other}" for one, other in pairs)
    yield from (f"unplug@{plug}" for plug in plugs)
    yield from (f"cross@{one}/{other}" for one, other in _neighbours(plugs))
    for kind in KINDS.values():
        if kind.where == "part":
            yield from (f"{kind.name}@{joint.name}.{kind.part}" for joint in scene.joint)
    yield "drop@LINE"


def _neighbours(plugs: Iterable[str]) -> Iterator[tuple[str, str]]:
    """Plugs of one sort at joints one after the other."""
    last: dict[str, str] = {}
    for plug in plugs:
        sort = plug.partition(".")[2]
        if sort in last:
            yield last[sort], plug
        last[sort] = plug
