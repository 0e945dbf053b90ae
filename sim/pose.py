"""Where the joints are, and what the two ways of moving them share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from ..scenes import Scene
from .body import Body
from .clearance import Clearance
from .clock import TICKS_PER_S
from .drive import Drive
from .individual import Individual
from .switch import Switch
from .transmission import Transmission

STOP_MARGIN_RAD = math.radians(0.02)


class HandPath(NamedTuple):
    """A hand that leads one joint from `start_rad` at `rate_rad_s` until `end`."""

    joint: int
    start: int
    end: int
    start_rad: float
    rate_rad_s: float
    limit_n_m: float

    def at(self, tick: int) -> tuple[float, float]:
        """Where the hand wants the joint, and how fast."""
        if tick >= self.end:
            return self.start_rad + self.rate_rad_s * (self.end - self.start) / TICKS_PER_S, 0.0
        return (
            self.start_rad + self.rate_rad_s * (tick - self.start) / TICKS_PER_S,
            self.rate_rad_s,
        )


class Wait(NamedTuple):
    """Somebody waits for a joint, or its motor shaft, to leave these bounds (joint rad).

    `fine`: for they cannot be told, at every sub-step.
    """

    joint: int
    on_shaft: bool
    low: float
    high: float
    fine: bool = False


class Pose:
    """Joint angles `position` and motor shafts `shaft` (both in joint rad) at `tick`.

    `low` and `high` bound the angles between which no cam moves its switch.
    """

    def __init__(
        self,
        scene: Scene,
        individual: Individual,
        body: Body,
        clearance: Clearance,
        drives: list[Drive],
        gears: list[Transmission],
        switches: list[Switch],
    ) -> None:
        self.body, self.drives, self.gears, self.switches = body, drives, gears, switches
        self.clearance = clearance
        self.count = len(scene.joint)
        self.stops = [tuple(map(j.to_si, j.stops_deg)) for j in scene.joint]
        self.tick = 0
        self.scene = scene
        self.position = scene.pose_si(individual.start_pose_deg)
        self.shaft = list(self.position)
        self.velocity = [0.0] * self.count
        self.stand = True
        self.hand: HandPath | None = None
        self.low = [0.0] * self.count
        self.high = [0.0] * self.count
        self.waits: dict[int, Wait] = {}
        for joint, angle in enumerate(self.position):
            self.move_cam(joint, angle)
            self.bound(joint)

    def bound(self, joint: int) -> None:
        """Take a joint's bounds from its switch."""
        low, high = self.switches[joint].bounds_deg()
        to_si = self.scene.joint[joint].to_si
        self.low[joint], self.high[joint] = to_si(low), to_si(high)

    def move_cam(self, joint: int, angle: float) -> bool:
        """Bring a joint's cam to an angle; whether its switch moved."""
        return self.switches[joint].move_cam(self.scene.joint[joint].from_si(angle))

    def narrowed(self) -> tuple[list[float], list[float]]:
        """Bounds of the joints, drawn closer where somebody waits; shafts keep their gaps."""
        low, high = list(self.low), list(self.high)
        for wait in self.waits.values():
            joint = wait.joint
            gap = self.shaft[joint] - self.position[joint] if wait.on_shaft else 0.0
            fine = wait.fine or (wait.on_shaft and self.gears[joint].slip_n_m < math.inf)
            low[joint] = math.inf if fine else max(low[joint], wait.low - gap)
            high[joint] = min(high[joint], wait.high - gap)
        return low, high

    def motor_rad(self, joint: int, shaft_rad: float) -> float:
        """The motor shaft's angle at the motor for its angle in joint rad."""
        gear = self.gears[joint]
        return shaft_rad * gear.to_motor + gear.phase_rad

    def live(self) -> set[int]:
        """Joints whose motors get current."""
        return {joint for joint, drive in enumerate(self.drives) if drive.live}

    def carried(self) -> list[int]:
        """Joints whose links' weight the stand carries: led while limp, or live on odd coils."""
        if not self.stand:
            return []
        return [
            joint
            for joint, drive in enumerate(self.drives)
            if (not drive.regular if drive.live else self.led(joint))
        ]

    def led(self, joint: int) -> bool:
        """Whether a hand leads a joint."""
        return self.hand is not None and self.hand.joint == joint

    def clear(self, position: Sequence[float]) -> bool:
        """Whether every joint is free of its hard stops; `clearance` knows of other touches."""
        return all(
            low + STOP_MARGIN_RAD < angle < high - STOP_MARGIN_RAD
            for angle, (low, high) in zip(position, self.stops, strict=True)
        )

    def needs_engine(self) -> bool:
        """Whether a faulty coil, uneven microsteps on the way, a hand at a live joint or a limp
        link forbids the closed form.
        """
        for joint, drive in enumerate(self.drives):
            if drive.live:
                if not drive.regular or self.led(joint) or (drive.ripple_rad and drive.moving):
                    return True
            elif not self.stand:
                return True
        return False

    def recorded(self, position: Sequence[float], shaft: Sequence[float]) -> list[float]:
        """Joint angles and motor shafts (at the motor) as a recorder keeps them."""
        return [*position, *(self.motor_rad(joint, angle) for joint, angle in enumerate(shaft))]
