"""Drills dealt by level and seed: an arm, a hidden fault or none, and the customer's complaint.

The complaint is what the customer's program did on that arm with that fault, in the customer's
words. A sound arm is dealt with the complaint of a fault that it does not have.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from ..commission.arm import Arm, load_arm
from ..errors import nearest
from ..faults import enumerate_faults, parse_fault
from ..faults.kinds import KINDS, plug_of
from ..scenes import Scene, load_scene, scene_path
from .drill_customer import Seen, complaint, named, use
from .drill_words import DrillError
from .examples import joints_of
from .workplace import Workplace

LEVELS = (1, 2, 3)
SOUND_SHARE = 1 / 6
"""Of all drills, so many have no fault (the trade: include a no-fault drill)."""
Candidate = tuple[str, ...]
"""Faults that are in at once; none on a sound arm."""

HARD = ("open", "swap", "unplug")
PAIRED = ("open", "swap")
"""Kinds of which two are in at once."""
MISTAKEN = ("short", "cross", "weak", "shift", "microsteps", "idle", "slip", "play", "pulley",
            "bind", "sticky", "overrun", "stuck", "soaked")  # fmt: skip
LATENT = ("resist", "worn")
GATED = "open"
WIGGLE, BENT = "wiggle=1", "low={:g},high={:g}"
_BENT_DEG = 12.0
_SEVERE = {"weak": "current=0.22", "idle": "current=0.15", "play": "deg=2.5", "bind": "deg={mid:g}"}
"""Parameters with which a customer would notice."""
_RARE = ("strong", "dry")
"""Kinds that show after half an hour, when a drill is long over, or once in many times."""
_UNSEEN = ("ENC.Z",)
"""Conductors that no act of a drill looks at."""
_WHOLE = {"CARD", "RAIL", "TOOL", "BRAKE", "BASE", "RAIL.24V", "GRIPPER", "METER", "CONTACTOR"}
_TRIES = 200

LEVEL_WORDS = {
    1: "one conductor or plug: open, two swapped, a plug out; or nothing",
    2: "one fault of any kind that is there all the time; or nothing",
    3: "one that comes and goes, one that shows only to a gauge, or two at once; or nothing",
}
_ALWAYS = "It is like that every time we try."
_SOMETIMES = "Not every time: some days it runs."
_CHECK = (
    "Nothing is wrong that we know of. The arm is due for a course; please look at {}, which "
    "was worked on."
)


@dataclass(frozen=True)
class Case:
    """One drill. `faults` are hidden; none when the arm is sound.

    `joint` is the one that the customer names, `order` what the customer says, `before` what the
    program showed when all was well.
    """

    scene: Scene
    arm: Arm
    level: int
    seed: int
    faults: Candidate
    joint: str
    order: str
    before: Seen

    @property
    def whats(self) -> Mapping[str, str]:
        """The joints in words."""
        return joint_words(self.scene)


def joint_words(scene: Scene) -> dict[str, str]:
    """`elbow` for J3: what the scene says of a joint, as far as the first comma."""
    return {joint.name: joint.what.partition(",")[0] for joint in scene.joint}


def plain(fault: str) -> str:
    """`open@J5.ENC.A` for `open@J5.ENC.A,wiggle=1`."""
    return fault.partition(",")[0]


def key(fault: str) -> tuple[str, frozenset[str]]:
    """What makes two faults one: the kind, and the places in any order."""
    read = parse_fault(plain(fault))
    return read.kind.name, frozenset(read.places)


def kinds_of(level: int) -> tuple[str, ...]:
    """Kinds that a level deals. Those that no table here names come in at level 2.

    What belongs to the whole arm is nobody's joint to send a learner to.
    """
    known = {*HARD, *MISTAKEN, *LATENT, *_RARE}
    new = tuple(
        kind.name
        for kind in KINDS.values()
        if kind.name not in known and kind.where == "part" and not _WHOLE & set(kind.parts)
    )
    return (HARD, HARD + MISTAKEN + new, HARD + MISTAKEN + new + LATENT)[level - 1]


def faults_of(scene: Scene, level: int) -> Iterator[str]:
    """Every fault that a level may deal, without gates."""
    kinds = kinds_of(level)
    for fault in enumerate_faults(scene):
        kind, places = fault.partition("@")[0], parse_fault(fault).places
        if "," in fault:  # a variant of the one before it
            continue
        if kind not in kinds or any(place.endswith(_UNSEEN) for place in places):
            continue
        if not joints_of(fault):
            continue  # the second card's cable: a customer's program does not use it
        if kind == "short" and any(place.startswith("RAIL.") for place in places):
            continue
        if kind in LATENT and kind == "resist" and ".SW." not in fault:
            continue
        yield _severe(fault, scene)


def _severe(fault: str, scene: Scene) -> str:
    kind = fault.partition("@")[0]
    if kind not in _SEVERE:
        return fault
    joint = scene.joint[scene.joint_number(joints_of(fault)[0])]
    rest = scene.rest_pose_deg[scene.joint_number(joint.name)]
    # Half-way between rest and the switch: where a homing passes.
    return f"{fault},{_SEVERE[kind].format(mid=round((rest + joint.home.switch_deg) / 2))}"


def deal(scene_name: str, level: int, seed: int) -> Case:
    """The drill of this level and seed: always the same one.

    Raises DrillError for a level there is not, SceneError for a scene, CommissionError when a
    rig does not answer.
    """
    if level not in LEVELS:
        raise DrillError(f"level {level}: expected one of {', '.join(map(str, LEVELS))}")
    scene, arm = load_scene(scene_name), load_arm(scene_path(scene_name))
    chance = random.Random(f"drill {level} {seed}")
    whats = joint_words(scene)
    before = _run(arm, seed, (), whats)
    sound = chance.random() < SOUND_SHARE
    for _ in range(_TRIES):
        faults, order_of = _draw(scene, level, chance)
        seen = complaint(_run(arm, seed, order_of, whats), before, whats)
        if bool(seen.words) != bool(order_of):
            continue
        joint = seen.joint or joints_of(faults[0])[0]
        if order_of and joint not in joints_of(faults[0]):
            # What shows elsewhere only would send the learner to the wrong joint for good.
            continue
        order = _order(faults, order_of, seen.words, named(whats, joint))
        return Case(scene, arm, level, seed, () if sound else faults, joint, order, before)
    raise DrillError(f"no drill of level {level} for seed {seed}: try another seed")


def _run(arm: Arm, seed: int, faults: Candidate, whats: Mapping[str, str]) -> Seen:
    with Workplace(arm, seed) as place:
        for fault in faults:
            place.injector.insert(fault)
        return use(place, whats)


def _order(faults: Candidate, shown: Candidate, words: str, joint: str) -> str:
    if not shown:
        return _CHECK.format(joint)
    return f"{words} {_SOMETIMES if shown != faults else _ALWAYS}"


def _draw(scene: Scene, level: int, chance: random.Random) -> tuple[Candidate, Candidate]:
    """Faults to hide, and those that the customer has met: on the bad days, all the time."""
    if level == 1:
        fault = _one(scene, HARD, level, chance)
        return (fault,), (fault,)
    if level == 2:
        salt = chance.random()
        new = [kind for kind in kinds_of(2) if kind not in HARD]
        # Each kind draws for itself, so that one more moves no other drill but those it wins.
        kind = min(new, key=lambda each: random.Random(f"{salt} {each}").random())
        fault = _one(scene, (kind,), level, chance)
        return (fault,), (fault,)
    sort = chance.choice(("wiggle", "bent", "latent", "two"))
    if sort == "latent":
        return (_one(scene, LATENT, level, chance),), ()
    first = _one(scene, PAIRED if sort == "two" else (GATED,), level, chance)
    if sort == "two":
        joint = joints_of(first)[0]
        others = [f for f in faults_of(scene, 1)
                  if joints_of(f) == [joint] and _apart(first, f)]  # fmt: skip
        both = (first, chance.choice(others))
        return both, both
    if sort == "wiggle":
        return (f"{first},{WIGGLE}",), (first,)
    bent = f"{first},{_bent(scene, first, chance)}"
    return (bent,), (bent,)


def _bent(scene: Scene, fault: str, chance: random.Random) -> str:
    """A span of angles, within hand's reach of the rest pose, where a cable is bent most."""
    number = scene.joint_number(joints_of(fault)[0])
    middle = scene.rest_pose_deg[number] + chance.choice((-20, 20))
    return BENT.format(middle - _BENT_DEG, middle + _BENT_DEG)


