"""What the pins did over rig time, as a running digest of edges.

An edge is (tick, signal, level). Nothing is kept but their number and a SHA-256 over them in the
order they happened, signal by signal, so that two runs can be compared bit for bit.
"""

from __future__ import annotations

import hashlib
import struct
from typing import Any


class Trace:
    """Off until `start`; costs nothing while off."""

    def __init__(self) -> None:
        self.on = False
        self.edges = 0
        self._hashes: dict[str, Any] = {}

    def start(self) -> None:
        """Begin anew."""
        self.on = True
        self.edges = 0
        self._hashes = {}

    def edge(self, tick: int, signal: str, level: int) -> None:
        """Note one edge."""
        if not self.on:
            return
        digest = self._hashes.get(signal)
        if digest is None:
            digest = self._hashes[signal] = hashlib.sha256(signal.encode())
        digest.update(struct.pack("<qb", tick, level))
        self.edges += 1

    def digest(self) -> str:
        """SHA-256 over every signal's edges, hexadecimal."""
        whole = hashlib.sha256()
        for signal in sorted(self._hashes):
            whole.update(self._hashes[signal].digest())
        return whole.hexdigest()
