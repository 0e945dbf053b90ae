"""The worked project: the sound routine keeps its properties, each planted bug is found and shrunk.

What is planted are bugs of the trade (common practice, no published source); that they are found
is the check, since neither properties nor strategies know of them.
"""

from __future__ import annotations

import re
import sys
import types
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, seed, settings

from dryrig.faults.strategies import Arm
from dryrig.testing import Homing, Ran

WORKED = Path(__file__).parent / "worked"
sys.path.insert(0, str(WORKED))
import planted  # noqa: E402

SOUND = (WORKED / planted.SOUND).read_text(encoding="utf-8")
last: list[Arm] = []


class Kept(Homing):
    """Keeps the arm of each run: the last one is the smallest that fails."""

    @contextmanager
    def on(self, arm: Arm, *, limit_s: float | None = None) -> Iterator[Ran]:
        last[:] = [arm]
        with super().on(arm, limit_s=limit_s) as ran:
            yield ran


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
    "honest, switches": lambda homing: replace(
        homing, choice={"parts": ("SW",)}
    ).never_wrong_and_silent(0.3),
    "drives": lambda homing: homing.drives_defined_after_a_report(True),
}

FOUND_BY = {
    "no time-out": "ends",
    "backs off the wrong way from a pressed switch": "sound",
    "takes the switch to be sound": "honest, switches",
    "trusts the first reply after a reconnect": "slow",
    "does not wait for the other joint": "sound",
}


@pytest.mark.parametrize("name", PROPERTIES)
def test_the_sound_routine_keeps_every_property(name: str) -> None:
    seed(1)(PROPERTIES[name](routine(SOUND, 8, (Phase.generate,))))()


@pytest.mark.parametrize("bug", planted.BUGS)
def test_a_planted_bug_is_found_and_told_shortly(bug: str) -> None:
    phases = (Phase.generate, Phase.shrink)
    buggy = routine(planted.with_bug(SOUND, bug), 500, phases)
    with pytest.raises(AssertionError) as caught:
        seed(0)(PROPERTIES[FOUND_BY[bug]](buggy))()
    (arm,) = last
    assert len(arm.faults) <= 1
    assert arm.oddities <= 2
    notes = "\n".join(caught.value.__notes__)
    assert "what happened:\n    0.0000 s  heron, seed " in notes
    assert " s  J4 stands at " in notes


def test_the_guide_in_readme_runs_as_written() -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    (block,) = [b for b in re.findall(r"```python\n(.*?)```", readme, re.S) if "wrist_homing" in b]
    assert block == (WORKED / "test_wrist.py").read_text(encoding="utf-8")
    before = settings.get_current_profile_name()
    settings.register_profile("few", max_examples=5, database=None)
    settings.load_profile("few")
    try:
        names: dict[str, object] = {}
        exec(compile(block, "README.md", "exec"), names)
        tests = [test for name, test in names.items() if name.startswith("test_")]
        assert len(tests) == 4
        for test in tests:
            assert callable(test)
            seed(1)(test)()
    finally:
        settings.load_profile(before)
