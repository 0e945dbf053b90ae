"""Homing methods of CiA 402 / IEC 61800-7-201 as the runs that one joint makes.

Object 6098h is the method, 6099h:1 and :2 are the speeds of the search for the switch and for the
zero, 609Ah is the acceleration, 607Ch the home offset. A method is written as a generator: it
yields a run, and is given what the card latched.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from typing import Literal

from .arm import Joint
from .homing_table import METHODS, Method

# Beyond the nominal switch: its tolerance, and the eye's that judged the start.
PAST_SWITCH_DEG = 4.0
# Without anybody's eye: from anywhere in the travel.
PAST_TRAVEL_DEG = 8.0
# Further than a turn of the encoder's disc, an index must have come.
INDEX_TURNS = 1.05
# At an end of travel an index may still be met at once.
LEAST_DEG = 0.1
# Of the fast search: the blow of a harder stop throws the arm's weaker joints out of step.
STOP_SHARE = 0.25
# Of a loaded motor's lag: what the fast search for a stop may slip by, and at what the slow one is
# halted, before the rotor lets go of its field.
FAST_HOLD, SLOW_HOLD = 2.0, 1.0


@dataclass(frozen=True)
class Run:
    """One motion of one joint: by at most `deg` (signed), at a speed, until an edge if it has one.

    With `hold` it ends at a hard stop, met with limited current: at so many times a loaded motor's
    lag of following error.
    """

    phase: Literal["fast", "slow", "leave", "index", "stop", "move"]
    deg: float
    deg_s: float
    edge: Literal["RISE", "FALL", "IND", ""] = ""
    hold: float = 0.0


@dataclass(frozen=True)
class Caught:
    """What a run ended with: step and count at its edge, or where it stands; and the step there."""

    step: int
    count: int
    rest_step: int


@dataclass(frozen=True)
class Place:
    """Where a method found home.

    `step` and `count` are home; at `anchor_step` the joint's angle is known: by its drawing, or
    `by_eye` where the method knows no such place.
    """

    step: int
    count: int
    anchor_step: int
    anchor_deg: float
    fast_step: int | None = None
    by_eye: bool = False


@dataclass(frozen=True)
class Start:
    """What a method is told: switch level, step, count, and the angle by eye (or None)."""

    level: int
    step: int
    count: int
    eye_deg: float | None


Runs = Generator[Run, Caught, Place]


def method_of(joint: Joint) -> Method:
    """The method that the joint's arm file asks for; without one, two searches of its switch."""
    number = joint.home.method
    if number is None:
        number = -3 if joint.home.end == "negative" else -4
    return METHODS[number]


def runs(joint: Joint, start: Start) -> Runs:
    """The joint's method as runs."""
    method = method_of(joint)
    if method.needs in ("limit switch", "home switch"):
        return _switch(joint, method, start)
    if method.needs == "hard stop":
        return _stop(joint, method, start)
    if method.needs == "index":
        return _index_alone(joint, method, start)
    return _here(start)


def turn_deg(joint: Joint) -> float:
    """Degrees of the joint from one index to the next."""
    return 360.0 / joint.ratio if joint.encoder.mount == "motor" else 360.0


def off_deg(joint: Joint) -> float:
    """How far to leave a limit switch that is pressed at the start."""
    return PAST_SWITCH_DEG + joint.home.back_off_deg


def edge_deg(joint: Joint, edge: str) -> float:
    """The joint's nominal angle where its switch is pressed (RISE) or lets go (FALL)."""
    home = joint.home
    return home.switch_deg - (joint.home_sign * home.differential_deg if edge == "FALL" else 0.0)


def _switch(joint: Joint, method: Method, start: Start) -> Runs:
    """Fast to the switch, and slowly over the edge that counts; with an index, on to the next."""
    home, side = joint.home, method.side
    travelled = joint.travel_deg[1] - joint.travel_deg[0] + PAST_TRAVEL_DEG
    # What passes while it slows down from the fast search, and room for a switch's tolerance.
    stopping = home.fast_deg_s**2 / (2.0 * home.acceleration_deg_s2)
    fast = travelled
    if start.eye_deg is not None:
        fast = max(abs(home.switch_deg - start.eye_deg), home.back_off_deg) + PAST_SWITCH_DEG
    if start.level:
        away = off_deg(joint) if method.needs == "limit switch" else fast + stopping
        yield Run("leave", -side * away, home.fast_deg_s, "FALL")
        fast = PAST_SWITCH_DEG + home.back_off_deg + stopping
    first = yield Run("fast", side * fast, home.fast_deg_s, "RISE")
    past = abs(first.rest_step - first.step) / abs(joint.steps_per_deg)
    if method.edge == "FALL":
        edge = yield Run("slow", -side * (past + home.back_off_deg), home.slow_deg_s, "FALL")
        onward = -side
    else:
        back = -side * (past + home.back_off_deg)
        yield Run("leave", back, home.fast_deg_s)
        edge = yield Run("slow", side * 2.0 * home.back_off_deg, home.slow_deg_s, "RISE")
        onward = side
    found = edge
    if method.index:
        found = yield Run("index", onward * INDEX_TURNS * turn_deg(joint), home.slow_deg_s, "IND")
    return Place(found.step, found.count, edge.step, edge_deg(joint, method.edge), first.step)


def _index_alone(joint: Joint, method: Method, start: Start) -> Runs:
    """A turn of the disc at most, and not past the end of travel, as far as an eye can tell."""
    deg = INDEX_TURNS * turn_deg(joint)
    if start.eye_deg is not None:
        end_deg = joint.travel_deg[0 if method.side < 0 else 1]
        deg = min(deg, max(method.side * (end_deg - start.eye_deg), LEAST_DEG))
    found = yield Run("index", method.side * deg, joint.home.slow_deg_s, "IND")
    return Place(found.step, found.count, start.step, start.eye_deg or 0.0, by_eye=True)


def _here(start: Start) -> Runs:
    yield from ()
    return Place(start.step, start.count, start.step, start.eye_deg or 0.0, by_eye=True)


def _stop(joint: Joint, method: Method, start: Start) -> Runs:
    """Slowly against the stop with little current; the encoder tells where it is."""
    assert joint.stops_deg is not None  # the arm file's check
    low, high = joint.stops_deg
    stop_deg = low if method.side < 0 else high
    limit = high - low + PAST_TRAVEL_DEG
    if start.eye_deg is not None:
        limit = abs(stop_deg - start.eye_deg) + PAST_TRAVEL_DEG
    home, away = joint.home, -method.side * joint.home.back_off_deg
    deg_s = home.fast_deg_s * STOP_SHARE
    yield Run("stop", method.side * limit, deg_s, hold=FAST_HOLD)
    yield Run("move", away, deg_s)
    met = yield Run("stop", -2.0 * away, home.slow_deg_s, hold=SLOW_HOLD)
    left = yield Run("move", away, home.slow_deg_s)
    # Steps were lost at the stop, counts were not: the stop's place in steps as they are now.
    left_deg = (left.count - met.count) / joint.counts_per_deg
    step = left.rest_step - joint.steps(left_deg)
    return Place(step, met.count, step, stop_deg)
