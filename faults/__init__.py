"""Faults: their grammar, their table, the catalogue of an arm, putting them in."""

import sys

from .catalogue import chosen_faults, enumerate_faults
from .grammar import Fault, parse_fault
from .inject import Injector
from .kinds import KINDS, Kind

if "hypothesis" in sys.modules:
    from . import strategies as strategies

__all__ = [
    "KINDS",
    "Fault",
    "Injector",
    "Kind",
    "chosen_faults",
    "enumerate_faults",
    "parse_fault",
]
