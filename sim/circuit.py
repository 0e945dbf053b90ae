"""Nodal analysis of the harness by rails and islands.

Nodes tied together by parts, rails left out, form an island. An island is solved once for every
setting of its contacts, as a linear function of the rail voltages (Schur complement), and kept.
The rails are then a system of three unknowns into which every island enters with its own
admittance, so that a short in one cable pulls down what hangs on the same rail, exactly.

Parts: resistors; LEDs (piecewise linear: forward voltage and resistance while lit);
choices (a set of resistors for each setting of a contact or output); injected currents.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Link = tuple[str, str, float]

GROUND = "RAIL.0V"
RAILS = ("RAIL.24V", "RAIL.5V", "RAIL.3V3", GROUND)
OPEN_OHM = 1e12
RAILS_MOVED_V = 0.1
_LEAST_S = 1e-13  # keeps a node that hangs on nothing solvable
_LEAST_OHM = 1e-6
_DARK_S = 1e-9  # an LED below its forward voltage


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
    """What feeds a rail: a voltage behind a resistance, up to a current limit."""

    rail: str
    volts: float
    ohm: float
    limit_a: float = math.inf


class Netlist(NamedTuple):
    """All parts of a harness: what a circuit is built from. `fixed` nodes have known volts."""

    links: Sequence[Link]
    leds: Sequence[Led]
    choices: Sequence[Choice]
    injections: Sequence[tuple[str, float]]
    fixed: Sequence[str] = ()


class _Block(NamedTuple):
    """One solved setting: node volts = free + by_known @ known volts; `transfer` in ohms:
    its diagonal is the source resistance at each node.
    """

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
        self._base: _Stamp | None = None
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
        hint = self._hints.get(wanted)
        if hint is None:  # most likely each LED follows the output of its own name
            hint = tuple(bool(settings.get(led.name, 0)) for led in self.leds)
        key = (*wanted, *hint)
        count = len(self.choices)
        for _ in range(4 + 2 * len(self.leds)):
            if key not in self._blocks:
                self._blocks[key] = self._factor(key)
            block = self._blocks[key]
            volts = block.free + block.by_known @ known_v
            if not self._tried:
                break
            all_v = [*volts.tolist(), *known_v.tolist()]
            better = (*self._fed(wanted, key, all_v), *self._lit(all_v))
            if better == key:
                break
            key = better
        self._hints[wanted] = key[count:]
        return volts, block, tuple(bool(lit) for lit in key[count:])

    @cached_property
    def _tried(self) -> bool:
        """Whether anything here depends on the volts it makes."""
        return bool(self.leds or self._supplied)

    @cached_property
    def _supplied(self) -> list[tuple[int, int, int, float, int]]:
        """Choices that can starve: which, the places of their supply, least volts, starved."""
        return [
            (which, self._at(plus), self._at(minus), least, len(choice.settings) - 1)
            for which, choice in enumerate(self.choices)
            if choice.supply is not None
            for plus, minus, least in [choice.supply]
        ]

    @cached_property
    def _junctions(self) -> list[tuple[int, int, float]]:
        """Places of the LEDs' anodes and cathodes, and their forward volts."""
        return [(self._at(led.anode), self._at(led.cathode), led.forward_v) for led in self.leds]

    def _at(self, node: str) -> int:
        """A node's place among the volts of the island's own nodes, then of the known ones."""
        own = self.index.get(node)
        return own if own is not None else len(self.nodes) + self.known_index[node]

    def _fed(
        self, wanted: tuple[int, ...], key: tuple[int | bool, ...], all_v: Sequence[float]
    ) -> Sequence[int]:
        if not self._supplied:
            return wanted
        result = list(wanted)
        for which, plus, minus, least, starved in self._supplied:
            # A part that starves once stays so in this solve: no hunting.
            if all_v[plus] - all_v[minus] < least or key[which] == starved:
                result[which] = starved
        return result

    def _lit(self, all_v: Sequence[float]) -> list[bool]:
        return [all_v[a] - all_v[c] > forward_v for a, c, forward_v in self._junctions]

    def led_amps(self, lit: Sequence[bool], volts: Array, known_v: Array) -> list[float]:
        """Current of each LED, A."""
        all_v = [*volts.tolist(), *known_v.tolist()]
        return [
            (all_v[a] - all_v[c] - forward_v) / led.ohm if on else 0.0
            for led, on, (a, c, forward_v) in zip(self.leds, lit, self._junctions, strict=True)
        ]

    def _factor(self, key: tuple[int | bool, ...]) -> _Block:
        if self._base is None:
            self._base = _Stamp(self)
            for a, b, ohm in self.links:
                self._base.tie(a, b, 1.0 / max(ohm, _LEAST_OHM))
            for node, current in self.injections:
                self._base.push(node, current)
        stamp = self._base.copy()
        for choice, setting in zip(self.choices, key, strict=False):
            for a, b, ohm in choice.settings[setting]:
                stamp.tie(a, b, 1.0 / max(ohm, _LEAST_OHM))
        for led, on in zip(self.leds, key[len(self.choices) :], strict=True):
            # The leak stays while it is lit: else both would hold where less than it flows.
            stamp.tie(led.anode, led.cathode, _DARK_S + (1.0 / led.ohm if on else 0.0))
            if on:
                stamp.push(led.anode, led.forward_v / led.ohm)
                stamp.push(led.cathode, -led.forward_v / led.ohm)
        return stamp.solve()


