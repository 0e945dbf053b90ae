"""How the arm stands on its table: firmly, or on a mount that gives under the load.

A loose mount lets the base lean by so much for each N·m about its foot: those of the arm's own
weight, which reaches out, and of a person who leans on it. Fractions of a degree: levels see them;
what the drives carry changes by less than a hundredth, and is left as it is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from .body import Body
from .parts import Parts

WAYS = {"FORWARD": (1.0, 0.0), "BACK": (-1.0, 0.0), "LEFT": (0.0, 1.0), "RIGHT": (0.0, -1.0)}
"""Ways to push the base, in its own x and y."""


class Base:
    """The mount. `pushed` is where a person leans on it with a moment of `push_n_m`, if at all."""

    def __init__(self, body: Body, push_n_m: float) -> None:
        self._body, self._push_n_m = body, push_n_m
        self._rad_per_n_m = 0.0
        self.pushed: str | None = None

    def fit(self, parts: Parts) -> None:
        """Take the parts' parameters."""
        self._rad_per_n_m = math.radians(parts.parameter("BASE", "deg_per_n_m"))

    def lean_rad(self, position: Sequence[float]) -> tuple[float, float] | None:
        """How far the base leans towards its own x and y, for these joint angles; None: firm."""
        if not self._rad_per_n_m:
            return None
        weight = self._body.overhang_n_m(position)
        way = WAYS[self.pushed] if self.pushed else (0.0, 0.0)
        x, y = (
            self._rad_per_n_m * (own + self._push_n_m * part)
            for own, part in zip(weight, way, strict=True)
        )
        return x, y
