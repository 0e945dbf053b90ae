"""Homing: several joints at once, each by its own method of `homing_methods.py`.

Every motion is bounded three times: by its steps, by rig time, and by the card's following error
(window and time-out are objects 6065h and 6066h of CiA 402). Whatever goes wrong ends with all
motion stopped, the card's settings as they were, and a reason.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from .approach import Approach
from .arm import Joint
from .client import Card, Sample
from .errors import CommissionError, MotionError, NoAnswer
from .findings import Kind
from .homing_failed import (
    STANDING_LOADS,
    WINDOW_LOADS,
    HomingFailed,
    check_kept,
    felt,
    left,
    missed,
    out_of_step,
    shaken,
    stays,
    strayed,
)
from .homing_methods import Caught, Place, Run, Runs, Start, edge_deg, method_of, runs, turn_deg
from .homing_table import Method
from .loss import load_counts

# A limit on rig time: the ideal time and this much more.
TIME_SHARE, TIME_EXTRA_S = 1.5, 1.0
STOP_S = 5.0
PRESS_LIMIT_S = 1.0
"""For how long a joint may be driven against a hard stop, all in all, whatever is broken."""
# Pressed by the fast search and let go by the slow one, a switch differs by its differential.
SCATTER_DEG = 0.5
SETTLE_S = 0.1
# The eye that judged the start, and the stop's own tolerance.
STOP_OFF_DEG = 4.0
# Common practice: an index lies between a quarter and three quarters of a turn from the edge.
NEAR_INDEX = 0.1
# What the questions of a homing may take for each joint; replies that take 1 s each need some 35.
TALK_S = 45.0
SEARCHES = ("fast", "slow", "index", "stop")


@dataclass(frozen=True)
class Homed:
    """A homed joint: step and count of its home, how they were found, and each search.

    At `anchor_step` the joint has the angle `anchor_deg` by its drawing, or `by_eye`.
    """

    joint: Joint
    method: Method
    home_step: int
    home_count: int
    approaches: tuple[Approach, ...]
    anchor_step: int
    anchor_deg: float
    fast_step: int | None = None
    by_eye: bool = False

    @property
    def apart_deg(self) -> float | None:
        """From the fast search's edge to the slow one's, less the switch's differential."""
        if self.fast_step is None:
            return None
        joint = self.joint
        apart = (self.anchor_step - self.fast_step) / joint.steps_per_deg
        return apart - (edge_deg(joint, self.method.edge) - joint.home.switch_deg)


@dataclass
class _Going:
    """A joint on its way: the generator of its method, the run it is at, the step and the count
    that began at, and what it has seen.
    """

    joint: Joint
    start: Start
    runs: Runs
    step: int
    count: int
    run: Run | None = None
    place: Place | None = None
    approaches: list[Approach] = field(default_factory=list)

    def advance(self, caught: Caught | None) -> None:
        try:
            self.run = next(self.runs) if caught is None else self.runs.send(caught)
        except StopIteration as done:
            self.run, self.place = None, done.value


def home(
    card: Card,
    joints: Sequence[Joint],
    by_eye_deg: Mapping[str, float] | None = None,
    standing: Sequence[Joint] = (),
) -> dict[str, Homed]:
    """Home these joints together; returns one `Homed` for each name.

    `by_eye_deg` tells roughly where each stands and so shortens the limits. Drives must be on.
    One of `standing` that leaves its place stops all: it does not hold, or was pushed.
    Raises HomingFailed, with everything stopped; PortError or CardError from the card, NoAnswer
    also when it replies so slowly that homing lasts much longer than its motion.
    """
    channels = [joint.channel for joint in joints]
    eyes = by_eye_deg or {}
    watched = {joint.channel: (joint, WINDOW_LOADS) for joint in joints}
    watched |= {joint.channel: (joint, STANDING_LOADS) for joint in standing}
    follow(card, watched)
    unwatched = dict.fromkeys(watched, (0.0, 1.0))
    try:
        found = _home(card, list(joints), eyes, standing)
    except CommissionError as error:
        if isinstance(error, MotionError):
            # The card has been told to stop; the time limit belongs to the slowest joint.
            _stop(card, channels)
        card.watch_following(unwatched)
        if isinstance(error, MotionError) and not isinstance(error, HomingFailed):
            raise HomingFailed(joints[0], Kind.HOME_NO_EDGE, str(error)) from error
        raise
    # Not after a signal: it comes in the middle of a question, and nothing more can be asked.
    card.watch_following(unwatched)
    return found


