"""The reference commissioning of a rig in this process, with a fault in it or none."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from urllib.parse import quote

from ..commission.hand import PortHand
from ..commission.line import Line
from ..commission.result import Result
from ..commission.run import commission
from ..scenes import scene_path

_NUMBERS = itertools.count()


def address(
    scene: str, seed: int, fault: str = "", start_deg: Sequence[float] | None = None
) -> str:
    """The URL of a new rig in this process, with a fault in it or none."""
    url = f"dryrig://{scene}?seed={seed}&rig=bench{next(_NUMBERS)}"
    url += f"&fault={quote(fault, safe='')}" if fault else ""
    return url + (f"&start={','.join(f'{deg:g}' for deg in start_deg)}" if start_deg else "")


def commissioned(scene: str, seed: int, fault: str = "") -> Result:
    """The reference commissioning of a new rig. Raises CommissionError."""
    url = address(scene, seed, fault)
    with Line.open(f"{url}&port=hands", "hands") as hands:
        return commission(url, PortHand(hands), scene_path(scene))
