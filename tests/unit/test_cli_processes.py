"""The command as a process: a rig and a commissioning of their own, signals, vanishing ports."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

DEADLINE_S = 60
SIGNALS = [signal.SIGINT, signal.SIGTERM, signal.SIGHUP]


@contextmanager
def dryrig(*words: str) -> Iterator[subprocess.Popen[str]]:
    """The command in a process; killed at the end if it still runs."""
    process = subprocess.Popen(
        [sys.executable, "-m", "dryrig", *words],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    with process:
        try:
            yield process
        finally:
            process.kill()


@contextmanager
def served(folder: Path, *words: str) -> Iterator[subprocess.Popen[str]]:
    """A rig that answers, with its links in `folder`."""
    links = [
        word
        for role in ("card", "hands", "teacher", "io")
        for word in (f"--{role}-link".replace("card-", ""), str(folder / role))
    ]
    with dryrig("serve", "heron", "--pace", "40", *links, *words) as rig:
        assert rig.stdout is not None
        lines = [rig.stdout.readline() for _ in range(4)]
        assert lines == [
            f"{role}: {folder / role}\n" for role in ("card", "hands", "teacher", "io")
        ]
        yield rig


def commission(folder: Path) -> tuple[str, ...]:
    ports = ("--port", str(folder / "card"), "--hands", str(folder / "hands"))
    return ("commission", *ports, "--json")


def stage(process: subprocess.Popen[str], name: str) -> None:
    """Wait until the process tells that it does `name`."""
    assert process.stderr is not None
    for line in process.stderr:
        if line.startswith(name):
            return
    pytest.fail(f"it never came to {name}")


def test_a_separate_program_checks_and_homes_the_arm(tmp_path: Path) -> None:
    with served(tmp_path, "--seed", "6") as rig:
        with dryrig(*commission(tmp_path)) as program:
            out, _ = program.communicate(timeout=DEADLINE_S)
            assert program.returncode == 0
            assert json.loads(out)["verdict"] == "pass"
        rig.send_signal(signal.SIGINT)
        assert rig.communicate(timeout=DEADLINE_S) == ("", "")
        assert rig.returncode == 0
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("number", SIGNALS)
def test_a_signal_stops_the_motion_and_ends_in_an_object(
    tmp_path: Path, number: signal.Signals
) -> None:
    with served(tmp_path), dryrig(*commission(tmp_path)) as program:
        stage(program, "encoders")
        program.send_signal(number)
        out, err = program.communicate(timeout=DEADLINE_S)
        assert program.returncode == 2
        told = json.loads(out)
        assert told["reason"] == f"stopped by {number.name}; motion stopped, drives as they were"
        assert "Traceback" not in err


def test_ports_that_vanish(tmp_path: Path) -> None:
    with served(tmp_path) as rig, dryrig(*commission(tmp_path)) as program:
        stage(program, "encoders")
        rig.send_signal(signal.SIGTERM)
        out, err = program.communicate(timeout=DEADLINE_S)
        assert program.returncode == 2
        assert json.loads(out)["reason"].split(" port has gone: ")[0] in ("the card", "the hands")
        assert "Traceback" not in err


@pytest.mark.parametrize("number", SIGNALS)
def test_the_demo_takes_its_rig_along(tmp_path: Path, number: signal.Signals) -> None:
    with dryrig("demo", "--report", str(tmp_path)) as demo:
        assert demo.stdout is not None
        demo.stdout.readline()
        card = demo.stdout.readline().split(", ")[0].removeprefix("card ")
        assert Path(card).exists()
        demo.send_signal(number)
        _, err = demo.communicate(timeout=DEADLINE_S)
        assert demo.returncode == 2
        assert err == f"dryrig: stopped by {number.name}\n"
    assert not Path(card).exists()


def test_the_demo_names_the_fault_mends_it_and_reports(tmp_path: Path) -> None:
    with dryrig("demo", "--seed", "2", "--pace", "100", "--report", str(tmp_path)) as demo:
        out, err = demo.communicate(timeout=DEADLINE_S)
    assert (demo.returncode, err) == (0, "")
    hidden = out.partition("The teacher tells: it was ")[2].split('"')[1]
    before, after = out.split("Mended. Once more:")
    assert hidden in before.partition("The teacher tells")[0]
    assert "findings: Heron" in before
    assert "pass: Heron" in after
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "calibration.toml",
        "report.html",
        "report.json",
    ]