def follow(card: Card, windows: Mapping[int, tuple[Joint, float]]) -> None:
    """Halt these joints at so many times a loaded motor's lag of following error, from here on."""
    card.watch_following(
        {
            channel: (joint.counts_per_deg / joint.steps_per_deg, loads * load_counts(joint))
            for channel, (joint, loads) in windows.items()
        }
    )


def _home(
    card: Card, joints: list[Joint], by_eye_deg: Mapping[str, float], standing: Sequence[Joint]
) -> dict[str, Homed]:
    channels = [joint.channel for joint in joints]
    levels, steps, counts = card.levels(channels), card.steps(channels), card.counts(channels)
    going = []
    for joint in joints:
        at = joint.channel
        start = Start(levels[at], steps[at], counts[at], by_eye_deg.get(joint.name))
        going.append(_Going(joint, start, runs(joint, start), start.step, start.count))
    for one in going:
        one.advance(None)
    began_s, limit_s = card.clock_s(), TALK_S * len(joints)
    while moving := [one for one in going if one.run]:
        if (took_s := card.clock_s() - began_s) > limit_s:
            raise NoAnswer(
                f"homing has taken {took_s:.0f} s so far, and should have taken {limit_s:.0f} s at "
                "most: the card's replies come too slowly, and so would a stop"
            )
        limit_s += max(_limit_s(one.joint, one.run) for one in moving if one.run)
        still = [*standing, *(one.joint for one in going if not one.run)]
        for one, caught in zip(moving, _together(card, moving, still), strict=True):
            one.advance(caught)
    for one in going:
        if method_of(one.joint).needs == "hard stop":
            _count_lost(card, one)
    return {one.joint.name: _homed(one) for one in going}


def _count_lost(card: Card, one: _Going) -> None:
    """Take the steps that slipped at a hard stop out of the card's step counter.

    A motor slips by whole electrical turns, four full steps; the encoder tells how many.
    """
    joint, channel, place = one.joint, one.joint.channel, one.place
    assert place is not None
    step, count = card.steps([channel])[channel], card.counts([channel])[channel]
    made = (count - one.start.count) / joint.counts_per_deg * joint.steps_per_deg
    turn = 4 * joint.microsteps
    lost = round((step - one.start.step - made) / turn) * turn
    card.load_steps(channel, step - lost)
    one.place = replace(place, step=place.step - lost, anchor_step=place.anchor_step - lost)


def _homed(one: _Going) -> Homed:
    joint, place, method = one.joint, one.place, method_of(one.joint)
    assert place is not None
    homed = Homed(
        joint,
        method,
        place.step,
        place.count,
        tuple(one.approaches),
        place.anchor_step,
        place.anchor_deg,
        place.fast_step,
        place.by_eye,
    )
    apart = homed.apart_deg
    if apart is not None and abs(apart) > SCATTER_DEG:
        raise HomingFailed(
            joint,
            Kind.HOME_SCATTER,
            f"the slow edge lies {apart:+.2f} {joint.unit} from where the fast one puts it; "
            f"expected within {SCATTER_DEG} {joint.unit}",
            apart_deg=apart,
        )
    if method.needs == "hard stop" and one.start.eye_deg is not None:
        _stop_is_there(joint, one.start.eye_deg, place, one.start.count)
    check_kept(joint, place.step - one.start.step, place.count - one.start.count)
    return homed


def _stop_is_there(joint: Joint, eye_deg: float, place: Place, start_count: int) -> None:
    """What stopped the joint must be where the drawing has the stop, as far as an eye can tell."""
    went = (place.count - start_count) / joint.counts_per_deg
    expected = place.anchor_deg - eye_deg
    if abs(went - expected) > STOP_OFF_DEG:
        raise HomingFailed(
            joint,
            Kind.HOME_SCATTER,
            f"it was stopped after {went:+.1f} {joint.unit}, and its hard stop is {expected:+.1f} "
            f"{joint.unit} away by the drawing: it does not move, or something is in the way",
            apart_deg=went - expected,
        )


