"""Nodal analysis of the harness by rails and islands.

Nodes tied together by parts, rails left out, form an island. An island is solved once for every
setting of its contacts, as a linear function of the rail voltages (Schur complement), and kept.
The rails are then a system of three unknowns into which every island enters with its own
admittance, so that a short in one cable pulls down what hangs on the same rail, exactly.

Parts: resistors; LEDs (piecewise linear: forward voltage and resistance while lit);
choices (a set of resistors for each setting of a contact or output); injected currents.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Link = tuple[str, str, float]

GROUND = "RAIL.0V"
RAILS = ("RAIL.24V", "RAIL.5V", "RAIL.3V3", GROUND)
OPEN_OHM = 1e12
_LEAST_S = 1e-13  # keeps a node that hangs on nothing solvable
_LEAST_OHM = 1e-6


class Led(NamedTuple):
    """The input of an optocoupler: anode, cathode, series resistance, forward voltage."""

    name: str
    anode: str
    cathode: str
    ohm: float
    forward_v: float


class Choice(NamedTuple):
    """Resistors that depend on a setting.

    With `supply` (two nodes, least volts, setting when starved) the part works only while it is
    supplied; otherwise the last of its settings holds.
    """

    name: str
    settings: Sequence[Sequence[Link]]
    supply: tuple[str, str, float] | None = None


class Source(NamedTuple):
    """What feeds a rail."""

    rail: str
    volts: float
    ohm: float


class _Block(NamedTuple):
    """One solved setting: node volts = free + by_known @ known volts; `transfer` in ohms:
    its diagonal is the source resistance at each node."""

    free: Array
    by_known: Array
    transfer: Array
    admittance: Array
    drawn: Array


class Island:
    """A set of nodes tied together by parts, and the parts that tie them."""

    def __init__(self, nodes: list[str], known: list[str]) -> None:
        self.nodes = nodes
        self.index = {node: i for i, node in enumerate(nodes)}
        self.known = known
        self.known_index = {node: i for i, node in enumerate(known)}
        self.links: list[Link] = []
        self.leds: list[Led] = []
        self.choices: list[Choice] = []
        self.injections: list[tuple[str, float]] = []
        self._blocks: dict[tuple[int | bool, ...], _Block] = {}
        self._hints: dict[tuple[int, ...], tuple[int | bool, ...]] = {}  # which LEDs were lit

    def solve(
        self, settings: Mapping[str, int], known_v: Array
    ) -> tuple[Array, _Block, tuple[bool, ...]]:
        """Node volts, the block behind them, and which LEDs are lit.

        LEDs and starved parts are found by trying: each wrong guess is turned over and the
        island solved again, at most a few times.
        """
        wanted = tuple(settings[choice.name] for choice in self.choices)
        key = (*wanted, *self._hints.get(wanted, (False,) * len(self.leds)))
        count = len(self.choices)
        for _ in range(4 + 2 * len(self.leds)):
            block = self._blocks.get(key)
            if block is None:
                block = self._blocks[key] = self._factor(key)
            volts = block.free + block.by_known @ known_v
            better = (*self._fed(wanted, key, volts, known_v), *self._lit(key, volts, known_v))
            if better == key:
                break
            key = better
        self._hints[wanted] = key[count:]
        return volts, block, tuple(bool(lit) for lit in key[count:])

    def _volt(self, node: str, volts: Array, known_v: Array) -> float:
        at = self.index.get(node)
        return float(volts[at] if at is not None else known_v[self.known_index[node]])

    def _fed(
        self, wanted: tuple[int, ...], key: tuple[int | bool, ...], volts: Array, known_v: Array
    ) -> list[int]:
        result = []
        for choice, want, held in zip(self.choices, wanted, key, strict=False):
            setting = want
            if choice.supply is not None:
                plus, minus, least = choice.supply
                supply = self._volt(plus, volts, known_v) - self._volt(minus, volts, known_v)
                starved = len(choice.settings) - 1
                # A part that starves once stays so in this solve: no hunting.
                if supply < least or held == starved:
                    setting = starved
            result.append(setting)
        return result

    def _lit(self, key: tuple[int | bool, ...], volts: Array, known_v: Array) -> list[bool]:
        result = []
        for led in self.leds:
            across = self._volt(led.anode, volts, known_v) - self._volt(led.cathode, volts, known_v)
            result.append(across > led.forward_v)
        return result

    def led_amps(self, lit: Sequence[bool], volts: Array, known_v: Array) -> list[float]:
        """Current of each LED, A."""
        result = []
        for led, on in zip(self.leds, lit, strict=True):
            across = self._volt(led.anode, volts, known_v) - self._volt(led.cathode, volts, known_v)
            result.append((across - led.forward_v) / led.ohm if on else 0.0)
        return result

    def _factor(self, key: tuple[int | bool, ...]) -> _Block:
        links = list(self.links)
        for choice, setting in zip(self.choices, key, strict=False):
            links.extend(choice.settings[setting])
        size, width = len(self.nodes), len(self.known)
        inner = np.zeros((size, size))
        outer = np.zeros((size, width))
        corner = np.zeros((width, width))
        amps = np.zeros(size)
        known_amps = np.zeros(width)
        np.fill_diagonal(inner, _LEAST_S)

        def stamp(a: str, b: str, siemens: float) -> None:
            for one, other in ((a, b), (b, a)):
                i = self.index.get(one)
                j = self.index.get(other)
                if i is not None:
                    inner[i, i] += siemens
                    if j is not None:
                        inner[i, j] -= siemens
                    else:
                        outer[i, self.known_index[other]] += siemens
                else:
                    corner[self.known_index[one], self.known_index[one]] += siemens
                    if j is None:
                        corner[self.known_index[one], self.known_index[other]] -= siemens

        def push(node: str, current: float) -> None:
            i = self.index.get(node)
            if i is not None:
                amps[i] += current
            else:
                known_amps[self.known_index[node]] -= current

        for a, b, ohm in links:
            stamp(a, b, 1.0 / max(ohm, _LEAST_OHM))
        for led, on in zip(self.leds, key[len(self.choices) :], strict=True):
            stamp(led.anode, led.cathode, 1.0 / led.ohm if on else 1e-9)
            if on:
                push(led.anode, led.forward_v / led.ohm)
                push(led.cathode, -led.forward_v / led.ohm)
        for node, current in self.injections:
            push(node, current)
        inverse = np.linalg.inv(inner)
        by_known = inverse @ outer
        free = inverse @ amps
        return _Block(
            free=free,
            by_known=by_known,
            transfer=inverse,
            admittance=corner - outer.T @ by_known,
            drawn=known_amps - outer.T @ free,
        )


class Circuit:
    """Rails and islands of one harness as it is now."""

    def __init__(
        self,
        links: Iterable[Link],
        leds: Iterable[Led],
        choices: Iterable[Choice],
        injections: Iterable[tuple[str, float]],
        fixed: Sequence[str] = (),
    ) -> None:
        self.fixed = list(fixed)
        self.known = [*RAILS, *self.fixed]
        links, leds = list(links), list(leds)
        choices, injections = list(choices), list(injections)
        groups = _groups(self.known, links, leds, choices, injections)
        self.islands = [Island(nodes, self.known) for nodes in groups]
        self.island_of = {node: isle for isle in self.islands for node in isle.nodes}
        self.rail_links: list[Link] = []
        for a, b, ohm in links:
            home = self.island_of.get(a) or self.island_of.get(b)
            (home.links if home else self.rail_links).append((a, b, ohm))
        self._place(leds, choices, injections)
        self.known_v = np.zeros(len(self.known))
        self.island_of_choice = {
            choice.name: isle for isle in self.islands for choice in isle.choices
        }

    def _place(
        self,
        leds: list[Led],
        choices: list[Choice],
        injections: list[tuple[str, float]],
    ) -> None:
        for led in leds:
            home = self.island_of.get(led.anode) or self.island_of.get(led.cathode)
            if home is not None:
                home.leds.append(led)
        for choice in choices:
            nodes = [node for links in choice.settings for a, b, _ in links for node in (a, b)]
            home = next((self.island_of[n] for n in nodes if n in self.island_of), None)
            if home is not None:
                home.choices.append(choice)
        for node, current in injections:
            home = self.island_of.get(node)
            if home is not None:
                home.injections.append((node, current))

    def settle_rails(self, sources: Sequence[Source], settings: Mapping[str, int]) -> None:
        """Rail voltages that all islands and sources agree on."""
        width = len(RAILS)
        for _ in range(6):
            before = self.known_v.copy()
            matrix = np.zeros((width, width))
            amps = np.zeros(width)
            fixed_v = self.known_v[width:]
            for island in self.islands:
                _, block, _ = island.solve(settings, self.known_v)
                matrix += block.admittance[:width, :width]
                amps -= block.drawn[:width] + block.admittance[:width, width:] @ fixed_v
            for a, b, ohm in self.rail_links:
                siemens = 1.0 / max(ohm, _LEAST_OHM)
                i, j = self.known.index(a), self.known.index(b)
                if i < width and j < width:
                    matrix[i, i] += siemens
                    matrix[j, j] += siemens
                    matrix[i, j] -= siemens
                    matrix[j, i] -= siemens
            for source in sources:
                i = RAILS.index(source.rail)
                matrix[i, i] += 1.0 / source.ohm
                amps[i] += source.volts / source.ohm
            # The ground rail is the reference: its row drops out.
            self.known_v[: width - 1] = np.linalg.solve(matrix[:-1, :-1], amps[:-1])
            if np.max(np.abs(self.known_v - before)) < 1e-6:
                break


def _groups(
    known: Sequence[str],
    links: list[Link],
    leds: list[Led],
    choices: list[Choice],
    injections: list[tuple[str, float]],
) -> list[list[str]]:
    """Sets of nodes that parts tie together, known nodes left out (union-find)."""
    parent: dict[str, str] = {}
    fixed = set(known)

    def find(node: str) -> str:
        parent.setdefault(node, node)
        while parent[node] != node:
            parent[node] = parent[parent[node]]
            node = parent[node]
        return node

    def join(nodes: Iterable[str]) -> None:
        free = [node for node in nodes if node not in fixed]
        for node in free:
            parent[find(node)] = find(free[0])

    for a, b, _ in links:
        join((a, b))
    for led in leds:
        join((led.anode, led.cathode))
    for choice in choices:
        nodes = [node for group in choice.settings for a, b, _ in group for node in (a, b)]
        join((*nodes, *(choice.supply[:2] if choice.supply else ())))
    for node, _ in injections:
        join((node,))
    groups: dict[str, list[str]] = {}
    for node in parent:
        groups.setdefault(find(node), []).append(node)
    return list(groups.values())
