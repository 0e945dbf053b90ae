"""Many rigs: the same commissioning of many arms and faults, and what comes of them all."""

from .evidence import Evidence, Spread, evidence_of
from .latency import Finding, Tally, study_latency

__all__ = ["Evidence", "Finding", "Spread", "Tally", "evidence_of", "study_latency"]
