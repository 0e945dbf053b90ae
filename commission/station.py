"""What every check works with: the arm's description, the card, the hands."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from .arm import Arm, Joint
from .client import Card
from .hand import Hand

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Station:
    """An arm on a bench with somebody at it."""

    arm: Arm
    card: Card
    hand: Hand
    progress: Progress

    @property
    def channels(self) -> list[int]:
        """Every joint's channel."""
        return [joint.channel for joint in self.arm.joints]

    def to_ground(self, terminal: str) -> float:
        """DC volts of a terminal against the card's 0 V."""
        return self.hand.volts(terminal, "RAIL.0V")

    def across(self, joint: Joint, plus: str, minus: str) -> float:
        """DC volts between two of a joint's terminals, at the part."""
        return self.hand.volts(f"{joint.name}.{plus}", f"{joint.name}.{minus}")
