"""The customer: runs the arm with a program, sees what eyes see, and complains in plain words.

The program homes stage by stage, goes to a working pose, waits, and goes back. It knows nothing
of faults, nor does what is said of it: both follow from what the arm did.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from ..commission.arm import Joint
from ..commission.errors import CardError, CommissionError
from ..commission.findings import Kind
from ..commission.homing import home
from ..commission.homing_failed import HomingFailed
from ..commission.positions import Positions
from .workplace import Workplace

AWAY_DEG = 25.0
"""From the rest pose to the working pose each joint goes so far, inward."""
SETTLE_S, STAY_S = 0.2, 1.5
MOVED_DEG, AT_STOP_DEG = 2.0, 2.0
SEEN_DEG = 2.0
"""An eye that judges whole degrees is not sure of less: a sound arm may stand half a degree off."""
WORKING, LATER, REST = "in the working pose", "a moment later", "back at rest"


@dataclass(frozen=True)
class Seen:
    """What the customer saw: the joint concerned, sentences, and where all joints stood by eye."""

    joint: str = ""
    words: str = ""
    stands_deg: Mapping[str, tuple[int, ...]] | None = None


def named(whats: Mapping[str, str], joint: str) -> str:
    """`J3 (elbow)`."""
    return f"{joint} ({whats[joint]})"


def use(place: Workplace, whats: Mapping[str, str]) -> Seen:
    """Run the customer's program on an arm as it is; `whats` names the joints in words.

    Leaves the arm on its stand with its drives off.
    """
    joints = place.arm.joints
    channels = [joint.channel for joint in joints]
    positions = Positions(place.arm, place.card)
    eyes_before = _eyes(place)
    doing = "homes the arm"
    try:
        place.card.enable(True, channels)
        place.card.pause(SETTLE_S)
        place.hand.stand(False)
        rest = positions.pose(place.arm.rest_pose_deg)
        for stage in sorted({joint.stage for joint in joints}):
            staged = [joint for joint in joints if joint.stage == stage]
            eyes_before = _eyes(place)
            seen = {joint.name: float(eyes_before[joint.channel - 1]) for joint in joints}
            positions.take(home(place.card, staged, seen))
            positions.go({joint.name: rest[joint.name] for joint in staged})
        doing = "goes to its working pose"
        stands = {}
        eyes_before = _eyes(place)
        away = {j.name: rest[j.name] + AWAY_DEG * place.inward(j) for j in joints}
        positions.go(away)
        stands[WORKING] = _eyes(place)
        place.card.pause(STAY_S)
        stands[LATER] = _eyes(place)
        doing, eyes_before = "goes back", _eyes(place)
        positions.go(rest)
        stands[REST] = _eyes(place)
        return Seen(stands_deg=stands)
    except HomingFailed as error:
        return _stopped(place, whats, error, doing, eyes_before)
    except CardError as error:
        return Seen(words=f"When the program {doing}, it stops: the card refuses ({error.text}).")
    except CommissionError:
        return Seen(words=f"When the program {doing}, it waits for the card and gives up.")
    finally:
        _leave(place, channels)


def _leave(place: Workplace, channels: list[int]) -> None:
    for act in (
        place.card.abort,
        lambda: place.card.until_still(channels, 5.0),
        lambda: place.hand.stand(True),
        lambda: place.card.enable(False, channels),
    ):
        try:
            act()
        except CommissionError:
            continue


def _eyes(place: Workplace) -> tuple[int, ...]:
    count = len(place.arm.joints)
    return tuple(int(deg) for deg in place.hands.numbers(f"LOOK? (@1:{count})", count))


_SAID = {
    Kind.HOME_NO_EDGE: "it looks for the home position of {} and gives up",
    Kind.HOME_NO_RELEASE: "it says that {} does not get away from its home position, and gives up",
    Kind.HOME_LOST: "it says that {} did not go as far as it was told, and gives up",
    Kind.HOME_SCATTER: "it says that {} was at home in two different places, and gives up",
}


def _stopped(
    place: Workplace,
    whats: Mapping[str, str],
    error: HomingFailed,
    doing: str,
    before: tuple[int, ...],
) -> Seen:
    joint, after = error.joint, _eyes(place)
    said = _SAID[error.symptom.kind].format(named(whats, joint.name))
    words = f"When the program {doing}, {said}. {_did(joint, before, after)}"
    return Seen(joint.name, words, {"stopped": after})


def _did(joint: Joint, before: tuple[int, ...], after: tuple[int, ...]) -> str:
    """How far the joint went, as eyes judge it."""
    at = after[joint.channel - 1]
    moved = at - before[joint.channel - 1]
    if abs(moved) <= MOVED_DEG:
        return f"As far as we saw, {joint.name} stood still."
    far = f"{joint.name} had moved by about {moved:+d} degrees"
    if moved * joint.home_sign < 0:
        return f"{far}, away from its home end."
    if (at - joint.home.switch_deg) * joint.home_sign > AT_STOP_DEG:
        return f"{far} and had run into its end."
    return f"{far}."


def complaint(seen: Seen, before: Seen, whats: Mapping[str, str]) -> Seen:
    """What the customer says, who knows how the arm stood `before`, when all was well.

    The words are empty when there is nothing to complain of.
    """
    if seen.words or seen.stands_deg is None or before.stands_deg is None:
        return seen
    worst, joint = 0, ""
    for number, name in enumerate(whats):
        apart = max(
            abs(seen.stands_deg[when][number] - before.stands_deg[when][number])
            for when in before.stands_deg
        )
        if apart > worst:
            worst, joint = apart, name
    if worst < SEEN_DEG:
        return Seen("", "", seen.stands_deg)
    number = list(whats).index(joint)
    told = ", ".join(
        f"{seen.stands_deg[when][number] - before.stands_deg[when][number]:+d} {when}"
        for when in before.stands_deg
    )
    words = (
        f"The program runs to its end, but {named(whats, joint)} does not stand where it used to. "
        f"By eye, in degrees: {told}."
    )
    return Seen(joint, words, seen.stands_deg)
