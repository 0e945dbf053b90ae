"""Where the host believes the joints are, and how it sends them somewhere."""

from __future__ import annotations

from collections.abc import Mapping

from .arm import Arm, Joint
from .client import Card
from .homing import TIME_EXTRA_S, TIME_SHARE, Homed, check_kept

# Two joints told to be where they are need no motion at all.
LEAST_STEPS = 1


class Positions:
    """Angles from step counters, home switches and trims.

    `trim_deg` is minus what the gauge showed; the home offset, the angle a joint has at its home
    edge, is the nominal switch angle minus the trim.
    """

    def __init__(self, arm: Arm, card: Card) -> None:
        self._arm = arm
        self._card = card
        self.homed: dict[str, Homed] = {}
        self.trim_deg: dict[str, float] = {joint.name: 0.0 for joint in arm.joints}

    def home_offset_deg(self, joint: Joint) -> float:
        """The joint's angle at its home edge."""
        return joint.home.switch_deg - self.trim_deg[joint.name]

    def angle_deg(self, joint: Joint, step: int) -> float:
        """The angle believed at a step count. The joint must be homed."""
        home_step = self.homed[joint.name].home_step
        return self.home_offset_deg(joint) + (step - home_step) / joint.steps_per_deg

    def now_deg(self) -> dict[str, float]:
        """The angle believed of every homed joint."""
        joints = [joint for joint in self._arm.joints if joint.name in self.homed]
        steps = self._card.steps([joint.channel for joint in joints]) if joints else {}
        return {joint.name: self.angle_deg(joint, steps[joint.channel]) for joint in joints}

    def go(self, target_deg: Mapping[str, float]) -> None:
        """Move homed joints to these angles in step: all start, and all arrive, together.

        So the way between two poses is the straight one of the joints, whoever the slowest is.
        Raises MotionError when they do not arrive in time, HomingFailed when by its encoder any
        homed joint has lost steps since its home edge.
        """
        joints = [j for j in self._arm.joints if j.name in self.homed and j.name in target_deg]
        steps = self._card.steps([joint.channel for joint in joints])
        moves = {}
        needed_s = {}
        for joint in joints:
            angle = self.angle_deg(joint, steps[joint.channel])
            move = joint.steps(target_deg[joint.name] - angle)
            if abs(move) < LEAST_STEPS:
                continue
            moves[joint.channel] = move
            deg_s = joint.home.fast_deg_s
            ideal_s = abs(move / joint.steps_per_deg) / deg_s
            needed_s[joint.channel] = ideal_s + deg_s / joint.home.acceleration_deg_s2
        if not moves:
            return
        moving = [joint for joint in joints if joint.channel in moves]
        slowest_s = max(needed_s.values())
        speeds = {}
        for joint in moving:
            # With the same share of speed and acceleration the ramps last as long as ever.
            deg, deg_s = abs(moves[joint.channel] / joint.steps_per_deg), joint.home.fast_deg_s
            share = deg / (deg_s * (slowest_s - deg_s / joint.home.acceleration_deg_s2))
            speeds[joint.channel] = joint.speed(deg_s, share)
        self._card.set_speed(speeds)
        self._card.move(moves)
        self._card.until_still(moves, slowest_s * TIME_SHARE + TIME_EXTRA_S)
        self._check_kept()

    def _check_kept(self) -> None:
        joints = [joint for joint in self._arm.joints if joint.name in self.homed]
        channels = [joint.channel for joint in joints]
        steps, counts = self._card.steps(channels), self._card.counts(channels)
        for joint in joints:
            homed = self.homed[joint.name]
            check_kept(
                joint,
                steps[joint.channel] - homed.home_step,
                counts[joint.channel] - homed.home_count,
            )

    def pose(self, angles_deg: tuple[float, ...]) -> dict[str, float]:
        """A pose of the arm file by joint name."""
        return {j.name: a for j, a in zip(self._arm.joints, angles_deg, strict=True)}
