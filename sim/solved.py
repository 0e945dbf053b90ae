"""One reading of the circuit: an island's volts and source resistances, as things are."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from .circuit import Array, Circuit, Island


class Solved:
    """An island's volts for one reading: volts and source resistance by node."""

    def __init__(
        self, circuit: Circuit, settings: Mapping[str, int], island: Island | None
    ) -> None:
        self._known = circuit.known_v
        self._known_index = {node: i for i, node in enumerate(circuit.known)}
        self._island = island
        if island is not None:
            self.volts, self._block, self.lit = island.solve(settings, self._known)

    def volt(self, node: str) -> float:
        """Volts of a node against the 0 V rail."""
        if self._island is not None and node in self._island.index:
            return float(self.volts[self._island.index[node]])
        return float(self._known[self._known_index[node]])

    def has(self, node: str) -> bool:
        """Whether a node lies in this island."""
        return self._island is not None and node in self._island.index

    def transfer_ohm(self, at: Sequence[str], of: Sequence[str]) -> Array:
        """Volts at nodes for an ampere into others, ohms, shape (len(at), len(of))."""
        assert self._island is not None
        rows, columns = ([self._island.index[node] for node in nodes] for nodes in (at, of))
        return self._block.transfer[np.ix_(rows, columns)]

    def source_ohm(self, node: str) -> float:
        """Thevenin resistance at a node; rails count as 0."""
        if self._island is not None and node in self._island.index:
            at = self._island.index[node]
            return float(self._block.transfer[at, at])
        return 0.0
