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
    beside: dict[str, dict[str, float]] = {}
    for a, b, ohm in _passive(netlist, settings):
        if a != b:
            _tie(beside, a, b, 1.0 / max(ohm, _LEAST_OHM))
    reached = _reached(beside, one)
    if other not in reached:
        return math.inf
    # Star to mesh, node by node: nothing is ever subtracted, so no digits are lost between
    # milliohms and teraohms.
    waiting = [(len(beside[node]), node) for node in reached - {one, other}]
    heapq.heapify(waiting)
    while waiting:
        degree, node = heapq.heappop(waiting)
        if len(beside[node]) != degree:  # others have gone meanwhile
            heapq.heappush(waiting, (len(beside[node]), node))
            continue
        arms = list(beside.pop(node).items())
        whole = math.fsum(siemens for _, siemens in arms)
        for number, (a, first) in enumerate(arms):
            del beside[a][node]
            for b, second in arms[:number]:
                _tie(beside, a, b, first * second / whole)
    return 1.0 / beside[one][other]


def _tie(beside: dict[str, dict[str, float]], a: str, b: str, siemens: float) -> None:
    for here, there in ((a, b), (b, a)):
        arms = beside.setdefault(here, {})
        arms[there] = arms.get(there, 0.0) + siemens


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


def _reached(beside: Mapping[str, Mapping[str, float]], start: str) -> set[str]:
    """Every node that conductors join to `start`."""
    reached, open_ends = {start}, [start]
    while open_ends:
        for node in beside.get(open_ends.pop(), ()):
            if node not in reached:
                reached.add(node)
                open_ends.append(node)
    return reached
