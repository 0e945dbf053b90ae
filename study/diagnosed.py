"""Whether the diagnosis names the part: each fault on an arm that the ranker never saw.

Also held against the truth: that nothing passes with a homed joint further off than it says.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from ..commission.diagnosis import SOUND
from ..errors import DryrigError
from ..faults import parse_fault
from ..scenes import load_scene
from .candidates import candidates
from .executor import in_processes
from .library import ARM, Library
from .ranker import SimulatedRanker
from .truth import held_to_truth

FIRST, THREE = 1, 3


@dataclass(frozen=True)
class Trial:
    """One fault on one arm. `place` is its class's rank, 0 if not among those given.

    `hidden`: a commissioning cannot tell it from a sound arm. `chance` is the share of all faults
    in the class named first, `chance_three` of those in the first three. `wrongs` are words on what
    the truth says against it, the measuring included.
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
    wrongs: tuple[str, ...] = ()

    @property
    def named(self) -> bool:
        """Whether nothing is to be said about it."""
        return (self.place == FIRST or self.hidden) and not self.wrongs


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


_rankers: dict[str, SimulatedRanker] = {}


def try_one(task: tuple[str, int, str, Library | None]) -> Trial:
    """Commission and diagnose one arm, sound for the empty fault.

    Raises CommissionError or DryrigError.
    """
    scene, seed, fault, library = task
    ranker = _rankers.get(scene)
    if ranker is None or (library is not None and ranker.library is not library):
        ranker = _rankers[scene] = SimulatedRanker(scene, library or Library.of(scene), 1)
    held = held_to_truth(scene, seed, fault, ranker)
    result = held.result
    if result is None or result.diagnosis is None:
        raise DryrigError(f"{fault} (seed {seed}): {held.verdict}: no diagnosis")
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
        wrongs=tuple(held.wrongs),
    )


def study_diagnosis(
    scene: str,
    faults: Sequence[str],
    *,
    seed: int = 300,
    processes: int | None = None,
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
        whole = candidates(load_scene(scene))
        begin(len(known.tasks(whole)) + len(faults))
        known.learn(whole, processes, done)
    tasks = [(scene, seed + number, fault, library) for number, fault in enumerate(faults)]
    trials: dict[str, Trial] = {}
    for task, trial in in_processes(try_one, tasks, 1 if library else processes):
        trials[task[2]] = trial
        found(trial)
        done()
    return Tally([trials[fault] for fault in faults])