class _Stamp:
    """Conductances and currents of an island while they are being added up."""

    def __init__(self, island: Island) -> None:
        self._place = {node: i for i, node in enumerate([*island.nodes, *island.known])}
        self._size = len(island.nodes)
        whole = len(self._place)
        self._siemens = np.zeros((whole, whole))
        self._amps = np.zeros(whole)
        for i in range(self._size):
            self._siemens[i, i] = _LEAST_S

    def copy(self) -> _Stamp:
        twin = object.__new__(_Stamp)
        twin._place, twin._size = self._place, self._size
        twin._siemens, twin._amps = self._siemens.copy(), self._amps.copy()
        return twin

    def tie(self, a: str, b: str, siemens: float) -> None:
        i, j = self._place[a], self._place[b]
        self._siemens[i, i] += siemens
        self._siemens[j, j] += siemens
        self._siemens[i, j] -= siemens
        self._siemens[j, i] -= siemens

    def push(self, node: str, amps: float) -> None:
        self._amps[self._place[node]] += amps

    def solve(self) -> _Block:
        """Eliminate the inner nodes (Schur complement)."""
        size = self._size
        inverse: Array = np.linalg.inv(self._siemens[:size, :size]).astype(np.float64, copy=False)
        outer = -self._siemens[:size, size:]
        by_known = inverse @ outer
        free = inverse @ self._amps[:size]
        return _Block(
            free=free,
            by_known=by_known,
            transfer=inverse,
            admittance=self._siemens[size:, size:] - outer.T @ by_known,
            drawn=-self._amps[size:] - outer.T @ free,
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
        # One of each island, and what lies between rails.
        self._number = {id(island): number for number, island in enumerate(self.islands)}
        self._shares = np.zeros((len(self.islands) + 1, len(RAILS), len(RAILS) + 1))
        self._shares[-1] = self._between_rails()
        self._settled, self._agreed_v = False, self.known_v.copy()
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

    def settle_rails(
        self, sources: Sequence[Source], settings: Mapping[str, int], changed: Island | None = None
    ) -> None:
        """Rail voltages that all islands and sources agree on.

        With `changed`, only that island's share is taken anew, unless the rails move so far that
        others may see it.
        """
        if changed is not None and self._settled:
            self._take_share(changed, settings)
            self._solve_rails(sources)
            if np.abs(self.known_v - self._agreed_v).max() < RAILS_MOVED_V:
                return
        for _ in range(6):
            before = self.known_v.copy()
            for island in self.islands:
                self._take_share(island, settings)
            self._solve_rails(sources)
            if np.abs(self.known_v - before).max() < 1e-6:
                break
        self._settled, self._agreed_v = True, self.known_v.copy()

    def _take_share(self, island: Island, settings: Mapping[str, int]) -> None:
        """What an island is to the rails now: admittances (S) and, last, a current (A)."""
        block = island.solve(settings, self.known_v)[1]
        width, share = len(RAILS), self._shares[self._number[id(island)]]
        share[:, :width] = block.admittance[:width, :width]
        share[:, width] = -block.drawn[:width]
        if self.fixed:
            share[:, width] -= block.admittance[:width, width:] @ self.known_v[width:]

    def _between_rails(self) -> Array:
        """The share of what lies between two rails."""
        width = len(RAILS)
        share = np.zeros((width, width + 1))
        for a, b, ohm in self.rail_links:
            siemens = 1.0 / max(ohm, _LEAST_OHM)
            i, j = self.known.index(a), self.known.index(b)
            if i < width and j < width:
                share[i, i] += siemens
                share[j, j] += siemens
                share[i, j] -= siemens
                share[j, i] -= siemens
        return share

    def _solve_rails(self, sources: Sequence[Source]) -> None:
        width = len(RAILS)
        total = self._shares.sum(axis=0)
        matrix, amps = total[:, :width], total[:, width]
        limited: set[str] = set()
        for _ in range(len(sources) + 1):
            whole, fed = matrix.copy(), amps.copy()
            for source in sources:
                i = RAILS.index(source.rail)
                if source.rail in limited:
                    fed[i] += source.limit_a
                else:
                    whole[i, i] += 1.0 / source.ohm
                    fed[i] += source.volts / source.ohm
            # The ground rail is the reference: its row drops out.
            self.known_v[: width - 1] = np.linalg.solve(whole[:-1, :-1], fed[:-1])
            over = {
                source.rail
                for source in sources
                if (source.volts - self.known_v[RAILS.index(source.rail)]) / source.ohm
                > source.limit_a
            }
            if over <= limited:
                break
            limited |= over


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
