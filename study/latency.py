"""Which faults the reference commissioning sees, and which stay hidden from it, and why.

Every fault is put into some arms, each is commissioned, and what that saw is held against the
spread over sound arms, those of the same seeds among them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from ..commission.errors import CommissionError
from ..faults import KINDS, parse_fault
from ..scenes import Scene
from .commissioned import commissioned
from .evidence import Evidence, Spread, evidence_of
from .executor import in_processes
from .reasons import reason_for

SOUND_ARMS = 16
ARMS = 2


@dataclass(frozen=True)
class _Task:
    scene: str
    seed: int
    fault: str


def _commission(task: _Task) -> Evidence:
    try:
        result = commissioned(task.scene, task.seed, task.fault)
    except CommissionError as error:  # the ports themselves: that is seen too
        return Evidence({"verdict": "no port", "reason": str(error)}, {})
    return evidence_of(result)


@dataclass(frozen=True)
class Finding:
    """What came of one fault: for each arm what told it from sound ones, and why if nothing did."""

    fault: str
    told: tuple[tuple[str, ...], ...]
    reason: str

    @property
    def seen(self) -> bool:
        """Whether every arm with the fault was told from sound ones."""
        return all(self.told)

    @property
    def outcome(self) -> str:
        """`distinguishable`, `depends on the arm` or `latent`."""
        if self.seen:
            return "distinguishable"
        return "depends on the arm" if any(self.told) else "latent"


@dataclass
class Tally:
    """All findings of a study, and the sound arms that looked faulty (there should be none)."""

    findings: list[Finding] = field(default_factory=list)

    def count(self, outcome: str, kind: str = "") -> int:
        """How many faults, of one kind or of all, came out so."""
        return sum(
            finding.outcome == outcome and kind in ("", finding.fault.partition("@")[0])
            for finding in self.findings
        )

    def kinds(self) -> list[str]:
        """The kinds that were tried, in the table's order."""
        tried = {finding.fault.partition("@")[0] for finding in self.findings}
        return [kind for kind in KINDS if kind in tried]

    def hidden(self) -> list[Finding]:
        """Every fault that some arm hides."""
        return [finding for finding in self.findings if not finding.seen]


def sound_spread(
    scene: str,
    seeds: Sequence[int],
    processes: int | None = None,
    *,
    done: Callable[[], None] | None = None,
) -> Spread:
    """The spread over the sound arms of these seeds."""
    seen = []
    for _, evidence in in_processes(
        _commission, [_Task(scene, seed, "") for seed in seeds], processes
    ):
        seen.append(evidence)
        if done is not None:
            done()
    return Spread.over(seen)


def study_latency(
    scene: Scene,
    faults: Sequence[str],
    *,
    name: str,
    seed: int = 0,
    arms: int = ARMS,
    sound_arms: int = SOUND_ARMS,
    processes: int | None = None,
    found: Callable[[Finding], None] = lambda _finding: None,
    done: Callable[[], None] | None = None,
) -> Tally:
    """Commission `arms` arms with each fault, from `seed` on, and `sound_arms` sound ones.

    `name` is what the scene is loaded by. `found` is told each finding as it comes, `done` of each
    commissioning; the tally is in the order of `faults`. Raises FaultError for a fault that cannot
    be read.
    """
    for fault in faults:
        parse_fault(fault)
    seeds = range(seed, seed + max(arms, sound_arms))
    spread = sound_spread(name, seeds, processes, done=done)
    tasks = [_Task(name, one, fault) for fault in faults for one in seeds[:arms]]
    told: dict[str, dict[int, tuple[str, ...]]] = {fault: {} for fault in faults}
    findings: dict[str, Finding] = {}
    for task, evidence in in_processes(_commission, tasks, processes):
        told[task.fault][task.seed] = tuple(spread.beyond(evidence))
        if done is not None:
            done()
        if len(told[task.fault]) == arms:
            by_arm = tuple(told[task.fault][one] for one in seeds[:arms])
            why = "" if all(by_arm) else reason_for(task.fault, scene)
            findings[task.fault] = Finding(task.fault, by_arm, why)
            found(findings[task.fault])
    return Tally([findings[fault] for fault in faults])
