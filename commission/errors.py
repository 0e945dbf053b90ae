"""What can go wrong between the host, the card and the person.

CommissionError
 +-- PortError (OSError)           the port cannot be opened, or has gone
 |    +-- NoAnswer (TimeoutError)  nothing came in time
 |    +-- GarbledReply             what came is not a reply to what was asked
 +-- CardError                     the other end queued an error (its SCPI number and text)
 +-- ArmFileError (ValueError)     the arm file cannot be read
 +-- CalibrationError (ValueError) the calibration cannot be read, or is another arm's
 +-- PlanError (ValueError)        what was asked for cannot be done in that way
 +-- RoutineError                  a routine of the user's own cannot be run
 +-- HandError                     the hands cannot act (no port, no terminal)
 +-- MotionError                   a motion ended otherwise than it should
"""

from __future__ import annotations


class CommissionError(Exception):
    """Base of this room's errors; its text is fit to be shown to a user."""


class PortError(CommissionError, OSError):
    """The port cannot be opened, or has gone."""


class NoAnswer(PortError, TimeoutError):
    """Nothing came in time."""


class GarbledReply(PortError):
    """What came is not a reply to what was asked."""


class CardError(CommissionError):
    """The other end queued an error. `number` is SCPI's, `text` its description."""

    def __init__(self, who: str, sent: str, number: int, text: str) -> None:
        super().__init__(f"the {who} refused {sent!r}: {number} {text}")
        self.number = number
        self.text = text


class ArmFileError(CommissionError, ValueError):
    """The arm file cannot be read."""


class CalibrationError(CommissionError, ValueError):
    """The calibration cannot be read, or is another arm's."""


class PlanError(CommissionError, ValueError):
    """What was asked for cannot be done in that way."""


class RoutineError(CommissionError):
    """A routine of the user's own cannot be run."""


class HandError(CommissionError):
    """The hands cannot act."""


class MotionError(CommissionError):
    """A motion did not end in time, or not where it should."""
