"""Volts of a node over time, solved anew from the circuits and settings of each moment.

These are the solved DC volts; hum and drift of a floating node are not in them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from .circuit import Array, Circuit, Island
from .crossings import Crossings
from .disc import Disc
from .wave import Floats, Ints


class Solution(NamedTuple):
    """From `tick` on: a circuit, the volts of its rails, the setting of every contact.

    `discs` by their setting's name (`J1.ENC`).
    """

    tick: int
    circuit: Circuit
    known_v: Array
    settings: dict[str, int]
    discs: Mapping[str, Disc]


class NodeVolts:
    """Volts of nodes over a series of solutions; `passed` by a disc's setting's name."""

    def __init__(self, solutions: Sequence[Solution], passed: dict[str, Crossings]) -> None:
        self._solutions = solutions
        self._passed = passed
        self._solved: dict[tuple[object, ...], Array] = {}

    def of(self, node: str) -> tuple[Ints, Floats]:
        """Ticks and volts whenever anything around a node changed."""
        ticks: list[Ints] = []
        volts: list[Floats] = []
        ends = [solution.tick for solution in self._solutions[1:]] + [None]
        for solution, end in zip(self._solutions, ends, strict=True):
            found = self._during(solution, end, node)
            ticks.append(found[0])
            volts.append(found[1])
        return np.concatenate(ticks), np.concatenate(volts)

    def _during(self, solution: Solution, end: int | None, node: str) -> tuple[Ints, Floats]:
        circuit = solution.circuit
        island = circuit.island_of.get(node)
        if island is None:
            known = solution.known_v[circuit.known.index(node)]
            return np.array([solution.tick]), np.array([known])
        names = [choice.name for choice in island.choices if choice.name in self._passed]
        tick, states = self._states(names, solution, end)
        rows, which = np.unique(states, axis=0, return_inverse=True)
        at = island.index[node]
        volts = [self._solve(solution, island, zip(names, row, strict=True))[at] for row in rows]
        return tick, np.array(volts)[which.ravel()]

    def _states(
        self, names: Sequence[str], solution: Solution, end: int | None
    ) -> tuple[Ints, Ints]:
        """Every tick at which one of these discs enters a quarter cycle, and all their states."""
        begin = solution.tick
        ticks = [np.array([begin])]
        for name in names:
            passed = self._passed[name].tick
            ticks.append(passed[(passed > begin) & (passed < end if end is not None else True)])
        tick = np.unique(np.concatenate(ticks))
        states = np.zeros((len(tick), len(names)), dtype=np.int64)
        for column, name in enumerate(names):
            passes = self._passed[name]
            entered = np.append(passes.start, passes.position)
            entered = entered[np.searchsorted(passes.tick, tick, side="right")]
            states[:, column] = solution.discs[name].state_in(entered)
        return tick, states

    def _solve(
        self, solution: Solution, island: Island, turned: Iterable[tuple[str, int]]
    ) -> Array:
        settings = solution.settings | {name: int(state) for name, state in turned}
        wanted = tuple(settings[choice.name] for choice in island.choices)
        key = (id(island), wanted, solution.known_v.tobytes())
        found = self._solved.get(key)
        if found is None:
            found = self._solved[key] = island.solve(settings, solution.known_v)[0]
        return found