def _together(card: Card, going: list[_Going], standing: Sequence[Joint]) -> list[Caught]:
    """Make the present run of each joint, all starting at one instant, and see what came of it."""
    tasks = [(one, one.run) for one in going if one.run is not None]
    held = {one.joint.channel: (one.joint, run.hold) for one, run in tasks if run.hold}
    if held:
        card.set_current({channel: j.home.stop_current for channel, (j, _) in held.items()})
        card.pause(SETTLE_S)
        follow(card, held)
    card.set_speed({one.joint.channel: one.joint.speed(run.deg_s) for one, run in tasks})
    for edge in ("RISE", "FALL", "IND"):
        armed = [one.joint.channel for one, run in tasks if run.edge == edge]
        if armed:
            card.arm_halt(edge, armed)
    seen = {
        one.joint.channel: Approach(one.joint, run.phase)
        for one, run in tasks
        if run.phase in SEARCHES
    }

    def watch(sample: Sample) -> None:
        for search in seen.values():
            search.saw(sample)

    channels = [one.joint.channel for one, _ in tasks]
    card.move({one.joint.channel: one.joint.steps(run.deg) for one, run in tasks})
    limit_s = max(_limit_s(one.joint, run) for one, run in tasks)
    # At a hard stop a following error is what is looked for, and its two runs are compared.
    # One that moves comes first: it may have thrown one that stands, both seen at one look.
    guard = [*(one.joint for one, run in tasks if run.phase not in ("stop", "move")), *standing]
    beyond = card.until_still(channels, limit_s, watch, [j.channel for j in guard]).beyond
    guilty = out_of_step(card, guard, beyond) if beyond else None
    if guilty is not None and guilty in standing:
        strayed(card, guilty, [one.joint for one, _ in tasks])
    latches = card.latches(channels)
    if held:
        card.pause(SETTLE_S)
    rest, counts = card.steps(channels), card.counts(channels)
    caught: dict[int, Caught] = {}
    for one, run in sorted(tasks, key=lambda task: task[0].joint is not guilty):
        channel = one.joint.channel
        latch = latches[channel]
        step, count = rest[channel], counts[channel]
        if run.edge:
            if not latch.hit:
                missed(card, one.joint, run, step - one.step)
            if run.edge != "IND":
                stays(card, one.joint, run)
            step, count = latch.step, latch.count
        elif run.hold:
            felt(card, one.joint, run)
        elif run.phase == "leave":
            left(card, one.joint, run, step - one.step)
        if channel in seen:
            seen[channel].ended(latch, step)
            one.approaches.append(seen[channel])
        if one.joint is guilty:
            check_kept(one.joint, rest[channel] - one.step, counts[channel] - one.count)
            raise shaken(one.joint, f"the {run.phase} run")
        one.step, one.count = rest[channel], counts[channel]
        caught[channel] = Caught(step, count, rest[channel])
    if held:
        # What slipped is behind us: the following error counts from here on.
        card.set_current(dict.fromkeys(held, 1.0))
        card.pause(SETTLE_S)
        follow(card, {channel: (joint, WINDOW_LOADS) for channel, (joint, _) in held.items()})
    return [caught[channel] for channel in channels]


def _limit_s(joint: Joint, run: Run) -> float:
    ideal_s = abs(run.deg) / run.deg_s + run.deg_s / joint.home.acceleration_deg_s2
    return ideal_s * TIME_SHARE + TIME_EXTRA_S


def homed_words(homed: Homed) -> str:
    """How a joint was homed, as evidence."""
    joint, method = homed.joint, homed.method
    words = f"method {method.number} ({method.words}): home at step {homed.home_step}"
    if homed.apart_deg is not None:
        words += f", slow edge {homed.apart_deg:+.3f} {joint.unit} from where the fast one puts it"
    if method.index and not homed.by_eye:
        share = (
            abs(homed.home_step - homed.anchor_step) / abs(joint.steps_per_deg) / turn_deg(joint)
        )
        words += f", index {share:.2f} of a motor turn past the edge"
        if not NEAR_INDEX < share < 1.0 - NEAR_INDEX:
            words += " (so near to it that home may jump by a turn: move the switch's bracket)"
    return f"{words}, steps and counts agree"


def _stop(card: Card, channels: list[int]) -> None:
    card.abort()
    card.until_still(channels, STOP_S)
    card.arm_halt("OFF", channels)
    card.set_current(dict.fromkeys(channels, 1.0))
