"""What the card's floating inputs pick up when several cables hang on the same conductors.

Each input couples mains current into its own cable and has its own leakage, wander and capacitance;
what they make together is one phasor solve over the island (IEC's complex notation: peak values).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from .cable import Cable
    from .solved import Solved

_APART = 1e-2
"""The part of an input's own source resistance below which another does not count."""


class PickUp(NamedTuple):
    """Of one input: hum and the chopper's tone (peak phasors, V), capacitance at it (F), wander of
    each input (ohms).
    """

    hum_v: complex
    chop_v: complex
    farad: float
    wander: tuple[tuple[Cable, float], ...]


def hum_v(solved: Solved, pins: Sequence[Cable], node: str) -> complex:
    """Peak phasor of the mains hum at a node, V, with these inputs' currents and capacitances."""
    return _phasor_v(solved, pins, node, lambda pin: pin.hum())


def chop_v(solved: Solved, pins: Sequence[Cable], node: str) -> complex:
    """The same of what the drives' choppers couple in."""
    if not any(pin.chop()[0] for pin in pins):
        return 0j
    return _phasor_v(solved, pins, node, lambda pin: pin.chop())


def _phasor_v(
    solved: Solved,
    pins: Sequence[Cable],
    node: str,
    coupled: Callable[[Cable], tuple[complex, complex]],
) -> complex:
    names = [pin.name for pin in pins]
    amps, siemens = (np.array(each) for each in zip(*map(coupled, pins), strict=True))
    among = solved.transfer_ohm(names, names)
    pin_v = np.linalg.solve(np.eye(len(pins)) + among * siemens, among @ amps)
    return complex((solved.transfer_ohm([node], names) @ (amps - siemens * pin_v))[0])


def pick_up(pins: Mapping[str, Cable], solved: Solved, name: str) -> PickUp | None:
    """What an input picks up together with others; None when it is alone."""
    names = [other for other in pins if solved.has(other)]
    ohms = dict(zip(names, solved.transfer_ohm([name], names)[0].tolist(), strict=True))
    near = {other: ohm for other, ohm in ohms.items() if ohm > _APART * ohms[name]}
    if len(near) == 1:
        return None
    coupled = [pins[other] for other in near]
    farad = sum(ohm * pins[other].farad for other, ohm in near.items()) / ohms[name]
    wander = tuple((pins[other], ohm) for other, ohm in near.items())
    hum, chop = (phasor(solved, coupled, name) for phasor in (hum_v, chop_v))
    return PickUp(hum, chop, farad, wander)
