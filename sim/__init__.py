"""The plant: bodies, drives, encoders, switches, harness, circuit, card, gauges, trace, clock."""

from .axis import ACCELERATION_LIMITS, RATE_LIMITS, Latch
from .card import Card
from .clock import TICKS_PER_S, seconds, ticks
from .rig import Rig

__all__ = [
    "ACCELERATION_LIMITS",
    "RATE_LIMITS",
    "TICKS_PER_S",
    "Card",
    "Latch",
    "Rig",
    "seconds",
    "ticks",
]
