"""Two-stage homing on a limit switch, several joints at once.

Fast to the switch and halt on its edge, back off, slowly to it again: the step latched at the
slow edge is home. In the terms of CiA 402 / IEC 61800-7-201: method 17 (negative limit switch)
or 18 (positive), with the speeds of 6099h:1 and :2; like its newer drives, the position *reads*
the home offset (607Ch) at home.

Motion is bounded twice: by the steps of each move and by rig time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from .arm import Joint
from .client import Card, Latch, Sample
from .errors import MotionError
from .findings import Kind, Symptom
from .loss import classify, load_counts

# Beyond the nominal switch: its tolerance, and the eye's that judged the start.
PAST_SWITCH_DEG = 4.0
# Without anybody's eye: from anywhere in the travel.
PAST_TRAVEL_DEG = 8.0
# A limit on rig time: the ideal time and this much more.
TIME_SHARE, TIME_EXTRA_S = 1.5, 1.0
STOP_S = 5.0
# Fast and slow edges of one switch lie this near to each other, or something moved.
SCATTER_DEG = 0.5


class HomingFailed(MotionError):
    """Homing ended with all motion stopped; `symptom` and the text say why."""

    def __init__(self, joint: Joint, kind: Kind, text: str, **readings: float) -> None:
        super().__init__(f"{joint.name}: {text}")
        self.symptom = Symptom(kind, joint.name, readings)
        self.joint = joint


@dataclass
class Approach:
    """One run at a switch, as read from the card: rig seconds and steps."""

    joint: Joint
    phase: str  # "fast" or "slow"
    time_s: list[float] = field(default_factory=list)
    steps: list[int] = field(default_factory=list)
    latch_time_s: float = 0.0
    latch_step: int = 0


@dataclass(frozen=True)
class Homed:
    """A homed joint: step and count latched at its edge, what else was seen, both approaches."""

    joint: Joint
    home_step: int
    home_count: int
    fast_step: int
    approaches: tuple[Approach, Approach]


def home(
    card: Card, joints: Sequence[Joint], by_eye_deg: Mapping[str, float] | None = None
) -> dict[str, Homed]:
    """Home these joints together; returns one `Homed` for each name.

    `by_eye_deg` tells roughly where each stands and so shortens the limits. Drives must be on.
    Raises HomingFailed, with everything stopped; PortError or CardError from the card.
    """
    channels = [joint.channel for joint in joints]
    try:
        return _home(card, list(joints), by_eye_deg or {})
    except HomingFailed:
        _stop(card, channels)
        raise
    except MotionError as error:
        # The card has been told to stop; the time limit belongs to the slowest joint.
        _stop(card, channels)
        raise HomingFailed(joints[0], Kind.HOME_NO_EDGE, str(error)) from error


def _home(card: Card, joints: list[Joint], by_eye_deg: Mapping[str, float]) -> dict[str, Homed]:
    channels = [joint.channel for joint in joints]
    levels = card.levels(channels)
    _back_off_if_on(card, [joint for joint in joints if levels[joint.channel]])
    start = card.steps(channels), card.counts(channels)
    fast_deg = {
        # From a pressed switch the search starts as far away as the joint has backed off.
        joint.channel: _fast_limit_deg(joint, by_eye_deg)
        + (_off_deg(joint) if levels[joint.channel] else 0.0)
        for joint in joints
    }
    fast, fast_latches = _approach(card, joints, "fast", fast_deg)
    _back_off(card, joints, fast_latches)
    slow_deg = {joint.channel: 2.0 * joint.home.back_off_deg for joint in joints}
    slow, latches = _approach(card, joints, "slow", slow_deg)
    homed = {}
    for joint, first, second in zip(joints, fast, slow, strict=True):
        channel = joint.channel
        _compare(joint, fast_latches[channel], latches[channel])
        steps = latches[channel].step - start[0][channel]
        counts = latches[channel].count - start[1][channel]
        check_kept(joint, steps, counts)
        homed[joint.name] = Homed(
            joint,
            latches[channel].step,
            latches[channel].count,
            fast_latches[channel].step,
            (first, second),
        )
    return homed


def _fast_limit_deg(joint: Joint, by_eye_deg: Mapping[str, float]) -> float:
    seen = by_eye_deg.get(joint.name)
    if seen is None:
        return joint.travel_deg[1] - joint.travel_deg[0] + PAST_TRAVEL_DEG
    return max(abs(joint.home.switch_deg - seen), joint.home.back_off_deg) + PAST_SWITCH_DEG


def _approach(
    card: Card, joints: list[Joint], phase: str, limit_deg: Mapping[int, float]
) -> tuple[list[Approach], dict[int, Latch]]:
    """Run at the switches until each has halted its axis."""
    channels = [joint.channel for joint in joints]
    speeds = {
        joint.channel: joint.home.fast_deg_s if phase == "fast" else joint.home.slow_deg_s
        for joint in joints
    }
    card.set_speed({joint.channel: joint.speed(speeds[joint.channel]) for joint in joints})
    card.arm_halt("RISE", channels)
    runs = [Approach(joint, phase) for joint in joints]

    def watch(sample: Sample) -> None:
        for run in runs:
            step = sample.steps[run.joint.channel]
            # Standing still needs no further points.
            if len(run.steps) < 2 or step != run.steps[-1]:
                run.time_s.append(sample.time_s)
                run.steps.append(step)

    moves = {
        joint.channel: joint.steps(joint.home_sign * limit_deg[joint.channel]) for joint in joints
    }
    card.move(moves)
    limit_s = max(
        _limit_s(joint, limit_deg[joint.channel], speeds[joint.channel]) for joint in joints
    )
    card.until_still(channels, limit_s, watch)
    latches = card.latches(channels)
    for run in runs:
        latch = latches[run.joint.channel]
        if not latch.hit:
            _no_edge(card, run.joint, phase, limit_deg[run.joint.channel])
        run.latch_time_s, run.latch_step = latch.time_s, latch.step
    return runs, latches


def _limit_s(joint: Joint, deg: float, deg_s: float) -> float:
    ideal_s = deg / deg_s + deg_s / joint.home.acceleration_deg_s2
    return ideal_s * TIME_SHARE + TIME_EXTRA_S


def _no_edge(card: Card, joint: Joint, phase: str, limit_deg: float) -> None:
    card.arm_halt("OFF", [joint.channel])
    level = card.levels([joint.channel])[joint.channel]
    raise HomingFailed(
        joint,
        Kind.HOME_NO_EDGE,
        f"the {phase} search ran {limit_deg:.1f} {joint.unit} towards the switch and met no "
        f"edge; the input reads {level}",
        level=level,
    )


def _off_deg(joint: Joint) -> float:
    """How far to leave a switch that is pressed at the start."""
    return PAST_SWITCH_DEG + joint.home.back_off_deg


def _back_off_if_on(card: Card, joints: list[Joint]) -> None:
    """Start from a pressed switch: leave it first."""
    if not joints:
        return
    away_deg = {joint.channel: -joint.home_sign * _off_deg(joint) for joint in joints}
    _leave(card, joints, {j.channel: j.steps(away_deg[j.channel]) for j in joints})


def _back_off(card: Card, joints: list[Joint], latches: Mapping[int, Latch]) -> None:
    """Back off by the arm file's distance, measured from the edge, not from where it stopped."""
    at = card.steps([joint.channel for joint in joints])
    moves = {}
    for joint in joints:
        target = latches[joint.channel].step - joint.steps(
            joint.home_sign * joint.home.back_off_deg
        )
        moves[joint.channel] = target - at[joint.channel]
    _leave(card, joints, moves)


