"""The worked project: the sound routine keeps its properties, each planted bug is found and shrunk.

What is planted are bugs of the trade (common practice, no published source); that they are found
is the check, since neither properties nor strategies know of them. `DRYRIG_SEEDS=20` hunts from so
many seeds instead of one, `DRYRIG_EXAMPLES=2000` tries the sound routine so often.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import Phase, seed, settings
from worked_project import BUGS, PROPERTIES, SOUND, WORKED, hunt, planted, routine

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
    one, wrist, _ = guide()
    assert one == (WORKED / "test_one_arm.py").read_text(encoding="utf-8")
    assert wrist == (WORKED / "test_wrist.py").read_text(encoding="utf-8")
    before = settings.get_current_profile_name()
    settings.register_profile("few", max_examples=5, database=None)
    settings.load_profile("few")
    try:
        names: dict[str, object] = {}
        exec(compile(wrist, "README.md", "exec"), names)
        tests = [test for name, test in names.items() if name.startswith("test_")]
        assert len(tests) == 4
        for test in tests:
            assert callable(test)
            seed(1)(test)()
    finally:
        settings.load_profile(before)


def test_what_the_guide_prints_is_what_pytest_prints(tmp_path: Path) -> None:
    one, wrist, excerpt = guide()
    (tmp_path / "test_one_arm.py").write_text(one, encoding="utf-8")
    (tmp_path / "test_wrist.py").write_text(wrist, encoding="utf-8")
    buggy = planted.with_bug(SOUND, "backs off the wrong way from a pressed switch")
    (tmp_path / planted.SOUND).write_text(buggy, encoding="utf-8")
    chosen = ["-k", "sound_arm or one_arm", "--hypothesis-seed=1", "--rig-trace=on-failure"]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "--tb=short", *chosen],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=240,
    )
    assert "1 failed, 1 passed" in done.stdout, done.stdout + done.stderr
    came = iter(done.stdout.splitlines())
    for line in excerpt.splitlines():
        wanted = re.sub(r"dryrig-\w+\.run", "dryrig-", line)
        assert any(wanted in each for each in came), f"{line!r} is not there, or not in its place"
    replay = re.search(r"dryrig replay (\S+)", done.stdout)
    assert replay
    again = subprocess.run(
        [sys.executable, "-m", "dryrig", "replay", replay[1]],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert again.returncode == 0
    Path(replay[1]).unlink()
    story = [line for line in excerpt.splitlines() if " s  " in line]
    assert [line for line in again.stdout.splitlines() if line in story] == story
    (kept,) = (tmp_path / "dryrig-failures").iterdir()
    assert sorted(each.name for each in kept.iterdir()) == ["last.png", "replay.run", "trace.vcd"]


def guide() -> tuple[str, str, str]:
    """The blocks of README's section: a test of one arm, the properties, what is printed."""
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    section = readme.partition("## Test a routine of your own\n")[2].partition("\n## ")[0]
    one, wrist, excerpt = re.findall(r"```(?:python|text)\n(.*?)```", section, re.S)
    return one, wrist, excerpt
