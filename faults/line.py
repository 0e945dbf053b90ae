"""Fifth primitive: filters on the serial line, bytes in and bytes out."""

from __future__ import annotations

import random


class DropBytes:
    """Loses each byte with a probability, by its own seeded generator."""

    def __init__(self, per_byte: float, seed: int) -> None:
        self._per_byte = per_byte
        self._random = random.Random(f"{seed}:line.drop")

    def __call__(self, data: bytes, to_host: bool) -> bytes:
        """What arrives of `data`; both directions suffer alike."""
        return bytes(byte for byte in data if self._random.random() >= self._per_byte)
