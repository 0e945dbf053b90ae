"""Recorded runs replay bit for bit in another process; another seed or part does not."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from dryrig import check_determinism
from dryrig.protocol.determinism import random_run
from dryrig.protocol.run_file import Diverged, Run, RunFileError


def test_two_hundred_random_runs_replay_to_the_same_bytes_and_edges() -> None:
    check_determinism("heron", runs=200)


def test_a_run_is_the_same_text_when_made_again() -> None:
    assert random_run("heron", 3) == random_run("heron", 3)
    assert random_run("heron", 3) != random_run("heron", 4)


@pytest.mark.parametrize(
    ("old", "new"),
    [("seed 8", "seed 9"), ("scene heron\n", "scene heron\nfault open@J1.ENC.A\n")],
)
def test_a_perturbed_run_diverges(old: str, new: str) -> None:
    text = random_run("heron", 8)
    assert old in text
    Run.parse(text).replay()
    with pytest.raises(Diverged, match=r"^the replay differs:\n  recorded (at|end) "):
        Run.parse(text.replace(old, new, 1)).replay()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", r"^run: line 1: got '', expected 'dryrig run 1'$"),
        ("dryrig run 1\nseen heron", r"line 2: unknown word 'seen' \(did you mean 'seed'\?\)"),
        ("dryrig run 1\nscene heron", r"expected a line 'scene NAME' and a line 'seed N'$"),
        ("dryrig run 1\nat x card send a", r"line 2: invalid literal for int"),
        ("dryrig run 1\nat 1 crad send a", r"line 2: got 'crad' 'send', expected one of card"),
        ("dryrig run 1\nend 5", r"line 2: got 'end 5', expected end TICK replies H edges N"),
    ],
)
def test_a_bent_run_file_says_where(text: str, message: str) -> None:
    with pytest.raises(RunFileError, match=message):
        Run.parse(text)


def test_a_missing_run_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(RunFileError, match=r"none\.run: cannot be read: "):
        Run.read(tmp_path / "none.run")


def test_any_bytes_survive_the_file() -> None:
    from dryrig.protocol.run_file import Action

    data = bytes(range(256))
    line = str(Action(7, "card", "send", data))
    head = "dryrig run 1\nscene heron\nseed 1\n"
    assert "\n" not in line
    assert Run.parse(f"{head}{line}\n").actions == (Action(7, "card", "send", data),)
    blanks = str(Action(7, "card", "send", b" a "))
    assert Run.parse(f"{head}{blanks}\n").actions[0].data == b" a "


def test_the_command_replays_a_run_and_says_when_it_differs(tmp_path: Path) -> None:
    path = tmp_path / "bench.run"
    path.write_text(random_run("heron", 8), encoding="utf-8")
    same = command("replay", str(path))
    assert same.returncode == 0
    assert ": the same\n" in same.stdout
    path.write_text(path.read_text(encoding="utf-8").replace("seed 8", "seed 9"), encoding="utf-8")
    other = command("replay", str(path))
    assert other.returncode == 1
    assert other.stderr.rstrip().endswith(f"see it again: dryrig replay {path}")
    assert "Traceback" not in other.stderr
    missing = command("replay", str(tmp_path / "none"))
    assert missing.returncode == 2
    assert "cannot be read" in missing.stderr


def command(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "dryrig", *words], capture_output=True, text=True, timeout=120
    )
