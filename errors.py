"""Every error the project raises on purpose.

DryrigError
 +-- SceneError (ValueError)      a scene that cannot be loaded
 +-- FaultError (ValueError)      a fault that cannot be read or placed
 +-- TraceError (ValueError)      a trace that cannot be read, written or searched
 +-- UnknownTerminal (KeyError)   a terminal the harness does not have
 +-- UnknownPlug (KeyError)       a plug the harness does not have
 +-- CardBusy (RuntimeError)      an axis told to move while it moves
 +-- HandBusy (RuntimeError)      a hand told to act while it acts
 +-- NoBrake (ValueError)         a brake's lever where there is none
 +-- StopPressed (RuntimeError)   power asked for while the STOP button is in
 +-- LiveCircuit (RuntimeError)   ohms asked of a circuit that is not dead
 +-- NoRoom (ValueError)          an object that does not fit between the fingers
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable


class DryrigError(Exception):
    """Base of the project's errors; its text is fit to be shown to a user."""

    def __str__(self) -> str:
        return str(self.args[0]) if self.args else self.__class__.__name__


class SceneError(DryrigError, ValueError):
    """A scene that cannot be loaded."""


class FaultError(DryrigError, ValueError):
    """A fault that cannot be read or placed."""


class TraceError(DryrigError, ValueError):
    """A trace that cannot be read, written or searched."""


class UnknownTerminal(DryrigError, KeyError):
    """A terminal the harness does not have."""


class UnknownPlug(DryrigError, KeyError):
    """A plug the harness does not have."""


class CardBusy(DryrigError, RuntimeError):
    """An axis was told to move while it moves."""


class HandBusy(DryrigError, RuntimeError):
    """A hand was told to act while it acts."""


class NoBrake(DryrigError, ValueError):
    """The lever of a brake was meant that the joint does not have."""


class StopPressed(DryrigError, RuntimeError):
    """Power was asked for while the STOP button is in."""


class LiveCircuit(DryrigError, RuntimeError):
    """Ohms were asked of a circuit that is not dead."""


class NoRoom(DryrigError, ValueError):
    """An object does not fit between the gripper's fingers."""


def nearest(name: str, names: Iterable[str]) -> str:
    """` (did you mean 'x'?)` for the closest of `names`, or an empty string."""
    close = difflib.get_close_matches(name, list(names), n=1, cutoff=0.5)
    return f" (did you mean {close[0]!r}?)" if close else ""