def _apart(one: str, other: str) -> bool:
    """Whether two faults of conductors concern different plugs, so that neither hides the other."""
    kinds = {fault.partition("@")[0] for fault in (one, other)}
    ours, theirs = ({plug_of(place) for place in parse_fault(f).places} for f in (one, other))
    return kinds <= set(PAIRED) and not ours & theirs


def _one(scene: Scene, kinds: Sequence[str], level: int, chance: random.Random) -> str:
    """A kind by chance, then a place by chance: else kinds with many places would be all."""
    kind = chance.choice(list(kinds))
    places = [f for f in faults_of(scene, level) if f.partition("@")[0] == kind]
    return chance.choice(places)


def pool(case: Case) -> list[Candidate]:
    """What a case may be, for all that its level and the complaint say; the truth among it.

    All faults of the level that touch the joint complained of, or a joint of the true fault; at
    level 3 also those that come and go, and pairs with one of the true pair.
    """
    joints = {case.joint, *(name for fault in case.faults for name in joints_of(fault))}
    hard = [f for f in faults_of(case.scene, case.level) if joints & set(joints_of(f))]
    found: list[Candidate] = [(), *((fault,) for fault in hard)]
    if case.level == 3:
        gates = {f.partition(",")[2] for f in case.faults if len(case.faults) == 1} - {""}
        gated = {gate for gate in gates if gate.startswith(("wiggle", "low"))} or {WIGGLE}
        found += [(f"{f},{gate}",) for gate in sorted(gated) for f in hard
                  if f.startswith(f"{GATED}@")]  # fmt: skip
    if len(case.faults) == 2:
        firsts = [f for f in hard if f.partition("@")[0] in HARD]
        for kept in case.faults:
            found += [tuple(sorted((kept, f))) for f in firsts if _apart(kept, f)]
    if case.faults not in found and tuple(sorted(case.faults)) not in found:
        found.append(case.faults)
    return list(dict.fromkeys(found))


def check_kind(level: int, name: str) -> str:
    """A kind of this level. Raises DrillError with the nearest name."""
    names = kinds_of(level)
    if name not in names:
        raise DrillError(
            f"no kind {name!r} at level {level}: expected one of {', '.join(names)}"
            f"{nearest(name, names)}"
        )
    return name
