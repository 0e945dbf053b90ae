"""One group of status registers of SCPI-1999: condition, transition filters, event, enable.

What `STATus:PRESet` does: Keysight AC6800B operating and service guide, page 152 (only rises are
noticed, nothing is enabled; event registers and the error queue stay). 15 bits, the sixteenth
always 0: Rohde & Schwarz CMU 200 help, "Reset status registers" (filter preset 32767).
"""

from __future__ import annotations

ALL_BITS = 0x7FFF


class RegisterGroup:
    """A condition that is watched, and what was noticed of it.

    `rises` and `falls` are the filters: which bits of the condition leave a mark in the event
    register when they rise, and which when they fall. `enable` says which marks count in the
    summary bit.
    """

    def __init__(self) -> None:
        self.condition = 0
        self.events = 0
        self.preset()

    def preset(self) -> None:
        """As `STATus:PRESet` leaves it."""
        self.enable, self.rises, self.falls = 0, ALL_BITS, 0

    def sense(self, condition: int) -> None:
        """The condition is this now."""
        changed = condition ^ self.condition
        if changed:
            self.events |= changed & condition & self.rises | changed & ~condition & self.falls
            self.condition = condition

    def take_events(self) -> int:
        """Read the event register, which clears it."""
        events, self.events = self.events, 0
        return events

    @property
    def summary(self) -> bool:
        """What the group's bit of the status byte shows."""
        return bool(self.events & self.enable)
