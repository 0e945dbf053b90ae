"""A failure over in-process ports names a run that shows it again."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
import serial

from dryrig.protocol import again
from dryrig.protocol.run_file import Run


def kept(text: str) -> Run:
    (path,) = re.findall(r"^see it again: dryrig replay (\S+)$", text, re.MULTILINE)
    file = Path(path)
    try:
        return Run.read(file)
    finally:
        file.unlink()


def test_a_read_that_would_last_for_ever_says_how_to_see_it_again() -> None:
    with serial.serial_for_url("dryrig://heron?seed=4&fault=open@J3.DIR") as card:
        card.write(b"*CLS\n")
        with pytest.raises(serial.SerialException) as caught:
            card.readline()
    run = kept(str(caught.value))
    assert (run.scene, run.seed, run.faults) == ("heron", 4, ("open@J3.DIR",))
    assert [action.data for action in run.actions if action.what == "send"] == [b"*CLS\n"]


def test_the_run_does_again_what_was_done() -> None:
    with serial.serial_for_url("dryrig://heron?seed=4&rig=again", timeout=5) as card:
        card.write(b"DRIV:ENAB 1,(@1);:STEP:MOVE 800,(@1);*OPC?\n")
        assert card.readline() == b"1\n"
        card.write(b"ENC:COUN? (@1);:CLOC:TIME?\n")
        count, time_s = card.readline().split(b";")
        (line,) = again.see_all_again().splitlines()[:1]
    run = kept(line)
    assert run.outcome is None
    outcome = run.replay()
    assert outcome.tick <= float(time_s) * 12_000_000
    assert outcome.edges > 4 * abs(int(count)) / 4


def test_a_run_in_which_nothing_was_done_or_that_was_too_long_is_not_kept(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    again.forget_runs()
    assert again.see_all_again() == ""
    monkeypatch.setattr(again, "_LIMIT", 5)
    with serial.serial_for_url("dryrig://heron?seed=4", timeout=5) as card:
        for _ in range(6):
            card.write(b"*OPC?\n")
            card.readline()
        assert again.see_all_again() == ""


def test_the_command_says_it_after_findings() -> None:
    address = "dryrig://heron?seed=3&rig=again"
    card, hands = f"{address}&fault=open@J5.SW.COM", "dryrig://heron?rig=again&port=hands"
    found = subprocess.run(
        [sys.executable, "-m", "dryrig", "commission", "--port", card, "--hands", hands, "--json"],
        capture_output=True,
        text=True,
    )
    assert found.returncode == 1
    assert kept(found.stderr).faults == ("open@J5.SW.COM",)
