"""What README shows is run, and what it tables is what the program says."""

from __future__ import annotations

import re
import sys
from contextlib import closing
from pathlib import Path

import pytest
import serial
from typer.testing import CliRunner

from dryrig.cli import app
from dryrig.commission.hand import PortHand
from dryrig.commission.homing_table import methods_markdown
from dryrig.commission.plan import Options
from dryrig.commission.routine import Function
from dryrig.commission.run import commission
from dryrig.protocol import words_reference
from dryrig.scenes import load_scene, scene_path
from dryrig.sim.individual import draw_individual

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
SEED = 3
ADDRESS = f"dryrig://heron?seed={SEED}"
STEPS_PER_DEG = 200 * 16 * 18 / 360


BLOCKS = re.findall(r"```python\n(.*?)```", README, re.DOTALL)


def routine() -> str:
    """The fenced Python block that homes a joint."""
    (block,) = [block for block in BLOCKS if "HALT:LATC" in block and ADDRESS in block]
    return str(block)


def test_the_first_routine_is_at_most_thirty_lines() -> None:
    assert len([line for line in routine().splitlines() if line.strip()]) <= 30


def test_the_first_routine_homes_a_joint(capsys: pytest.CaptureFixture[str]) -> None:
    shared = f"{ADDRESS}&rig=readme"
    with serial.serial_for_url(f"{shared}&port=teacher", timeout=10) as teacher:
        names: dict[str, object] = {}
        exec(compile(routine().replace(ADDRESS, shared), "README.md", "exec"), names)
        card = names["card"]
        assert isinstance(card, serial.SerialBase)
        card.write(b"STEP:COUN? (@5)\n")
        past_steps = int(card.readline())
        teacher.write(b"TRUT:ANGL? (@5)\n")
        true_deg = float(teacher.readline())
        card.close()
    assert re.fullmatch(r'J5 is home at step -?\d+; "No error"\n', capsys.readouterr().out)
    # Positive steps turn J5 down. A latch is a whole step, and the load angle is below 0.03 deg.
    scene = load_scene("heron")
    switch_deg = draw_individual(scene, SEED).switch_deg[4]
    at_home_deg = true_deg + past_steps / STEPS_PER_DEG
    assert at_home_deg == pytest.approx(switch_deg, abs=scene.switch.repeat_deg + 0.04)


def test_the_first_routine_stops_when_the_switch_is_dead() -> None:
    broken = f"{ADDRESS}&fault=open@J5.SW.COM&rig=readme-broken"
    names: dict[str, object] = {}
    try:
        with pytest.raises(SystemExit, match=r"^J5: no (RISE|FALL) edge within -?\d+ degrees"):
            exec(compile(routine().replace(ADDRESS, broken), "README.md", "exec"), names)
    finally:
        card = names["card"]
        assert isinstance(card, serial.SerialBase)
        card.close()


def test_the_other_examples_run() -> None:
    apart = ("open_rig", "pennant", "def home(port)")
    others = [b for b in BLOCKS if b != routine() and not any(w in b.lower() for w in apart)]
    assert others
    for block in others:
        names: dict[str, object] = {}
        exec(compile(block, "README.md", "exec"), names)
        ports = [port for port in names.values() if isinstance(port, serial.SerialBase)]
        assert ports
        for port in ports:
            port.write(b"*IDN?\n")
            assert port.readline().startswith(b"Dryrig,heron")
            port.close()


def test_the_example_without_bytes_runs(capsys: pytest.CaptureFixture[str]) -> None:
    (block,) = [block for block in BLOCKS if "open_rig" in block]
    names: dict[str, object] = {}
    exec(compile(block, "README.md", "exec"), names)
    line = capsys.readouterr().out
    found = re.match(r"switch at step (\d+) count (-?\d+) \{'DIR': 1, 'ENA': 1, 'SW': 1, ", line)
    assert found, line
    # 1.25 counts a step; enabling pulls the rotor by up to 40 counts.
    assert abs(int(found[2])) == pytest.approx(1.25 * int(found[1]), abs=45)
    card = names["card"]
    assert isinstance(card, serial.SerialBase)
    assert not card.is_open


def test_the_drill_is_what_the_command_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    section = README.partition("\n## A drill\n")[2]
    command, excerpt = re.findall(r"```(?:text)?\n(.*?)```", section, re.DOTALL)[:2]
    shown = [line for line in excerpt.splitlines() if line != "..."]
    script = (Path(__file__).parent / "drill_readme.txt").read_text(encoding="utf-8")
    result = CliRunner().invoke(app, command.split()[1:], input=script)
    assert result.exit_code == 0
    said = iter(result.stdout.splitlines())
    missing = [line for line in shown if not any(line == each for each in said)]
    assert missing == []


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ("", r"open\na part is held 2\.\d+ V\n"),
        ("&fault=open@IO.SERVO", r"the fingers do not open: .*\nclosed on nothing [\d.]+ V\n"),
    ],
)
def test_the_gripper_routine_grips(
    fault: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (block,) = [block for block in BLOCKS if "GRIP:OBJ" in block]
    assert len([line for line in block.splitlines() if line.strip()]) <= 15
    names: dict[str, object] = {}
    exec(compile(block.replace("seed=3&", f"seed=3{fault}&"), "README.md", "exec"), names)
    for port in (names["io"], names["person"]):
        assert isinstance(port, serial.SerialBase)
        port.close()
    assert re.fullmatch(said, capsys.readouterr().out)


@pytest.mark.parametrize("role", ["common", "card", "hands", "teacher", "io"])
def test_the_words_are_tabled_as_declared(role: str) -> None:
    _, _, rest = README.partition(f"<!-- words:{role} -->\n")
    table, end, _ = rest.partition("<!-- /words -->")
    assert end
    assert table == words_reference(role)


def test_the_homing_methods_are_tabled_as_they_are() -> None:
    _, _, rest = README.partition("<!-- methods -->\n")
    table, end, _ = rest.partition("<!-- /methods -->")
    assert end
    assert table == methods_markdown()


def test_a_homing_routine_stands_in_for_the_references(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (block,) = [block for block in BLOCKS if "def home(port)" in block]
    (tmp_path / "mine.py").write_text(block)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "path", list(sys.path))
    monkeypatch.delitem(sys.modules, "mine", raising=False)
    address = "dryrig://heron?seed=5&rig=mine"
    options = Options(
        replace={"homing": Function.load("mine:home")}, only=("homing", "trim", "repeat")
    )
    with (
        serial.serial_for_url(f"{address}&port=teacher", timeout=5) as teacher,
        closing(PortHand.open(f"{address}&port=hands")) as hand,
    ):
        result = commission(address, hand, scene_path("heron"), options=options)
        teacher.write(b"TRUT:ANGL?\n")
        truth = [float(word) for word in teacher.readline().split(b",")]
    assert [check for check in result.checks if check.failed] == []
    assert result.checks[0].evidence == "mine:home: returned without complaint"
    for joint, true_deg in zip(result.joints, truth, strict=True):
        assert joint.angle_deg == pytest.approx(true_deg, abs=joint.gauge_accuracy_deg + 0.1)


def test_no_placeholder_is_left() -> None:
    assert "TODO" not in README
