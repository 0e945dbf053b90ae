"""The worked project: its routine, sound or with a bug, its properties, and the hunt for a bug."""

from __future__ import annotations

import sys
import time
import types
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from hypothesis import HealthCheck, Phase, seed, settings

from dryrig.faults.strategies import Arm
from dryrig.testing import Homing, Ran

WORKED = Path(__file__).parents[1] / "plugin" / "worked"
sys.path.insert(0, str(WORKED))
import planted  # noqa: E402

SOUND = (WORKED / planted.SOUND).read_text(encoding="utf-8")
BUGS = list(planted.BUGS)
tried: list[Arm] = []
"""The arm of each run so far: the last one of a hunt is the smallest that fails."""
failed: list[tuple[int, float]] = []
"""How many runs had been made, and when, at each failure."""


class Kept(Homing):
    """Keeps the arm of each run, and when it failed."""

    @contextmanager
    def on(self, arm: Arm, *, limit_s: float | None = None) -> Iterator[Ran]:
        tried.append(arm)
        try:
            with super().on(arm, limit_s=limit_s) as ran:
                yield ran
        except AssertionError:
            failed.append((len(tried), time.perf_counter()))
            raise


def routine(source: str, examples: int, phases: tuple[Phase, ...]) -> Homing:
    module = types.ModuleType("wrist_homing")
    exec(compile(source, planted.SOUND, "exec"), module.__dict__)
    return Kept(
        module.home,
        joints=("J4", "J5"),
        reports=(module.HomingError,),
        settings=settings(
            max_examples=examples,
            database=None,
            deadline=None,
            phases=phases,
            suppress_health_check=[HealthCheck.too_slow],
            report_multiple_bugs=False,
        ),
    )


PROPERTIES: dict[str, Callable[[Homing], Callable[[], None]]] = {
    "sound": lambda homing: homing.homes_a_sound_arm(0.3),
    "honest": lambda homing: homing.never_wrong_and_silent(0.3),
    "ends": lambda homing: homing.ends_within(30),
    "slow": lambda homing: homing.tolerates_slow_replies(1.0),
    "stops": lambda homing: homing.never_presses_a_stop(15.0),
    "edge": lambda homing: homing.stops_on_the_edge(0.5),
    "twice": lambda homing: homing.twice_agrees(0.2),
    "start": lambda homing: homing.start_does_not_matter(0.2),
    "impossible": lambda homing: homing.reports_when_impossible(),
    "bad line": lambda homing: homing.tolerates_a_bad_line(),
    "drives": lambda homing: homing.drives_defined_after_a_report(True),
}

FOUND_BY = {
    "no time-out": "ends",
    "backs off the wrong way from a pressed switch": "sound",
    "takes the switch to be sound": "honest",
    "trusts the first reply after a reconnect": "slow",
    "does not wait for the other joint": "sound",
}


@dataclass(frozen=True)
class Hunt:
    """One hunt: arms run and seconds until the bug was found, seconds until it was shrunk."""

    arm: Arm
    error: AssertionError
    examples: int
    found_s: float
    shrunk_s: float
    cpu_s: float

    def row(self) -> str:
        return (
            f"{self.examples:4} arms, found {self.found_s:5.1f} s, with shrinking "
            f"{self.shrunk_s:5.1f} s ({self.cpu_s:5.1f} s of a core)  {self.arm!r}"
        )


def hunt(bug: str, number: int) -> Hunt:
    """Look for a planted bug from a seed. Raises LookupError when no property fails."""
    buggy = routine(planted.with_bug(SOUND, bug), 500, (Phase.generate, Phase.shrink))
    test = seed(number)(PROPERTIES[FOUND_BY[bug]](buggy))
    tried.clear()
    failed.clear()
    began_s, cpu_s = time.perf_counter(), time.process_time()
    try:
        test()
    except AssertionError as error:
        now_s, cpu_s = time.perf_counter(), time.process_time() - cpu_s
        examples, found_s = failed[0]
        return Hunt(tried[-1], error, examples, found_s - began_s, now_s - began_s, cpu_s)
    raise LookupError(f"{bug!r} not found within 500 examples from seed {number}")
