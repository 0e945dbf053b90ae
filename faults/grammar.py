"""Reading and writing faults: `KIND@PLACE[/PLACE][,parameter=value…]`.

Besides its kind's own parameters a fault takes those of a gate, which say when it acts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from ..errors import FaultError, nearest
from .gates import GATES, Parameter
from .kinds import KINDS, Kind


@dataclass(frozen=True)
class Fault:
    """One fault, read and checked for form; its places are checked when it is placed."""

    kind: Kind
    places: tuple[str, ...]
    values: dict[str, float] = field(default_factory=dict)

    @property
    def text(self) -> str:
        """The fault in its grammar, parameters only where they differ from the kind's own."""
        extra = "".join(
            f",{name}={value:g}"
            for name, value in self.values.items()
            if value != parameters_of(self.kind)[name].default
        )
        return f"{self.kind.name}@{'/'.join(self.places)}{extra}"


def parse_fault(text: str) -> Fault:
    """Read a fault.

    Raises `FaultError` that says what came, what was expected and the nearest name.
    """
    head, _, tail = text.strip().partition(",")
    name, at, place = head.partition("@")
    if not at or not name or not place:
        raise FaultError(
            f"fault {text!r}: expected KIND@PLACE[,parameter=value], e.g. 'open@J3.DIR'"
        )
    kind = KINDS.get(name)
    if kind is None:
        raise FaultError(
            f"fault {text!r}: no kind {name!r}{nearest(name, KINDS)}; kinds: {', '.join(KINDS)}"
        )
    places = tuple(place.split("/"))
    if len(places) != kind.places or not all(places):
        wanted = "two places, PLACE/PLACE" if kind.places == 2 else "one place"
        raise FaultError(f"fault {text!r}: {name} takes {wanted}, got {place!r}")
    if len(set(places)) != len(places):
        raise FaultError(f"fault {text!r}: the two places are the same")
    return Fault(kind, places, _values(text, kind, tail))


def parameters_of(kind: Kind) -> dict[str, Parameter]:
    """All that a fault of this kind takes: the kind's own and the gate's."""
    return {**kind.parameters, **GATES}


def _values(text: str, kind: Kind, tail: str) -> dict[str, float]:
    taken = parameters_of(kind)
    values = {name: parameter.default for name, parameter in taken.items()}
    given: set[str] = set()
    for item in filter(None, tail.split(",")):
        name, equals, number = item.partition("=")
        parameter = taken.get(name)
        if parameter is None:
            raise FaultError(
                f"fault {text!r}: {kind.name} has no parameter {name!r}"
                f"{nearest(name, taken)}; it takes {', '.join(taken)}"
            )
        try:
            value = float(number)
        except ValueError:
            value = math.nan
        if not equals or not parameter.takes(value):
            kind_of = "a whole number, " if parameter.whole else ""
            raise FaultError(
                f"fault {text!r}: {name}: got {number!r}, expected {kind_of}{parameter.least:g} to "
                f"{parameter.most:g} {parameter.unit}"
            )
        if name in given:
            raise FaultError(f"fault {text!r}: {name} is given twice")
        given.add(name)
        values[name] = value
    for low, high in (("from", "to"), ("low", "high")):
        if values[low] >= values[high]:
            raise FaultError(
                f"fault {text!r}: {low}={values[low]:g} must lie below {high}={values[high]:g}, "
                "or it never acts"
            )
    return values
