"""The place of a drill: an arm with its faults, and what a person there has switched and proved."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from ..closing import Closing
from ..commission.arm import Arm, Joint
from ..commission.client import channel_list
from . import drill_readings as say
from .drill_customer import Seen
from .drill_readings import COUNTS_APART, EYE_DEG, Reading
from .workplace import Workplace

Sight = tuple[list[float], dict[int, int], dict[int, int]]
"""Angles by eye, counts and switch inputs of all joints."""


@dataclass
class State:
    """What a person at the arm has switched, pulled and proved."""

    main: bool = True
    motor: bool = False
    stand: bool = True
    clip: bool = False
    plugs_out: set[str] = field(default_factory=set)
    enabled: set[str] = field(default_factory=set)
    proved: dict[str, set[str]] = field(default_factory=dict)

    @property
    def live(self) -> set[str]:
        """Joints whose drive gets current, as far as one can know."""
        return self.enabled if self.main and self.motor else set()

    def ready(self, joint: Joint) -> bool:
        """Whether a joint's switch and both directions have been proved."""
        return {"switch", "+", "-"} <= self.proved.get(joint.name, set())


class Site(Closing):
    """An arm with these faults, motor supply off, on its stand; and what was done to it.

    `before` is what the customer saw when all was well. Raises FaultError.
    """

    def __init__(
        self,
        arm: Arm,
        seed: int,
        faults: Sequence[str],
        whats: Mapping[str, str],
        before: Seen | None = None,
    ) -> None:
        self.place = Workplace(arm, seed)
        self.arm, self.whats, self.before = arm, whats, before
        self.channels = [joint.channel for joint in arm.joints]
        self.state = State()
        for fault in faults:
            self.place.injector.insert(fault)
        self.place.hand.motor_supply(False)

    def close(self) -> None:
        """Give the rig back."""
        self.place.close()

    def eyes(self) -> list[float]:
        """All joints by eye, deg."""
        return self.place.hands.numbers(f"LOOK? {channel_list(self.channels)}", len(self.channels))

    def sight(self) -> Sight:
        """Angles by eye, counts and inputs of all joints, by channel."""
        card = self.place.card
        return self.eyes(), card.counts(self.channels), card.levels(self.channels)

    def changes(
        self,
        joint: Joint,
        before: Sight,
        what: str,
    ) -> list[Reading]:
        """What has changed since, at `joint` (its line begins with `what`) and wherever else."""
        eyes, counts, levels = self.sight()
        readings = []
        # The joint itself comes first, then what else has changed.
        for other in sorted(self.arm.joints, key=lambda each: each is not joint):
            mine, channel, name = other is joint, other.channel, other.name
            turned = eyes[channel - 1] - before[0][channel - 1]
            moved = counts[channel] - before[1][channel]
            was, now = before[2][channel], levels[channel]
            who = what if mine else f"{name}"
            readings += [
                say.by_eye(f"{who} by eye", turned, shown=mine or abs(turned) > EYE_DEG),
                say.counts(
                    "count" if mine else f"{name} count",
                    moved,
                    shown=mine or abs(moved) > COUNTS_APART,
                ),
                say.word(
                    "input" if mine else f"{name} input",
                    str(now) if was == now else f"{was} -> {now}",
                    shown=was != now,
                ),
            ]
        return readings
