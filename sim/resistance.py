"""Resistance between two nodes of a harness that is off: the answer to a small test current.

All sources are off: rails are bare conductors. A meter's test voltage lights no LED and lets no
diode of a drive's bridge conduct, and a part without supply shows its dead output stage (common
practice, no published source).
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable, Mapping

from .circuit import Link, Netlist

_LEAST_OHM = 1e-6
_DARK_OHM = 1e9  # an LED below its forward voltage


def resistance_ohm(netlist: Netlist, settings: Mapping[str, int], one: str, other: str) -> float:
    """Ohms between two nodes over every path there is; infinite when there is none."""
    if one == other:
        return 0.0
    beside: dict[str, dict[str, float]] = {one: {}, other: {}}
    for a, b, ohm in _passive(netlist, settings):
        if a != b:
            _join(beside, a, b, 1.0 / max(ohm, _LEAST_OHM))
    # Star to mesh, node by node, those with the fewest neighbours first, until only the probes
    # are left: sums of positive terms, so that nothing cancels.
    waiting = [(len(others), node) for node, others in beside.items()]
    heapq.heapify(waiting)
    while waiting:
        degree, node = heapq.heappop(waiting)
        if node in (one, other) or node not in beside or degree != len(beside[node]):
            continue
        arms = list(beside.pop(node).items())
        whole = sum(siemens for _, siemens in arms)
        for place, _ in arms:
            del beside[place][node]
        for number, (a, to_a) in enumerate(arms):
            for b, to_b in arms[number + 1 :]:
                _join(beside, a, b, to_a * to_b / whole)
        for place, _ in arms:
            heapq.heappush(waiting, (len(beside[place]), place))
    siemens = beside[one].get(other, 0.0)
    return 1.0 / siemens if siemens else math.inf


def _join(beside: dict[str, dict[str, float]], one: str, other: str, siemens: float) -> None:
    """A resistor more between two nodes."""
    for at, opposite in ((one, other), (other, one)):
        links = beside.setdefault(at, {})
        links[opposite] = links.get(opposite, 0.0) + siemens


def _passive(netlist: Netlist, settings: Mapping[str, int]) -> Iterable[Link]:
    blocked = set(netlist.fixed)
    for a, b, ohm in netlist.links:
        if a not in blocked and b not in blocked:
            yield a, b, ohm
    for choice in netlist.choices:
        starved = choice.supply is not None
        yield from choice.settings[-1 if starved else settings[choice.name]]
    for led in netlist.leds:
        yield led.anode, led.cathode, _DARK_OHM
