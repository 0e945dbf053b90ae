"""A kind of fault in words, as a page of text."""

from __future__ import annotations

from ..errors import FaultError, nearest
from .gates import GATES
from .kinds import KINDS


def tell_kind(name: str) -> str:
    """What a kind is, how it shows, how to look for it; a whole fault's name will do.

    Raises FaultError.
    """
    kind = KINDS.get(name.partition("@")[0])
    if kind is None:
        raise FaultError(
            f"no fault kind {name!r}: expected one of {', '.join(KINDS)}{nearest(name, KINDS)}"
        )
    lines = [
        f"{kind.name}\n",
        f"What it is:    {kind.what}",
        f"How it shows:  {kind.shows}",
        f"How to look:   {kind.look}",
        f"Mistaken for:  {kind.mistaken}",
        f"Caution:       {kind.caution}",
        f"Fault model:   {kind.model}",
    ]
    for label, parameters in (("Parameter: ", kind.parameters), ("When:      ", GATES)):
        lines += [
            f"{label}    {name}={parameter.default:g} {parameter.unit} "
            f"({parameter.least:g} to {parameter.most:g})"
            for name, parameter in parameters.items()
        ]
    return "\n".join(lines)
