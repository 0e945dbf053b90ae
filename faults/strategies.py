"""Hypothesis strategies of arms and of what goes wrong with them: `pip install dryrig[testing]`.

All options are keyword-only and are checked when an example is drawn. What is drawn are texts of
the faults' grammar and plain figures, so that a falsifying example can be pasted. Everything
shrinks towards a sound arm of seed 0 where a seed would put it; then towards one fault, with its
kind's own values, at the first joint; figures are of the series 1, 2, 5.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from ..errors import DryrigError
from ..scenes import Axis, Sketch
from .catalogue import chosen_faults
from .gates import Parameter
from .grammar import Fault, parse_fault
from .kinds import Kind
from .places import joints_in, part_at
from .poses import scene_of, stands, start_for

try:
    from hypothesis import HealthCheck, Phase, settings
    from hypothesis import strategies as st
except ImportError as error:
    raise ImportError(
        "dryrig.faults.strategies needs Hypothesis, which is not installed here: "
        "pip install 'dryrig[testing]'"
    ) from error

PROFILE = "dryrig"
"""A profile of settings for tests with rigs: no deadline of 200 ms, slow draws are no fault. The
first bug found is shrunk at once and told: looking on for others, and for what does not matter in
it, takes minutes while arms lean on their stops."""

MOST_SEED = 2**16 - 1

_FIGURES: dict[str, tuple[Any, ...]] = {
    "ratio": (20.0, 10.0, 15.0, 30.0, 40.0),
    "travel": (90.0, 45.0, 160.0, 30.0),
    "end": ("negative", "positive"),
    "direction": (1, -1),
    "stage": tuple(range(1, 10)),
    "microsteps": (16, 8, 32, 4, 64),
    "full_steps": (200, 400),
    "counts": (4000, 2000, 1000, 8000),
    "cable_m": (1.0, 0.5, 2.0, 5.0),
    "link_m": (0.1, 0.05),
    "link_kg": (0.5, 0.2, 1.0),
}
"""What a sketch's axis may be, `scenes.Axis`'s own value first; sound in every combination."""

settings.register_profile(
    PROFILE,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    report_multiple_bugs=False,
    phases=[phase for phase in Phase if phase is not Phase.explain],
)


@dataclass(frozen=True)
class Arm:
    """One individual arm: `open_rig(arm.scene, **arm.options)` builds it.

    `faults` are in from power-up; `start_pose_deg` is None where the seed draws it.
    """

    scene: str
    seed: int = 0
    faults: tuple[str, ...] = ()
    start_pose_deg: tuple[float, ...] | None = None

    @property
    def options(self) -> dict[str, Any]:
        """What `open_rig` takes besides the scene."""
        return {
            "seed": self.seed,
            "faults": self.faults,
            "start_pose_deg": self.start_pose_deg,
        }

    @property
    def oddities(self) -> int:
        """How many of seed and pose are other than their simplest, and parameters of faults."""
        values = sum(fault.count("=") for fault in self.faults)
        return (self.seed != 0) + (self.start_pose_deg is not None) + values

    def __repr__(self) -> str:
        extra = f", seed={self.seed}" if self.seed else ""
        extra += f", faults={list(self.faults)}" if self.faults else ""
        pose = self.start_pose_deg
        extra += f", start_pose_deg={list(pose)}" if pose is not None else ""
        return f"Arm({self.scene!r}{extra})"

    def _repr_pretty_(self, printer: Any, cycle: bool) -> None:
        """The same where Hypothesis tells of a failure: it would list every field."""
        printer.text(repr(self))


@dataclass(frozen=True)
class Due:
    """A fault that comes at a rig time, s: `rig.faults.schedule(due.fault, due.at_s)`."""

    fault: str
    at_s: float


@dataclass(frozen=True)
class HandAction:
    """What a person does, as a line for the hands port: `hands.write(action.line)`."""

    text: str

    @property
    def line(self) -> bytes:
        """The bytes to be sent."""
        return self.text.encode() + b"\n"


_Sorted = dict[str, dict[str, dict[str, list[str]]]]


@lru_cache(maxsize=64)
def _catalogue(
    scene: str | Path, joints: tuple[str, ...], parts: tuple[str, ...], kinds: tuple[str, ...]
) -> dict[str, _Sorted]:
    """The catalogue's faults by the first joint that they name, sort, part and kind.

    Without those variants that the values drawn give anyway.
    """
    loaded = scene_of(scene)
    names = [joint.name for joint in loaded.joint]
    found: dict[str, _Sorted] = {name: {} for name in (*names, "")}
    for fault in chosen_faults(loaded, joints=joints, parts=parts, kinds=kinds):
        if "," not in fault:
            parsed = parse_fault(fault)
            at = {joint for place in parsed.places for joint in joints_in(place, loaded)}
            # Of those asked for: `cross@J3.ENC/J4.ENC` is one of J4 for who asks for J4.
            first = min(at & set(joints or at), key=names.index, default="")
            by_part = found[first].setdefault(_sort(parsed.kind), {})
            by_kind = by_part.setdefault(part_at(parsed.places[0]), {})
            by_kind.setdefault(parsed.kind.name, []).append(fault)
    return {joint: by_sort for joint, by_sort in found.items() if by_sort}


def _sort(kind: Kind) -> str:
    """How common a kind is: what opens, other wiring, parts (common practice, no figures)."""
    if kind.name in ("open", "unplug"):
        return "opens"
    return "wiring" if kind.where in ("conductor", "node", "plug") else "parts"


def round_values(parameter: Parameter) -> list[float]:
    """Values of a parameter, its own first, then others of the series 1, 2, 5 within its range."""
    least, most = max(parameter.least, -1e12), min(parameter.most, 1e12)
    if parameter.whole and most - least <= 16:
        found = [float(value) for value in range(int(least), int(most) + 1)]
    else:
        series = [float(f"{digit}e{power}") for power in range(-4, 13) for digit in (1, 2, 5)]
        found = [value for value in [*series, 0.0, *(-v for v in series)] if least <= value <= most]
    own = parameter.default
    # No further than a thousand times away: what breaks beyond is the same.
    near = [value for value in found if own == 0 or abs(own) / 1e3 <= abs(value) <= abs(own) * 1e3]
    others = [value for value in near if value != own and parameter.takes(value)]
    return [own, *sorted(others, key=lambda value: (abs(value - own), value))]


def _one_of(draw: st.DrawFn, several: list[str]) -> str:
    """As `sampled_from`, which draws nothing where there is one: then that would look simplest."""
    return several[draw(st.integers(0, len(several) - 1))]


@st.composite
def _faults(
    draw: st.DrawFn,
    scene: str | Path,
    joints: tuple[str, ...],
    parts: tuple[str, ...],
    kinds: tuple[str, ...],
    values: bool,
) -> str:
    # Drawn apart, so that each shrinks by itself, what is common on a bench is common here, and a
    # part with few conductors breaks as often as one with many. Four draws and no more: of longer
    # ones Hypothesis does not strike out one of several.
    by_joint = _catalogue(scene, joints, parts, kinds)
    by_sort = by_joint[_one_of(draw, list(by_joint))]
    by_part = by_sort[_one_of(draw, list(by_sort))]
    pairs = [(part, kind) for part, by_kind in by_part.items() for kind in by_kind]
    part, name = pairs[draw(st.integers(0, len(pairs) - 1))]
    places = by_part[part][name]
    # Whether a value differs is drawn with the place, and always: else none would look simpler.
    place = draw(st.integers(0, len(places) * (2 if values else 1) - 1))
    text = places[place % len(places)]
    kind = parse_fault(text).kind
    if place >= len(places) and kind.parameters:
        name = draw(st.sampled_from(list(kind.parameters)))
        value = draw(st.sampled_from(round_values(kind.parameters[name])))
        text = parse_fault(f"{text},{name}={value:.12g}").text
    return text


def faults(
    scene: str | Path = "heron",
    *,
    joints: Iterable[str] = (),
    parts: Iterable[str] = (),
    kinds: Iterable[str] = (),
    values: bool = True,
) -> st.SearchStrategy[str]:
    """One fault of the catalogue as its text, at the joints, at the parts, of the kinds named.

    An empty choice takes all. With `values` one of the kind's parameters may differ from its own
    value. Raises FaultError with the nearest name when the first example is drawn.
    """
    return _faults(scene, tuple(joints), tuple(parts), tuple(kinds), values)


def fault_sets(
    scene: str | Path = "heron", *, min_size: int = 0, max_size: int = 2, **choice: Any
) -> st.SearchStrategy[tuple[str, ...]]:
    """Several faults at once, each once; `choice` as for `faults`."""
    return st.lists(faults(scene, **choice), min_size=min_size, max_size=max_size, unique=True).map(
        tuple
    )


@st.composite
def schedules(
    draw: st.DrawFn,
    /,
    scene: str | Path = "heron",
    *,
    until_s: float = 30.0,
    max_size: int = 2,
    **choice: Any,
) -> tuple[Due, ...]:
    """Faults that come while the rig runs, in order of time, at tenths of a second."""
    if until_s < 0:
        raise DryrigError(f"until_s: got {until_s:g}, expected 0 s or more")
    times = st.integers(0, int(until_s * 10)).map(lambda tenths: tenths / 10)
    due = st.builds(Due, faults(scene, **choice), times)
    found = draw(st.lists(due, max_size=max_size, unique_by=lambda each: each.fault))
    return tuple(sorted(found, key=lambda each: each.at_s))


@st.composite
def start_poses(
    draw: st.DrawFn,
    /,
    scene: str | Path = "heron",
    *,
    joints: Sequence[str] = (),
    on_switch: bool = True,
) -> tuple[float, ...]:
    """A pose in which nothing touches, deg (mm of a linear axis), one figure a joint.

    It begins at the arm's rest pose; the joints named (all, when none is) may stand elsewhere, at
    whole tens within their travel or, with `on_switch`, 2 deg beyond the point at which their
    switch operates.
    """
    loaded = scene_of(scene)
    names = [joint.name for joint in loaded.joint]
    for name in joints:
        if name not in names:
            raise DryrigError(f"no joint {name!r}: expected one of {', '.join(names)}")
    rest = list(loaded.rest_pose_deg)
    pose = list(rest)
    for number, joint in enumerate(loaded.joint):
        if (joints and joint.name not in joints) or not draw(st.booleans()):
            continue
        low, high = joint.travel_deg
        tens = [10.0 * ten for ten in range(-40, 1000) if low <= 10.0 * ten <= high]
        tens.sort(key=lambda deg: (abs(deg - rest[number]), deg))
        stop = joint.stops_deg[joint.end_sign > 0]
        beyond = joint.home.switch_deg + joint.end_sign * 2.0
        inside = (stop - beyond) * joint.end_sign > 1.0
        choices = [*([beyond] if on_switch and inside else []), *tens]
        pose[number] = draw(st.sampled_from(choices))
        if not stands(scene, tuple(pose)):
            pose[number] = rest[number]
    return tuple(pose)


@st.composite
def arms(
    draw: st.DrawFn,
    /,
    scene: str | Path = "heron",
    *,
    max_faults: int = 1,
    poses: bool = True,
    line: bool = True,
    joints: Iterable[str] = (),
    **choice: Any,
) -> Arm:
    """An individual arm: a seed, faults at the joints named (all, when none is), a start pose.

    `max_faults` 0 gives sound arms; `line` lets faults of the serial line be among them; `choice`
    as for `faults`. Where the seed puts the others so that the joints named would meet the table or
    a link on their way home, the arm starts at its rest pose.
    """
    named = tuple(joints)
    one = faults(scene, joints=named, **choice)
    found: list[str] = []
    # A sound arm is the simplest, and no more than one in four.
    while len(found) < max_faults and draw(st.integers(0, 3)):
        on_line = line and named and not choice and draw(st.integers(0, 4)) == 4
        if (fault := draw(line_conditions() if on_line else one)) not in found:
            found.append(fault)
    seed = draw(st.integers(0, MOST_SEED)) if draw(st.booleans()) else 0
    pose = draw(start_poses(scene, joints=named)) if poses and draw(st.booleans()) else None
    if pose == scene_of(scene).rest_pose_deg or pose is None:
        pose = start_for(scene, seed, named)
    return Arm(str(scene), seed, tuple(found), pose)


@st.composite
def line_conditions(draw: st.DrawFn, *, most_delay_s: float = 2.0, loses: bool = True) -> str:
    """A bad serial line, as one fault: replies that come late and split, or bytes lost or spoilt.

    `most_delay_s` bounds how late a byte comes, each way; without `loses` every byte comes once.
    """
    if most_delay_s < 1e-3:
        raise DryrigError(f"most_delay_s: got {most_delay_s:g}, expected 0.001 s or more")
    rounds = [value for value in (0.2, 0.1, 0.5, 1.0, 2.0, 5.0, 10.0) if value <= most_delay_s]
    late = st.sampled_from(rounds or [most_delay_s])
    pers = st.sampled_from([1e-3, 1e-2, 2e-3, 5e-3, 2e-2, 5e-2])
    slow: list[st.SearchStrategy[str]] = [
        late.map("delay@LINE,s={:g}".format),
        st.tuples(pers, late).map(lambda drawn: f"stall@LINE,per={drawn[0]:g},s={drawn[1]:g}"),
    ]
    lossy = [pers.map(f"{kind}@LINE,per={{:g}}".format) for kind in ("drop", "double", "noise")]
    return parse_fault(draw(st.one_of(*slow, *(lossy if loses else [])))).text


@st.composite
def hand_actions(
    draw: st.DrawFn, scene: str | Path = "heron", *, joints: Sequence[str] = ()
) -> HandAction:
    """Something a person does at the arm: turn, press, release, wiggle, the STOP button."""
    loaded = scene_of(scene)
    wanted = tuple(joints) or tuple(joint.name for joint in loaded.joint)
    at = st.sampled_from([1 + loaded.joint_number(name) for name in wanted])
    turns = st.tuples(st.sampled_from([5, -5, 10, -10, 20, -20]), at)
    texts = st.one_of(
        at.map("PRES (@{})".format),
        at.map("REL (@{})".format),
        at.map("WIGG (@{})".format),
        turns.map(lambda drawn: f"TURN {drawn[0]},(@{drawn[1]})"),
        st.sampled_from(["STOP 1", "STOP 0"]),
    )
    return HandAction(draw(texts))


@st.composite
def scenes(
    draw: st.DrawFn, /, *, min_axes: int = 1, max_axes: int = 9, slides: bool = True
) -> Sketch:
    """An arm of any shape that is sound: `open_rig(sketch.path)` builds it, and it can be homed.

    With `slides` its first axis may be a linear one. Raises DryrigError unless
    1 <= `min_axes` <= `max_axes` <= 9.
    """
    if not 1 <= min_axes <= max_axes <= 9:
        raise DryrigError(
            f"min_axes, max_axes: got {min_axes}, {max_axes}, expected 1 to 9 in ascending order"
        )
    axes: list[Axis] = []
    for number in range(draw(st.integers(min_axes, max_axes))):
        moves = ("turn", "pitch", "roll", *(("slide",) if slides and number == 0 else ()))
        chosen = {"moves": draw(st.sampled_from(moves))}
        if draw(st.booleans()):
            chosen |= {name: draw(st.sampled_from(values)) for name, values in _FIGURES.items()}
            positive = chosen["end"] == "positive"
            chosen["method"] = draw(st.sampled_from([None, 17 + positive, 1 + positive]))
        axes.append(Axis(**chosen))
    return Sketch(tuple(axes), draw(st.sampled_from([0.14, 0.25])))


def register() -> None:
    """Let `from_type` give arms and faults."""
    st.register_type_strategy(Sketch, scenes())
    st.register_type_strategy(Arm, arms())
    st.register_type_strategy(Fault, faults().map(parse_fault))
    st.register_type_strategy(HandAction, hand_actions())


register()
