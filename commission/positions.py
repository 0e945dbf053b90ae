"""Where the host believes the joints are, and how it sends them somewhere."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from .arm import Arm, Joint
from .client import Card
from .homing import TIME_EXTRA_S, TIME_SHARE, Homed, follow
from .homing_failed import STANDING_LOADS, WINDOW_LOADS, check_kept, shaken
from .homing_methods import turn_deg
from .homing_table import OWN

# Two joints told to be where they are need no motion at all.
LEAST_STEPS = 1


class Positions:
    """Angles from step counters, home switches and trims.

    `trim_deg` is minus what the gauge showed. The home offset (object 607Ch) is what the position
    reads at home: the angle by the drawing, or by a calibration, minus the trim.
    """

    def __init__(self, arm: Arm, card: Card) -> None:
        self._arm = arm
        self._card = card
        self.homed: dict[str, Homed] = {}
        self._drawn_deg: dict[str, float] = {}
        self._calibrated_deg: dict[str, float] = {}
        self.trim_deg: dict[str, float] = {joint.name: 0.0 for joint in arm.joints}

    def take(self, found: Mapping[str, Homed]) -> None:
        """Joints have been homed.

        Where a joint has an index, the first homing tells the angle of that index, and later ones
        keep it: an index is true to itself where a switch is not.
        """
        for name, homed in found.items():
            self.homed[name] = homed
            self._drawn_deg[name] = self._drawn(homed, self._drawn_deg.get(name))

    def take_counters(self, zero_deg: Mapping[str, float]) -> None:
        """Joints homed by somebody else, whose step counters read 0 at home.

        A calibration has the angles there, or else `zero_deg`; where neither does, home is where
        the switch is pressed.
        """
        channels = [joint.channel for joint in self._arm.joints]
        steps, counts = self._card.steps(channels), self._card.counts(channels)
        for joint in self._arm.joints:
            angle = zero_deg.get(joint.name, joint.home.switch_deg)
            angle = self._calibrated_deg.get(joint.name, angle)
            along = steps[joint.channel] / joint.steps_per_deg * joint.counts_per_deg
            home_count = round(counts[joint.channel] - along)
            homed = Homed(joint, OWN, 0, home_count, (), 0, angle)
            self.homed[joint.name] = homed
            self._drawn_deg[joint.name] = angle

    def calibrate(self, offsets_deg: Mapping[str, float]) -> None:
        """Start from these home offsets rather than from the drawing."""
        self._calibrated_deg = dict(offsets_deg)
        self._drawn_deg |= offsets_deg

    def _drawn(self, homed: Homed, before: float | None) -> float:
        joint, method = homed.joint, homed.method
        along = (homed.home_step - homed.anchor_step) / joint.steps_per_deg
        drawn = homed.anchor_deg + along
        if homed.by_eye:
            drawn += self.trim_deg[joint.name]
        if before is None or method.needs == "nothing":
            return drawn
        if not method.index:
            return before
        return before + (drawn - before) - self.modulo_turn(joint, drawn - before)

    def modulo_turn(self, joint: Joint, deg: float) -> float:
        """`deg` less whole turns of the index, for a joint that is homed on one."""
        if not self.homed[joint.name].method.index:
            return deg
        turn = turn_deg(joint)
        return deg - round(deg / turn) * turn

    def home_offset_deg(self, joint: Joint) -> float:
        """The joint's angle at home."""
        return self._drawn_deg[joint.name] - self.trim_deg[joint.name]

    def soft_limits_steps(self, joint: Joint) -> tuple[int, int]:
        """Step counts at the low and the high end of the travel. The joint must be homed."""
        low, high = (
            self.homed[joint.name].home_step + joint.steps(deg - self.home_offset_deg(joint))
            for deg in joint.travel_deg
        )
        return low, high

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
        Raises as `run`, and HomingFailed when they did not arrive.
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
        rest = self.run(moves, slowest_s * TIME_SHARE + TIME_EXTRA_S)
        for joint in moving:
            if rest[joint.channel] != steps[joint.channel] + moves[joint.channel]:
                raise shaken(joint, "the motion")

    def run(
        self,
        moves: Mapping[int, int],
        limit_s: float,
        meanwhile: Callable[[], None] = lambda: None,
    ) -> dict[int, int]:
        """Steps by channel, all at once; returns the step counters of all homed joints afterwards.

        Every homed joint is watched, those that stand too: the first one out of step stops all,
        since it hangs on what the others carry, or throws them about. Raises MotionError when
        motion lasts beyond `limit_s`, HomingFailed of the joint that was first out of step, or has
        lost steps since its home edge by its encoder.
        """
        joints = [joint for joint in self._arm.joints if joint.name in self.homed]
        channels = [joint.channel for joint in joints]
        windows = {
            joint.channel: (joint, WINDOW_LOADS if joint.channel in moves else STANDING_LOADS)
            for joint in joints
        }
        follow(self._card, windows)
        self._card.move(moves)
        meanwhile()
        beyond = self._card.until_still(moves, limit_s, guard=channels).beyond
        self._card.watch_following(dict.fromkeys(channels, (0.0, 1.0)))
        steps, counts = self._card.steps(channels), self._card.counts(channels)
        order = sorted(joints, key=lambda joint: joint.channel not in beyond)
        for joint in order:
            homed, at = self.homed[joint.name], joint.channel
            check_kept(joint, steps[at] - homed.home_step, counts[at] - homed.home_count)
        if beyond:
            raise shaken(order[0], "the motion")
        return steps

    def pose(self, angles_deg: tuple[float, ...]) -> dict[str, float]:
        """A pose of the arm file by joint name."""
        return {j.name: a for j, a in zip(self._arm.joints, angles_deg, strict=True)}
