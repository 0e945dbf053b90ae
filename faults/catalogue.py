"""Every fault an arm can have, enumerated from its scene."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Sequence

from ..errors import FaultError, nearest
from ..scenes import Scene
from ..sim.circuit import RAILS
from .grammar import parse_fault
from .kinds import KINDS, Kind, plug_of
from .places import conductors, joints_in, part_at, places, plugs


def enumerate_faults(scene: Scene) -> Iterator[str]:
    """All `KIND@PLACE` of a scene, kind by kind, with the values that a kind has variants of.

    Shorts and swaps are those between pins of one plug, shorts those of every conductor to every
    rail and of rails to one another; crossed plugs are those of neighbouring joints. The grammar
    takes any two places.
    """
    for kind in KINDS.values():
        for place in _listed(kind, scene):
            yield f"{kind.name}@{place}"
            yield from (f"{kind.name}@{place},{variant}" for variant in kind.variants)


def chosen_faults(
    scene: Scene,
    *,
    joints: Sequence[str] = (),
    parts: Sequence[str] = (),
    kinds: Sequence[str] = (),
) -> list[str]:
    """Those of `enumerate_faults` at one of the joints, at one of the parts, of one of the kinds.

    An empty choice takes all. Raises FaultError with the nearest name for a joint (`J3`), part
    (`ENC`) or kind there is not, and when nothing fits all three.
    """
    whole = list(enumerate_faults(scene))
    at = {fault: _found(fault, scene) for fault in whole}
    names = [joint.name for joint in scene.joint]
    _check("joint", joints, names)
    _check("part", parts, sorted({part for found in at.values() for part in found[1]}))
    _check("kind", kinds, list(KINDS))
    chosen = [
        fault
        for fault, (joint, part, kind) in at.items()
        if (not joints or joint & set(joints))
        and (not parts or part & set(parts))
        and (not kinds or kind in kinds)
    ]
    if not chosen:
        asked = ", ".join([*joints, *parts, *kinds])
        raise FaultError(
            f"no fault of {scene.name} is of all these: {asked}; leave one of them out"
        )
    return chosen


def _found(fault: str, scene: Scene) -> tuple[set[str], set[str], str]:
    """Joints, parts and kind of a fault."""
    parsed = parse_fault(fault)
    joints = {joint for place in parsed.places for joint in joints_in(place, scene)}
    return joints, {part_at(place) for place in parsed.places}, parsed.kind.name


def _check(what: str, asked: Iterable[str], known: Sequence[str]) -> None:
    for name in asked:
        if name not in known:
            raise FaultError(
                f"no {what} {name!r}: expected one of {', '.join(known)}{nearest(name, known)}"
            )


def _listed(kind: Kind, scene: Scene) -> Iterator[str]:
    """A kind's places as the catalogue has them, `PLACE/PLACE` where it takes two."""
    if kind.places == 1:
        yield from places(kind, scene)
    elif kind.where == "plug":
        yield from (f"{one}/{other}" for one, other in _neighbours(plugs(scene)))
    else:
        yield from (f"{one}/{other}" for one, other in _within_plugs(scene))
    if kind.where == "node":
        for place, (wire, _) in scene.conductors().items():
            start = f"RAIL.{wire.from_}"
            yield from (f"{place}/{rail}" for rail in RAILS if rail != start)
        yield from (f"{one}/{other}" for one, other in itertools.combinations(RAILS, 2))


def _within_plugs(scene: Scene) -> Iterator[tuple[str, str]]:
    pins: dict[str, list[str]] = {}
    for place in conductors(scene):
        pins.setdefault(plug_of(place), []).append(place)
    for group in pins.values():
        yield from itertools.combinations(group, 2)


def _neighbours(names: Iterable[str]) -> Iterator[tuple[str, str]]:
    """Plugs of one sort at joints one after the other."""
    last: dict[str, str] = {}
    for plug in names:
        sort = plug.partition(".")[2]
        if not sort:  # a cable that belongs to no joint has no twin
            continue
        if sort in last:
            yield last[sort], plug
        last[sort] = plug
