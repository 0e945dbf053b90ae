"""How a run of a homing must end, and what it means when it does not: the reasons of failure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NoReturn

from .arm import Joint
from .client import Card
from .errors import MotionError
from .findings import Kind, Symptom
from .homing_methods import Run, method_of, turn_deg
from .loss import classify, load_counts, slips

# An input that floats picks up mains: looked at again at times that fit no period of it.
LOOKS, LOOK_S = 4, 0.007
# Two positions, each with a loaded motor's lag.
WINDOW_LOADS = 2.0
# Of one that stands: shaken by others it swings, and past two full steps it has let go.
STANDING_LOADS = 4.0


class HomingFailed(MotionError):
    """Homing ended with all motion stopped; `symptom` and the text say why."""

    def __init__(self, joint: Joint, kind: Kind, text: str, **readings: float) -> None:
        super().__init__(f"{joint.name}: {text}")
        self.symptom = Symptom(kind, joint.name, readings)
        self.joint = joint


def window(joint: Joint) -> float:
    """Counts of following error at which a joint has slipped, or met something."""
    return WINDOW_LOADS * load_counts(joint)


def missed(card: Card, joint: Joint, run: Run, made: int) -> NoReturn:
    """A search that ended without its edge, after `made` steps: why."""
    channel = joint.channel
    level = card.levels([channel])[channel]
    error = card.following_error([channel])[channel]
    slipped = abs(error) > window(joint)
    late = f"; {error:+.0f} counts of following error: {classify(joint, error)}"
    if not slipped and made != joint.steps(run.deg):
        # The card has halted it, and the rotor has come back to its field.
        slipped = True
        ran = made / joint.steps_per_deg
        late = f" after {ran:+.1f} {joint.unit} by a following error that has gone since"
    if level and run.edge == "FALL":
        raise HomingFailed(
            joint,
            Kind.HOME_NO_RELEASE,
            f"backed off {abs(run.deg):.1f} {joint.unit} and the switch input still reads 1"
            f"{late if slipped else ''}",
            backed_off_deg=abs(run.deg),
        )
    if slipped:
        ends = method_of(joint).needs == "index"
        raise HomingFailed(
            joint,
            Kind.HOME_LOST,
            f"the {run.phase} search was halted{late}{'; or the travel ends here' * ends}",
            missing_counts=-error,
        )
    if run.edge == "IND" and abs(run.deg) < turn_deg(joint):
        raise HomingFailed(
            joint,
            Kind.HOME_NO_ROOM,
            f"the search for the index ran {abs(run.deg):.1f} {joint.unit} to the end of travel "
            f"and met none; a turn of the encoder is {turn_deg(joint):.1f} {joint.unit}: start "
            "from further off, or search the other way",
            ran_deg=abs(run.deg),
        )
    if run.edge == "IND":
        raise HomingFailed(
            joint,
            Kind.HOME_NO_INDEX,
            f"the search for the index ran {abs(run.deg):.1f} {joint.unit}, more than a turn of "
            "the encoder, and met none",
        )
    raise HomingFailed(
        joint,
        Kind.HOME_NO_EDGE,
        f"the {run.phase} search ran {abs(run.deg):.1f} {joint.unit} towards the switch and met no "
        f"edge; the input reads {level}",
        level=level,
    )


def stays(card: Card, joint: Joint, run: Run) -> None:
    """Past a switch edge, standing still, the input must read what the edge left it at."""
    expected = int(run.edge == "RISE")
    for again in range(LOOKS):
        if again:
            card.pause(LOOK_S)
        level = card.levels([joint.channel])[joint.channel]
        if level != expected:
            raise HomingFailed(
                joint,
                Kind.HOME_NO_EDGE,
                f"its edge came ({run.phase}), and standing past it the switch input reads "
                f"{level}: it floats, or chatters",
                level=level,
            )


def left(card: Card, joint: Joint, run: Run, made: int) -> None:
    """Having backed off, no step must be lost, and the switch have let go.

    Of a run that ended after `made` steps, too early, the switch tells nothing.
    """
    error = card.following_error([joint.channel])[joint.channel]
    level = card.levels([joint.channel])[joint.channel]
    slipped = abs(error) > window(joint)
    if not slipped and made != joint.steps(run.deg):
        raise shaken(joint, "backing off")
    late = f"; {error:+.0f} counts of following error: {classify(joint, error)}" if slipped else ""
    # Whole electrical turns are lost under torque: the joint never went, whatever its switch says.
    if level and not (slipped and slips(joint, error)):
        raise HomingFailed(
            joint,
            Kind.HOME_NO_RELEASE,
            f"backed off {abs(run.deg):.1f} {joint.unit} and the switch input still reads 1{late}",
            backed_off_deg=abs(run.deg),
        )
    if slipped:
        raise HomingFailed(
            joint,
            Kind.HOME_LOST,
            f"backing off was halted{late}; the switch input reads {level}",
            missing_counts=-error,
        )


def out_of_step(card: Card, joints: Sequence[Joint], first: Sequence[int]) -> Joint:
    """Which of the watched joints it was that stopped all, now that they stand.

    Those of the channels `first` had a following error first; but one that was only shaken stands
    again where it should, while another has lost its place.
    """
    errors = card.following_error([joint.channel for joint in joints])
    early = [joint for joint in joints if joint.channel in first]
    out = [joint for joint in joints if abs(errors[joint.channel]) > window(joint)]
    if any(joint in early for joint in out):
        return next(joint for joint in early if joint in out)
    return max(out, key=lambda j: abs(errors[j.channel]) / window(j)) if out else early[0]


def shaken(joint: Joint, what: str) -> HomingFailed:
    """For a motion stopped by a joint that now stands again where it should."""
    return HomingFailed(
        joint,
        Kind.HOME_LOST,
        f"{what} was stopped by a following error of it that has gone since",
        missing_counts=0.0,
    )


def strayed(card: Card, joint: Joint, moving: Sequence[Joint]) -> NoReturn:
    """A joint that was told to stand and has not: whoever moved was stopped for it."""
    error = card.following_error([joint.channel])[joint.channel]
    names = ", ".join(one.name for one in moving)
    if abs(error) <= window(joint):
        raise shaken(joint, f"the motion of {names}")
    raise HomingFailed(
        joint,
        Kind.SINKS,
        f"told to stand while {names} moved, it went "
        f"{error / joint.counts_per_deg:+.2f} {joint.unit} by count: it does not hold, or was "
        "pushed",
        count_deg=error / joint.counts_per_deg,
    )


def felt(card: Card, joint: Joint, run: Run) -> None:
    """A hard stop shows as a following error; a search without one has met nothing.

    One that is further off than it backs off has been thrown back, or has fallen: on so little
    current it does not hold.
    """
    error = card.following_error([joint.channel])[joint.channel]
    off = error / joint.counts_per_deg
    if abs(off) > joint.home.back_off_deg:
        share = joint.home.stop_current
        raise HomingFailed(
            joint,
            Kind.HOME_LOST,
            f"on its way to the hard stop, on {share:.0%} of its current, it fell {off:+.1f} "
            f"{joint.unit} behind: it does not hold itself on that. Raise home.stop_current, or "
            "home it by its switch",
            missing_counts=-error,
        )
    if abs(error) <= run.hold * load_counts(joint):
        raise HomingFailed(
            joint,
            Kind.HOME_NO_EDGE,
            f"ran {abs(run.deg):.1f} {joint.unit} and met no hard stop",
        )


def check_kept(joint: Joint, steps: int, counts: int) -> None:
    """See by the encoder that all commanded steps were made. Raises HomingFailed if not."""
    missing = steps / joint.steps_per_deg * joint.counts_per_deg - counts
    if abs(missing) > window(joint):
        raise HomingFailed(
            joint,
            Kind.HOME_LOST,
            f"{steps:+d} steps should give {missing + counts:+.0f} counts, the encoder made "
            f"{counts:+d}: {classify(joint, missing)}",
            missing_counts=missing,
        )
