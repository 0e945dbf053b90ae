"""Traces by the teacher's words, `serve --trace` and `trace plot`; the wire stays as it was."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import serial
from typer.testing import CliRunner

from dryrig.cli import app
from dryrig.commission.arm import load_arm
from dryrig.commission.client import Card
from dryrig.commission.homing import Homed, home
from dryrig.protocol.run_file import Recorder, Run
from dryrig.protocol.station import Station
from dryrig.scenes import scene_path
from dryrig.sim.clock import TICKS_PER_S
from dryrig.sim.trace_reading import read_trace

URL = "dryrig://heron?seed=3&rig=words&start=0,60,-90,0,10,-150"
DEADLINE_S = 60


@pytest.fixture
def teacher() -> Iterator[Any]:
    with serial.serial_for_url(f"{URL}&port=teacher", timeout=1) as port:
        yield port


def ask(port: Any, text: str) -> str:
    port.write(text.encode() + b"\n")
    return bytes(port.readline()).decode().rstrip("\n")


def test_the_teacher_starts_saves_and_stops(teacher: Any, tmp_path: Path) -> None:
    with serial.serial_for_url(URL, timeout=60) as card:
        assert ask(teacher, "TRAC:STAR;HASH?").startswith('"0,')
        card.write(b"DRIV:ENAB ON\nSTEP:MOVE 200\n")
        assert ask(card, "*OPC?") == "1"
        assert ask(teacher, f'TRAC:SAVE "{tmp_path}/all.vcd";:SYST:ERR?') == '0,"No error"'
        save = f'TRAC:SAVE "{tmp_path}/j1.csv","J1.STEP";STOP;:SYST:ERR?'
        assert ask(teacher, save) == '0,"No error"'
        held = ask(teacher, "TRAC:HASH?")
        card.write(b"STEP:MOVE 200\n")
        assert ask(card, "*OPC?") == "1"
        assert ask(teacher, "TRAC:HASH?") == held
        assert ask(teacher, "TRAC:STAR;HASH?").startswith('"0,')
    assert int(held.strip('"').split(",")[0]) > 6 * 2 * 200
    (step,) = read_trace(tmp_path / "j1.csv")
    assert step.values.sum() == 200
    names = {series.name for series in read_trace(tmp_path / "all.vcd")}
    assert {"J1_STEP", "J6_ENC_B", "J3_TORQUE_N_M", "CARD_J2_SW_COM_V"} <= names


@pytest.mark.parametrize(
    ("words", "error"),
    [
        ('TRAC:SAVE "{}/t.vcd"', '-200,"Execution error;no trace yet: start one first'),
        ('TRAC:STAR;SAVE "{}/t.doc"', '-200,"Execution error;trace file '),
        ('TRAC:STAR;SAVE "{}/t.vcd","J7.*"', "-200,\"Execution error;no signal 'J7.*' in the"),
        ("TRAC:SAVE", "-109,"),
    ],
)
def test_the_teacher_is_told_what_is_wrong(
    words: str, error: str, teacher: Any, tmp_path: Path
) -> None:
    assert ask(teacher, words.format(tmp_path) + "\nSYST:ERR?").startswith(error)
    assert list(tmp_path.iterdir()) == []


def test_a_replayed_run_writes_no_file(tmp_path: Path) -> None:
    target = tmp_path / "t.csv"
    with Station.build("heron", seed=3) as station:
        recorder = Recorder(station, "heron")
        station.rig.advance(1000)
        station.ports["teacher"].write(f'TRAC:SAVE "{target}"\n'.encode())
        station.rig.advance(2000)
        text = recorder.text()
    assert target.exists()
    target.unlink()
    Run.parse(text).replay()
    assert not target.exists()


def wrist_homed(traced: bool) -> tuple[dict[str, Homed], float]:
    """What a host sees of a homing of the wrist, and the rig time at its end."""
    arm = load_arm(scene_path("heron"))
    joints = [joint for joint in arm.joints if joint.name in ("J4", "J5", "J6")]
    card = Card.open(URL)
    with serial.serial_for_url(f"{URL}&port=teacher", timeout=1) as teacher:
        teacher.write(b"TRAC:STAR\n" if traced else b"*CLS     \n")
        card.enable(True, [joint.channel for joint in arm.joints])
        homed = home(card, joints)
        if traced:
            assert int(ask(teacher, "TRAC:HASH?").strip('"').split(",")[0]) > 100_000
        else:
            assert ask(teacher, "SEED?") == "3"  # a query as well, so that time goes on alike
        clock_s = card.clock_s()
    card.close()
    return homed, clock_s


def test_without_a_trace_there_is_no_digest(teacher: Any) -> None:
    expected = '-221,"Settings conflict;no trace yet: TRACe:STARt first"'
    assert ask(teacher, "TRAC:HASH?;:SYST:ERR?") == expected


def test_a_host_sees_the_same_with_and_without() -> None:
    assert wrist_homed(True) == wrist_homed(False)


def test_serve_writes_its_trace_at_the_end(tmp_path: Path) -> None:
    out, link = tmp_path / "run.vcd", tmp_path / "card"
    process = subprocess.Popen(
        [
            *(sys.executable, "-m", "dryrig", "serve", "heron", "--link", str(link)),
            *("--pace", "20", "--trace", str(out)),
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    with process:
        try:
            assert process.stdout is not None
            for _ in range(4):
                process.stdout.readline()
            with serial.Serial(str(link), timeout=DEADLINE_S) as card:
                card.write(b"DRIV:ENAB ON\nSTEP:MOVE 500,(@1)\n*OPC?\n")
                assert card.readline() == b"1\n"
            process.send_signal(signal.SIGTERM)
            text, err = process.communicate(timeout=DEADLINE_S)
        finally:
            process.kill()
    assert (process.returncode, text, err) == (0, f"trace: {out}\n", "")
    assert not link.exists()
    (step,) = read_trace(out, ["J1.STEP"])
    assert step.values.sum() == 500
    assert step.time_s[0] == 0.0


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["serve", "heron", "--trace", "none/t.vcd"], "there is no folder 'none'"),
        (["serve", "heron", "--trace", "t.doc"], "expected a name ending in .vcd or .csv"),
        (["trace", "plot", "none.vcd", "-o", "p.png"], "No such file or directory"),
        (["trace", "plot", "none.vcd", "-o", "p.gif"], "expected a name ending in .png or .svg"),
    ],
)
def test_commands_that_cannot_run(
    arguments: list[str], text: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code == 2
    assert result.stderr.startswith("dryrig: ")
    assert text in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_plot_draws_the_chosen_signals(tmp_path: Path) -> None:
    with Station.build("heron", seed=3) as station:
        rig = station.rig
        rig.trace.start()
        rig.card.enable(0, True)
        rig.card.move(0, 500)
        rig.advance(TICKS_PER_S)
        rig.trace.save(tmp_path / "t.csv")
    arguments = ["trace", "plot", str(tmp_path / "t.csv"), "-o", str(tmp_path / "p.svg")]
    chosen = ["--signal", "J1.ENC.?", "--signal", "J1.ANGLE_DEG", "--from", "0.1", "--to", "0.5"]
    result = CliRunner().invoke(app, arguments + chosen)
    assert (result.exit_code, result.stdout) == (0, f"plot: {tmp_path / 'p.svg'}\n")
    drawn = (tmp_path / "p.svg").read_text(encoding="utf-8")
    assert all(f"<!-- {name} -->" in drawn for name in ("J1.ENC.A", "J1.ENC.B", "J1.ANGLE_DEG"))
    assert "<!-- J1.STEP -->" not in drawn
