"""A suspected fault, how strong the case is, and the volts that the rules go by."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from .findings import Symptom

# Proved by a reading at the place; fits all readings; fits, as one of a class; possible.
PROVED, FITS, CLASS, POSSIBLE = 100, 50, 20, 5

LOW_V, HIGH_V = 1.0, 2.5
# What something drives reads at least this between both rails; what floats follows the meter.
HELD_V = 4.0
# Across a lit input; below, its opto is dim.
LIT_V = 3.5
# An end that heavy current lifts off its rail, and two ends that a short keeps together.
LIFTED_V, TOGETHER_V = 0.25, 0.6
UNDERVOLTAGE_V = 12.0
# A train of steps reads as tens of millivolt, and less than this share of it is lost on the way.
PULSES_V, WEAKENED = 0.006, 0.4


@dataclass(frozen=True)
class Suspect:
    """A fault that would explain what was found. Higher weight, stronger case."""

    fault: str
    because: str
    weight: int


Rule = Callable[[Symptom], list[Suspect]]
