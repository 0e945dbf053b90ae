"""Whether the diagnosis names the part: each fault on an arm that the ranker never saw.

Also held against the truth: that nothing passes with a homed joint further off than it says.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass, field

from ..commission.diagnosis import SOUND
from ..commission.hand import PortHand
from ..commission.result import Result
from ..commission.run import commission
from ..errors import DryrigError
from ..faults import enumerate_faults, parse_fault
from ..protocol.lease import Lease
from ..protocol.url import parse_url
from ..scenes import load_scene, scene_path
from .commissioned import address
from .executor import in_processes
from .library import ARM, Library
from .ranker import SimulatedRanker

BEYOND_DEG = 0.2
"""How much further off than its stated bound a joint of a passed arm may be."""
FIRST, THREE = 1, 3


@dataclass(frozen=True)
class Trial:
    """One fault on one arm. `place` is its class's rank, 0 if not among those given.

    `hidden`: a commissioning cannot tell it from a sound arm. `off_deg`: how far a homed joint of
    a passed arm stands beyond its stated bound; negative when within. `chance` is the share of all
    faults in the class named first, `chance_three` of those in the first three.
    """

    fault: str
    seed: int
    verdict: str
    place: int
    size: int
    chance: float
    chance_three: float
    first: str
    hidden: bool
    measured: int
    off_deg: float
    teacher_bytes: int

    @property
    def named(self) -> bool:
        """Whether nothing is to be said about it."""
        return (self.place == FIRST or self.hidden) and not self.wrong

    @property
    def wrong(self) -> bool:
        """Passed while off by more than is allowed, or the teacher was asked."""
        return self.off_deg > BEYOND_DEG or self.teacher_bytes > 0


@dataclass
class Tally:
    """All trials of a study."""

    trials: list[Trial] = field(default_factory=list)

    def kinds(self) -> list[str]:
        """The kinds that were tried."""
        return list(dict.fromkeys(one.fault.partition("@")[0] for one in self.trials))

    def of(self, kind: str = "") -> list[Trial]:
        """The trials of faults that are not hidden, of a kind or of all."""
        return [
            one
            for one in self.trials
            if not one.hidden and kind in ("", one.fault.partition("@")[0])
        ]

    def hidden(self, kind: str = "") -> int:
        """How many are hidden from a commissioning."""
        return sum(one.hidden and kind in ("", one.fault.partition("@")[0]) for one in self.trials)


def sampled(faults: Sequence[str], number: int, seed: int) -> list[str]:
    """So many of the faults, drawn by a seed, in their order; all of them for 0."""
    if not 0 < number < len(faults):
        return list(faults)
    chosen = set(random.Random(seed).sample(range(len(faults)), number))
    return [fault for index, fault in enumerate(faults) if index in chosen]


_rankers: dict[str, SimulatedRanker] = {}


def try_one(task: tuple[str, int, str, Library | None]) -> Trial:
    """Commission and diagnose one arm, sound for the empty fault.

    Raises CommissionError or DryrigError.
    """
    scene, seed, fault, library = task
    ranker = _rankers.get(scene)
    if ranker is None or (library is not None and ranker.library is not library):
        ranker = _rankers[scene] = SimulatedRanker(scene, library or Library.of(scene), 1)
    url = address(scene, seed, fault)
    lease = Lease(parse_url(f"{url}&port=teacher"))  # looks on; its log must stay empty
    try:
        with closing(PortHand.open(f"{url}&port=hands")) as hand:
            result = commission(url, hand, scene_path(scene), ranker=ranker)
        teacher_bytes = lease.station.ports["teacher"].received_count
        off_deg = _beyond(result, scene, lease.station.rig.truth_deg())
    finally:
        lease.release()
    assert result.diagnosis is not None
    classes = [one.faults for one in result.diagnosis.classes]
    place = next((n for n, names in enumerate(classes, 1) if (fault or SOUND) in names), 0)
    known = len(ranker.faults)
    return Trial(
        fault=fault,
        seed=seed,
        verdict=result.verdict,
        place=place,
        size=len(classes[0]),
        chance=len(classes[0]) / known,
        chance_three=sum(map(len, classes[:THREE])) / known,
        first=classes[0][0],
        hidden=ranker.hidden(fault or SOUND),
        measured=len(result.diagnosis.taken),
        off_deg=off_deg,
        teacher_bytes=teacher_bytes,
    )


def _beyond(result: Result, scene: str, truth_deg: Sequence[float]) -> float:
    """Furthest that a joint of a passed arm is beyond gauge and switch."""
    if result.verdict != "pass":
        return -BEYOND_DEG
    repeat_deg = load_scene(scene).switch.repeat_deg
    return max(
        abs(one.angle_deg - truth) - one.gauge_accuracy_deg - repeat_deg
        for one, truth in zip(result.joints, truth_deg, strict=True)
        if one.angle_deg is not None
    )


def study_diagnosis(
    scene: str,
    faults: Sequence[str],
    *,
    seed: int = 300,
    processes: int = 2,
    library: Library | None = None,
    found: Callable[[Trial], None] = lambda _trial: None,
    begin: Callable[[int], None] = lambda _total: None,
    done: Callable[[], None] = lambda: None,
) -> Tally:
    """One arm a fault, with seeds from `seed` on; learns the whole catalogue first.

    A `library` of one's own is for one process: its faults are the candidates. Raises DryrigError
    for a seed that the ranker learned from.
    """
    if ARM - len(faults) < seed < ARM + 100:
        raise DryrigError(f"seeds from {seed} on meet the arms learned from ({ARM} and up)")
    for fault in faults:
        parse_fault(fault)
    if library is None:
        known = Library.of(scene)
        whole = list(enumerate_faults(load_scene(scene)))
        begin(len(known.tasks(whole)) + len(faults))
        known.learn(whole, processes, done)
    tasks = [(scene, seed + number, fault, library) for number, fault in enumerate(faults)]
    trials: dict[str, Trial] = {}
    for task, trial in in_processes(try_one, tasks, 1 if library else processes):
        trials[task[2]] = trial
        found(trial)
        done()
    return Tally([trials[fault] for fault in faults])
