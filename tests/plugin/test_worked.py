"""The worked project: the sound routine keeps its properties, each planted bug is found and shrunk.

What is planted are bugs of the trade (common practice, no published source); that they are found
is the check, since neither properties nor strategies know of them. `DRYRIG_SEEDS=20` hunts from so
many seeds instead of one, `DRYRIG_EXAMPLES=2000` tries the sound routine so often.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from hypothesis import Phase, seed, settings
from worked_project import BUGS, PROPERTIES, SOUND, WORKED, hunt, routine

SEEDS = range(int(os.environ.get("DRYRIG_SEEDS", "1")))
EXAMPLES = int(os.environ.get("DRYRIG_EXAMPLES", "8"))


@pytest.mark.parametrize("number", range(1, 1 + max(1, EXAMPLES // 100)))
@pytest.mark.parametrize("name", PROPERTIES)
def test_the_sound_routine_keeps_every_property(name: str, number: int) -> None:
    seed(number)(PROPERTIES[name](routine(SOUND, min(EXAMPLES, 100), (Phase.generate,))))()


@pytest.mark.parametrize("number", SEEDS)
@pytest.mark.parametrize("bug", BUGS)
def test_a_planted_bug_is_found_and_told_shortly(bug: str, number: int) -> None:
    found = hunt(bug, number)
    print(found.row())
    assert len(found.arm.faults) <= 1
    assert found.arm.oddities <= 2
    notes = "\n".join(found.error.__notes__)
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
