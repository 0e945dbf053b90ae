"""Figures of a scene that carry a distribution.

Wherever a scene says a number it may say a table instead: `{ nominal = 1.2, spread = 0.05 }` (even,
a fraction either way), `{ nominal = 1.2, sigma = 0.02 }` (normal, cut off at 3 sigma) or
`{ nominal = 1.2, plus_minus = 0.3 }` (even, in the figure's own unit). A figure is named by its
path, `joint.J2.motor.holding_n_m`; a place in a list counts from 0.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from ..errors import SceneError, nearest

WIDTHS = ("spread", "sigma", "plus_minus")
CUT_SIGMA = 3.0


class Spread(NamedTuple):
    """How one figure is distributed; `width` as its kind, one of `WIDTHS`, means it."""

    nominal: float
    kind: str
    width: float

    @property
    def half(self) -> float:
        """How far a drawn figure lies from the nominal one at most."""
        scale = {"spread": abs(self.nominal), "sigma": CUT_SIGMA, "plus_minus": 1.0}
        return self.width * scale[self.kind]

    def draw(self, generator: random.Random) -> float:
        """One drawn figure."""
        if self.kind != "sigma":
            return self.nominal + self.half * generator.uniform(-1, 1)
        while True:
            sigmas = generator.gauss(0, 1)
            if abs(sigmas) <= CUT_SIGMA:
                return self.nominal + self.width * sigmas


def take_spreads(data: Any, path: str = "") -> tuple[Any, dict[str, Spread]]:
    """A scene's data with nominal numbers only, and the spreads by path.

    Raises `SceneError` that names the figure for a table that is no distribution.
    """
    spreads: dict[str, Spread] = {}
    if isinstance(data, dict) and "nominal" in data:
        spread = _read(data, path)
        return data["nominal"], {path: spread}
    plain: Any = data
    if isinstance(data, dict):
        plain = {}
        for key, value in data.items():
            plain[key], found = take_spreads(value, _below(path, str(key)))
            spreads |= found
    elif isinstance(data, list):
        plain = []
        for number, value in enumerate(data):
            item, found = take_spreads(value, _below(path, _name(value, number)))
            plain.append(item)
            spreads |= found
    return plain, spreads


def put_figures(data: Any, figures: Mapping[str, float], path: str = "") -> Any:
    """A copy of a scene's data with these figures, by path, instead of the nominal ones."""
    if path in figures:
        return figures[path]
    if isinstance(data, dict):
        return {
            key: put_figures(value, figures, _below(path, str(key))) for key, value in data.items()
        }
    if isinstance(data, list | tuple):
        return [
            put_figures(value, figures, _below(path, _name(value, number)))
            for number, value in enumerate(data)
        ]
    return data


def extremes(spreads: Mapping[str, Spread]) -> Iterator[dict[str, float]]:
    """All figures at their least, then all at their greatest."""
    for sign in (-1, 1):
        yield {path: spread.nominal + sign * spread.half for path, spread in spreads.items()}


def _below(path: str, key: str) -> str:
    return f"{path}.{key}" if path else key


def _name(item: Any, number: int) -> str:
    return str(item.get("name", number)) if isinstance(item, dict) else str(number)


def _read(table: dict[str, Any], path: str) -> Spread:
    kinds = [key for key in table if key != "nominal"]
    if len(kinds) != 1 or kinds[0] not in WIDTHS:
        hint = next((nearest(kind, WIDTHS) for kind in kinds if kind not in WIDTHS), "")
        raise SceneError(
            f"{path}: got {', '.join(kinds) or 'nothing'} beside nominal{hint}; expected exactly "
            f"one of {', '.join(WIDTHS)}"
        )
    for key, value in table.items():
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if not number or not math.isfinite(value) or (key != "nominal" and value < 0):
            expected = "a number" if key == "nominal" else "a number, 0 or more"
            raise SceneError(f"{path}: {key}: got {value!r}, expected {expected}")
    return Spread(float(table["nominal"]), kinds[0], float(table[kinds[0]]))
