"""The faults that a diagnosis weighs: the catalogue, and plugs crossed between any two joints.

The catalogue crosses the plugs of neighbouring joints, which stands for all of them in a study.
Whoever plugs in an arm may take any of the same sort.
"""

from __future__ import annotations

import itertools

from ..faults import enumerate_faults
from ..faults.places import plugs
from ..scenes import Scene


def candidates(scene: Scene) -> list[str]:
    """All of them, the catalogue first and in its order."""
    twins: dict[str, list[str]] = {}
    for plug in plugs(scene):
        _, _, sort = plug.partition(".")
        if sort:
            twins.setdefault(sort, []).append(plug)
    pairs = (pair for same in twins.values() for pair in itertools.combinations(same, 2))
    crossed = (f"cross@{one}/{other}" for one, other in pairs)
    return list(dict.fromkeys([*enumerate_faults(scene), *crossed]))
