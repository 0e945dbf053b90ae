"""A person's hands, eyes and gauges, as a routine uses them.

`Hand` is what the checks ask for. `PortHand` is answered by a device on a second serial port;
`PersonHand` (person.py) asks somebody at the arm. The two are interchangeable.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Literal, Protocol

from .arm import Joint
from .errors import GarbledReply
from .line import READ_TIMEOUT_S, Line

# SCPI's "not a number": out of the gauge's window.
NOT_A_NUMBER = 9.91e37
# SCPI's infinity: a meter on overload.
OVERLOAD = 9.9e37
WIGGLE_S = 1.2

Watch = Callable[[], str]
Hold = Literal["min", "max"]


class Hand(Protocol):
    """Every method may raise HandError or PortError."""

    def caution(self, text: str) -> None:
        """Say what to mind before what comes next."""

    def turn(self, joint: Joint, deg: float, watch: Watch | None = None) -> str:
        """Turn one joint by about `deg`; returns FREE, STIFF or STOP as it felt.

        `watch` gives a live value to show meanwhile.
        """

    def press(self, joint: Joint, watch: Watch | None = None) -> None:
        """Hold the joint's limit switch down."""

    def release(self, joint: Joint, watch: Watch | None = None) -> None:
        """Let the switch go."""

    def look_deg(self, joint: Joint) -> float:
        """Joint angle by eye against the arm's drawing, whole degrees."""

    def zero_level(self, reversed_: bool = False) -> None:
        """Lay the level on the base, turned end for end or not, and zero it there."""

    def level_deg(self, joint: Joint) -> float:
        """Pitch of the joint's link by the level, degrees, up positive."""

    def mark_deg(self, joint: Joint) -> float | None:
        """Angle past the joint's witness mark, degrees; None when out of its window."""

    def volts(self, red: str, black: str) -> float:
        """One DC reading of the meter between two terminals."""

    def clip_on(self, red: str, black: str, hold: Hold) -> None:
        """Get the meter ready for `volts` between these terminals while something moves.

        Nobody puts leads on meanwhile, nor reads in a second: it holds the least or the greatest.
        """

    def ohms(self, red: str, black: str) -> float:
        """One reading of ohms with all supplies off; infinite on overload."""

    def main_supply(self, on: bool) -> None:
        """Switch all supplies, the card's on its own cable left out."""

    def motor_supply(self, on: bool) -> None:
        """Switch the 24 V motor supply."""

    def press_stop(self, pressed: bool) -> None:
        """Push the STOP button in, or pull it out again."""

    def wiggle(self, joint: Joint, red: str, black: str) -> tuple[float, float]:
        """Wiggle the joint's cable for a second or so; least and greatest DC volts meanwhile."""

    def plug(self, name: str, into: bool) -> None:
        """Pull a plug at a part, or put it in; all supplies are off."""

    def stand(self, on: bool) -> None:
        """Put the stand under the links, or take it away."""

    def measures_on(self, words: str, expected: Sequence[str]) -> bool:
        """Whether one more measurement is worth the while; `expected` says what it would tell."""

    def close(self) -> None:
        """Let go of whatever the hand holds."""


class PortHand:
    """Hands behind a serial port."""

    def __init__(self, line: Line) -> None:
        self._line = line

    @classmethod
    def open(cls, where: str, *, timeout_s: float = READ_TIMEOUT_S) -> PortHand:
        """Open a device path or a pyserial URL. Raises PortError."""
        return cls(Line.open(where, "hands", timeout_s=timeout_s))

    def caution(self, text: str) -> None:
        """A port needs no telling."""

    def turn(self, joint: Joint, deg: float, watch: Watch | None = None) -> str:
        """Turn, a brake's lever held open meanwhile, wait for the end, and feel."""
        chosen = f"(@{joint.channel})"
        if joint.brake_n_m:
            self._line.ask(f"BRAK:REL ON,{chosen}")
        felt = self._line.ask(f"TURN {deg:g},{chosen}", "*OPC?", f"FEEL? {chosen}")[1]
        if joint.brake_n_m:
            self._line.ask(f"BRAK:REL OFF,{chosen}")
        if felt not in ("FREE", "STIFF", "STOP"):
            raise GarbledReply(f"the hands felt {felt!r}; expected FREE, STIFF or STOP")
        return felt

    def press(self, joint: Joint, watch: Watch | None = None) -> None:
        """Finger on the switch."""
        self._line.ask(f"PRES (@{joint.channel})")

    def release(self, joint: Joint, watch: Watch | None = None) -> None:
        """Finger off the switch."""
        self._line.ask(f"REL (@{joint.channel})")

    def look_deg(self, joint: Joint) -> float:
        """Whole degrees by eye."""
        return self._line.numbers(f"LOOK? (@{joint.channel})", 1)[0]

    def zero_level(self, reversed_: bool = False) -> None:
        """Zero the level on the base."""
        self._line.ask(f"LEV:REV {int(reversed_)}", "LEV:ZERO")

    def level_deg(self, joint: Joint) -> float:
        """The level on the joint's link."""
        return self._line.numbers(f"LEV? (@{joint.channel})", 1)[0]

    def mark_deg(self, joint: Joint) -> float | None:
        """The joint's witness mark."""
        value = self._line.numbers(f"MARK? (@{joint.channel})", 1)[0]
        return None if value >= NOT_A_NUMBER else value

    def volts(self, red: str, black: str) -> float:
        """One meter reading."""
        return self._line.numbers(f'MEAS:VOLT:DC? "{red}","{black}"', 1)[0]

    def clip_on(self, red: str, black: str, hold: Hold) -> None:
        """A port reads at once, in the middle of a motion."""

    def ohms(self, red: str, black: str) -> float:
        """One meter reading, power off."""
        value = self._line.numbers(f'MEAS:RES? "{red}","{black}"', 1)[0]
        return math.inf if value >= OVERLOAD else value

    def main_supply(self, on: bool) -> None:
        """The switch of all supplies."""
        self._line.ask(f"SUPP:MAIN {int(on)}")

    def press_stop(self, pressed: bool) -> None:
        """The STOP button."""
        self._line.ask(f"STOP {int(pressed)}")

    def wiggle(self, joint: Joint, red: str, black: str) -> tuple[float, float]:
        """Wiggle, with the meter on hold."""
        held = f'MEAS:VOLT:HOLD? {WIGGLE_S},"{red}","{black}"'
        reply = self._line.ask(f"WIGG (@{joint.channel})", held)[0]
        low, high = self._line.parse(reply, 2, held)
        return low, high

    def plug(self, name: str, into: bool) -> None:
        """Pull a plug at a part, or put it in."""
        self._line.ask(f'PLUG {"IN" if into else "OUT"},"{name}"')

    def motor_supply(self, on: bool) -> None:
        """The 24 V switch."""
        self._line.ask(f"SUPP:MOT {int(on)}")

    def measures_on(self, words: str, expected: Sequence[str]) -> bool:
        """A port never tires."""
        return True

    def stand(self, on: bool) -> None:
        """The stand under the links."""
        self._line.ask(f"STAND {int(on)}")

    def close(self) -> None:
        """Close the port."""
        self._line.close()
