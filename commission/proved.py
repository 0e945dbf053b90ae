"""The meter proved, once a reading is not as it should be (common practice, no published source).

A broken lead, a lead in the amps socket or a black lead on bare metal makes sound parts look bad:
what stands on such readings is no finding.
"""

from __future__ import annotations

from .findings import Check, Kind, Symptom, judged
from .station import Station

SOURCE = ("PROVE.+", "PROVE.-")
ZERO = "RAIL.0V"
SOURCE_SHARE = 0.05
TOGETHER_OHM = 1.0
# Of the same rail, once against 0 V at the card and once against 0 V at a part.
AGREES_SHARE, AGREES_V = 0.03, 0.1


def proved(station: Station, name: str, *, live: bool) -> Check | None:
    """None when the meter reads a known source, nothing between its leads, and 0 V as 0 V.

    Otherwise a check of that name that failed. Ohms are left out while supplies are on (`live`).
    """
    hand, known = station.hand, station.arm.gauges.proving
    station.progress(f"{name}: prove the meter")
    readings: dict[str, float] = {}
    words, bad = [], False
    if known is not None:
        readings["source_v"] = volts = hand.volts(*SOURCE)
        bad |= abs(volts - known.volts) > SOURCE_SHARE * known.volts
        words.append(f"of a source of {known.volts:g} V it reads {volts:.2f} V")
    if live:
        first = station.arm.joints[0]
        readings["rail_v"] = at_card = station.to_ground("RAIL.5V")
        readings["part_v"] = at_part = hand.volts("RAIL.5V", f"{first.name}.OPTO0V")
        off_v = abs(at_card - at_part)
        bad |= at_part > 1.0 and off_v > AGREES_V + AGREES_SHARE * at_part
        words.append(f"5 V reads {at_card:.2f} V against {ZERO}, {at_part:.2f} V against a part's")
    else:
        readings["together_ohm"] = ohm = hand.ohms(ZERO, ZERO)
        bad |= ohm > TOGETHER_OHM
        words.append(f"its leads together read {'open' if ohm > 1e6 else f'{ohm:.1f} ohm'}")
    if not bad:
        return None
    symptom = Symptom(Kind.METER, None, readings)
    return judged(name, None, [symptom], f"the meter: {'; '.join(words)}")
