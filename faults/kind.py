"""What an entry of the table of fault kinds holds, and the five primitives it is made of."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from ..sim.parts import Parts
from ..sim.plugs import plug_of
from .gates import Parameter
from .line import Filter

OPEN_OHM = 1e12

Where = Literal["conductor", "node", "part", "plug", "line"]
Apply = Callable[[Parts, tuple[str, ...], Mapping[str, float]], None]


@dataclass(frozen=True)
class Kind:
    """One entry of the table. `apply` changes parts; a kind on the line has a filter, `line`.

    `parts` are the sorts of part that a kind "part" sits on (`ENC`, `PIN`, `RAIL`). The catalogue
    lists a place with the kind's own values, and once more with each of `variants`
    (`channel=2`). `mistaken` names what the symptom is easily taken for (common practice, no
    published source).
    """

    name: str
    where: Where
    places: int = 1
    parts: tuple[str, ...] = field(default=(), kw_only=True)
    what: str = field(kw_only=True)
    shows: str = field(kw_only=True)
    look: str = field(kw_only=True)
    mistaken: str = field(kw_only=True)
    caution: str = field(kw_only=True)
    model: str = field(kw_only=True)
    apply: Apply | None = field(default=None, kw_only=True)
    line: Filter | None = field(default=None, kw_only=True)
    parameters: Mapping[str, Parameter] = field(default_factory=dict, kw_only=True)
    variants: tuple[str, ...] = field(default=(), kw_only=True)


def open_circuit(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
    """Break a conductor."""
    parts.set_resistance(places[0], OPEN_OHM)


def resist(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
    """Add `ohm` to a conductor, up to an open circuit."""
    parts.set_resistance(places[0], min(parts.ohm[places[0]] + values["ohm"], OPEN_OHM))


def short(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
    """Bridge two conductors, each where it now ends, or a conductor and a rail, with `ohm`."""
    one, other = (parts.far_end.get(place, place) for place in places)
    parts.bridge(one, other, values["ohm"])


def swap(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
    """Exchange the far ends of two conductors."""
    parts.permute(*places)


def _pins(parts: Parts, plug: str) -> list[str]:
    return [conductor for conductor in parts.far_end if plug_of(conductor) == plug]


def unplug(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
    """Break every conductor of a plug."""
    for pin in _pins(parts, places[0]):
        parts.set_resistance(pin, OPEN_OHM)


def cross(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
    """Exchange two plugs of one sort, pin by pin."""
    for one, other in zip(*(_pins(parts, plug) for plug in places), strict=True):
        parts.permute(one, other)


def soak(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
    """Bridge the common of a switch with both throws."""
    for throw in ("NC", "NO"):
        parts.bridge(f"{places[0]}.COM", f"{places[0]}.{throw}", values["ohm"])


def setting(*names: str, **fixed: float) -> Apply:
    """Set parameters of the part at the place: each `fault parameter=part parameter`.

    Those in `fixed` get the same value always.
    """
    pairs = [tuple(name.split("=")) for name in names]

    def apply(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
        for ours, theirs in pairs:
            parts.set_parameter(f"{places[0]}.{theirs}", values[ours])
        for name, value in fixed.items():
            parts.set_parameter(f"{places[0]}.{name}", value)

    return apply


def choose(name: str, *settings: tuple[str, float]) -> Apply:
    """Set one parameter of the part by the number that `name` is given, counted from 1."""

    def apply(parts: Parts, places: tuple[str, ...], values: Mapping[str, float]) -> None:
        ours, value = settings[round(values[name]) - 1]
        parts.set_parameter(f"{places[0]}.{ours}", value)

    return apply


POWER_OFF = "Switch off, lock off, wait, prove the meter, prove dead before ohms or a plug."
