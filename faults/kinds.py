"""The table of fault kinds: what each is in iron, how it shows, how one looks for it.

Every kind is a preset over five primitives: set a resistance, bridge two nodes, permute
conductors, set a part's parameter, filter the line. Symptoms are common practice, no published
source; the fault models named are those of ISO 13849-2:2012 annex D and IEC 61508-2:2010 table A.1
(numbering from memory).
"""

from __future__ import annotations

from ..sim.plugs import plug_of
from . import kinds_card, kinds_harness, kinds_line, kinds_meter, kinds_motion, kinds_sensing
from .kind import Kind

__all__ = ["KINDS", "Kind", "plug_of"]

KINDS: dict[str, Kind] = {
    kind.name: kind
    for table in (kinds_harness, kinds_motion, kinds_sensing, kinds_card, kinds_meter, kinds_line)
    for kind in table.KINDS
}
"""All kinds by name."""
