"""Suspects behind a meter that is not proved."""

from __future__ import annotations

from .findings import Symptom
from .suspect import CLASS, FITS, LOW_V, Suspect


def meter(symptom: Symptom) -> list[Suspect]:
    """Its leads, or where they are put."""
    readings = symptom.readings
    source_v, ohm = readings.get("source_v"), readings.get("together_ohm", 0.0)
    if (source_v is not None and source_v < LOW_V) or ohm > LOW_V:
        because = "the meter shows neither a known source nor that its leads touch"
        if source_v is not None and source_v >= LOW_V:
            because = f"volts are right, its leads together read {ohm:.1f} ohm"
            return [Suspect("lead@METER", because, FITS)]
        return [Suspect(fault, because, CLASS) for fault in ("lead@METER", "amps@METER")]
    because = "the same rail reads otherwise against 0 V at a part: what was taken for 0 V is not"
    return [Suspect("chassis@METER", because, FITS)]
