"""For tests of homing and diagnostic code: `pip install dryrig[testing]`.

`Homing` and its ready-made properties, `RigMachine` for stateful tests, `assert_homed`. Strategies
are in `dryrig.faults.strategies`. Light on purpose: each name is loaded when it is used, and those
that need Hypothesis say so when it is not installed.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ..faults.strategies import Arm
    from ..protocol.direct import open_rig
    from .homed import assert_homed, standings
    from .homing import Homing, Ran
    from .machine import RigMachine

__all__ = ["Arm", "Homing", "Ran", "RigMachine", "assert_homed", "open_rig", "standings"]

_LAZY = {
    "Arm": "..faults.strategies",
    "Homing": ".homing",
    "Ran": ".homing",
    "RigMachine": ".machine",
    "assert_homed": ".homed",
    "open_rig": "..protocol.direct",
    "standings": ".homed",
}
_WITH_HYPOTHESIS = ("Arm", "Homing", "Ran", "RigMachine")


def __getattr__(name: str) -> Any:
    if name not in _LAZY:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    if name in _WITH_HYPOTHESIS:
        try:
            import_module("hypothesis")
        except ImportError as error:
            raise ImportError(
                f"dryrig.testing.{name} needs Hypothesis, which is not installed here: "
                "pip install 'dryrig[testing]'"
            ) from error
    return getattr(import_module(_LAZY[name], __name__), name)
