"""When a fault acts: a time window, a span of a joint's angle, by chance, while a cable is wiggled.

A gate reads the clock, the joint and the hand, and says on or off. What it switches is parts, like
the fault it belongs to. Angles, chance and wiggling are looked at every 10 ms of rig time.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from ..sim.clock import TICKS_PER_S, seconds, ticks
from ..sim.individual import drawn
from ..sim.rig import Rig

_LOOK_TICKS = TICKS_PER_S // 100


@dataclass(frozen=True)
class Parameter:
    """A number a fault takes: its value when not given, its range, its unit."""

    default: float
    least: float
    most: float
    unit: str
    whole: bool = False

    def takes(self, value: float) -> bool:
        """Whether a value is in range, and whole where it must be."""
        return self.least <= value <= self.most and not (self.whole and value != int(value))


GATES: dict[str, Parameter] = {
    "from": Parameter(0.0, 0.0, 1e9, "s of rig time"),
    "to": Parameter(math.inf, 0.0, math.inf, "s of rig time"),
    "low": Parameter(-math.inf, -720.0, 720.0, "deg at the joint"),
    "high": Parameter(math.inf, -720.0, 720.0, "deg at the joint"),
    "duty": Parameter(1.0, 0.0, 1.0, "of the time, by chance"),
    "wiggle": Parameter(0.0, 0.0, 1.0, "1: only while the joint's cable is wiggled"),
}
"""What every kind takes besides its own parameters."""

AT_A_JOINT = ("low", "high", "wiggle")
"""Gates that need a joint."""


class Gate:
    """One fault's gate. `changed` is called when it opens or closes; it starts as it stands."""

    def __init__(
        self,
        rig: Rig,
        name: str,
        joint: int | None,
        values: Mapping[str, float],
        changed: Callable[[], None],
    ) -> None:
        self._rig, self._joint, self._changed = rig, joint, changed
        self._values = values
        self._random = drawn(rig.seed, f"gate {name}")
        self._stopped = False
        angled = math.isfinite(values["low"]) or math.isfinite(values["high"])
        self._sampled = angled or values["duty"] < 1 or values["wiggle"] > 0
        self.open = self._look()
        self._schedule()

    def stop(self) -> None:
        """Look no more."""
        self._stopped = True

    def _schedule(self) -> None:
        rig = self._rig
        if self._sampled:
            rig.at((rig.now // _LOOK_TICKS + 1) * _LOOK_TICKS, self._again)
            return
        for end in ("from", "to"):
            when = self._values[end]
            if math.isfinite(when) and ticks(when) > rig.now:
                rig.at(ticks(when), self._again)

    def _again(self) -> None:
        if self._stopped:
            return
        now_open = self._look()
        if self._sampled:
            self._schedule()
        if now_open != self.open:
            self.open = now_open
            self._changed()

    def _look(self) -> bool:
        values, rig = self._values, self._rig
        if not values["from"] <= seconds(rig.now) < values["to"]:
            return False
        if self._joint is not None:
            if not values["low"] <= rig.glance_deg(self._joint) <= values["high"]:
                return False
            if values["wiggle"] and not (
                rig.hands.wiggling(self._joint) and self._random.random() < 0.5
            ):
                return False
        return values["duty"] >= 1 or self._random.random() < values["duty"]
