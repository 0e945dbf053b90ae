"""A part of a catalogue, drawn by a seed."""

from __future__ import annotations

import random
from collections.abc import Sequence


def sampled(faults: Sequence[str], number: int, seed: int) -> list[str]:
    """So many of the faults, drawn by a seed, in their order; all of them for 0."""
    if not 0 < number < len(faults):
        return list(faults)
    chosen = set(random.Random(seed).sample(range(len(faults)), number))
    return [fault for index, fault in enumerate(faults) if index in chosen]