def _leave(card: Card, joints: list[Joint], moves: Mapping[int, int]) -> None:
    """Move away from the switches and see that they release."""
    channels = [joint.channel for joint in joints]
    card.set_speed({joint.channel: joint.speed(joint.home.fast_deg_s) for joint in joints})
    card.move(moves)
    limit_s = max(
        _limit_s(j, abs(moves[j.channel] / j.steps_per_deg), j.home.fast_deg_s) for j in joints
    )
    card.until_still(channels, limit_s)
    levels = card.levels(channels)
    for joint in joints:
        if levels[joint.channel]:
            deg = abs(moves[joint.channel] / joint.steps_per_deg)
            raise HomingFailed(
                joint,
                Kind.HOME_NO_RELEASE,
                f"backed off {deg:.1f} {joint.unit} and the switch input still reads 1",
                backed_off_deg=deg,
            )


def _compare(joint: Joint, fast: Latch, slow: Latch) -> None:
    """Both edges are the same switch's, and steps and counts between them agree."""
    apart_deg = (slow.step - fast.step) / joint.steps_per_deg
    if abs(apart_deg) > SCATTER_DEG:
        raise HomingFailed(
            joint,
            Kind.HOME_SCATTER,
            f"the slow edge lies {apart_deg:+.2f} {joint.unit} from the fast one; expected within "
            f"{SCATTER_DEG} {joint.unit}",
            apart_deg=apart_deg,
        )


def check_kept(joint: Joint, steps: int, counts: int) -> None:
    """See by the encoder that all commanded steps were made. Raises HomingFailed if not."""
    missing = steps / joint.steps_per_deg * joint.counts_per_deg - counts
    # Two positions, each with a loaded motor's lag.
    if abs(missing) > 2.0 * load_counts(joint):
        raise HomingFailed(
            joint,
            Kind.HOME_LOST,
            f"{steps:+d} steps should give {missing + counts:+.0f} counts, the encoder made "
            f"{counts:+d}: {classify(joint, missing)}",
            missing_counts=missing,
        )


def _stop(card: Card, channels: list[int]) -> None:
    card.abort()
    card.until_still(channels, STOP_S)
