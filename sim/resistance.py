"""Resistance between two nodes of a harness that is off: the answer to a small test current.

All sources are off: rails are bare conductors. A meter's test voltage lights no LED and lets no
diode of a drive's bridge conduct, and a part without supply shows its dead output stage (common
practice, no published source).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import numpy as np

from .circuit import Link, Netlist

_LEAST_OHM = 1e-6
_DARK_OHM = 1e9  # an LED below its forward voltage


def resistance_ohm(netlist: Netlist, settings: Mapping[str, int], one: str, other: str) -> float:
    """Ohms between two nodes over every path there is; infinite when there is none."""
    links = list(_passive(netlist, settings))
    nodes = _reached(links, one)
    if other not in nodes:
        return math.inf
    if one == other:
        return 0.0
    # The black probe is the reference: its row drops out, and no leak to elsewhere is needed.
    index = {node: i for i, node in enumerate(sorted(nodes - {other}))}
    siemens = np.zeros((len(index), len(index)))
    for a, b, ohm in links:
        i, j = index.get(a), index.get(b)
        conducts = 1.0 / max(ohm, _LEAST_OHM)
        for at, opposite in ((i, j), (j, i)):
            if at is not None:
                siemens[at, at] += conducts
                if opposite is not None:
                    siemens[at, opposite] -= conducts
    amps = np.zeros(len(index))
    amps[index[one]] = 1.0
    return float(np.linalg.solve(siemens, amps)[index[one]])


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


def _reached(links: Iterable[Link], start: str) -> set[str]:
    """Every node that links join to `start`."""
    beside: dict[str, list[str]] = {}
    for a, b, _ in links:
        beside.setdefault(a, []).append(b)
        beside.setdefault(b, []).append(a)
    reached, open_ends = {start}, [start]
    while open_ends:
        for node in beside.get(open_ends.pop(), ()):
            if node not in reached:
                reached.add(node)
                open_ends.append(node)
    return reached
