"""A routine of the user's own in the place of a check."""

from __future__ import annotations

import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from dryrig.commission.errors import RoutineError
from dryrig.commission.hand import PortHand
from dryrig.commission.plan import Options
from dryrig.commission.result import Result
from dryrig.commission.routine import Function, Program
from dryrig.commission.run import commission
from dryrig.scenes import scene_path

ARM = scene_path("heron")

MINE = """
def ask(port, line):
    port.write(line.encode() + b"\\n")
    return port.readline().decode().strip() if "?" in line else ""


def looks(port):
    assert ask(port, "*IDN?").startswith("Dryrig")


def fails(port):
    raise ValueError("J2 creaks")


def leaves(port):
    raise SystemExit("no edge")


def odd(port):
    return 7


def breaks(port):
    1 / 0
"""


@pytest.fixture
def mine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    (tmp_path / "routine_of_mine.py").write_text(MINE)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "path", list(sys.path))
    monkeypatch.delitem(sys.modules, "routine_of_mine", raising=False)
    return "routine_of_mine"


def run(name: str, routine: Any, only: tuple[str, ...]) -> Result:
    url = "dryrig://heron?seed=2&rig=own"
    with closing(PortHand.open(f"{url}&port=hands")) as hand:
        options = Options(replace={name: routine}, only=only)
        return commission(url, hand, ARM, options=options)


def test_a_function_stands_in_for_a_check(mine: str) -> None:
    result = run("link", Function.load(f"{mine}:looks"), ("link",))
    (check,) = result.checks
    assert (check.name, check.verdict) == ("link", "pass")
    assert check.evidence == "routine_of_mine:looks: returned without complaint"


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("fails", "ValueError: J2 creaks"),
        ("leaves", "it ended: no edge"),
        ("odd", "it returned 7; expected None or angles by joint name"),
        ("breaks", "ZeroDivisionError: division by zero"),
    ],
)
def test_what_it_raises_is_the_finding(mine: str, name: str, said: str) -> None:
    result = run("homing", Function.load(f"{mine}:{name}"), ("homing",))
    assert result.verdict == "findings"
    (check,) = result.checks
    assert check.evidence == f"routine_of_mine:{name}: {said}"


def test_the_whole(mine: str) -> None:
    result = run("all", Function.load(f"{mine}:looks"), ())
    assert (result.checks[0].name, result.checks[0].verdict) == ("all", "pass")
    assert {c.verdict for c in result.checks[1:]} == {"skipped"}
    assert result.verdict == "passed in part"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("mine", r"^got 'mine'; expected module:function, such as mine:home$"),
        ("routine_of_mine:none", r"^routine_of_mine has no function 'none'$"),
        ("shlex:splt", r"^shlex has no function 'splt'; is 'split' meant\?$"),
        ("not_there_at_all:home", r"^cannot import 'not_there_at_all': ModuleNotFoundError: "),
    ],
)
def test_a_function_that_is_not_there(mine: str, text: str, told: str) -> None:
    with pytest.raises(RoutineError, match=told):
        Function.load(text)


def test_a_program_needs_a_device(tmp_path: Path) -> None:
    with pytest.raises(RoutineError, match=r'^got \'home\'; expected \{port\} in it, as in "home'):
        Program("home")
    with pytest.raises(RoutineError, match=r"^cannot run 'no_such_program': no such program in"):
        Program("no_such_program {port}")
    with pytest.raises(RoutineError, match=r"No closing quotation$"):
        Program("'home {port}")
    result = run("homing", Program("true {port}"), ("homing",))
    assert result.verdict == "could not run"
    assert result.reason.startswith("a program cannot open 'dryrig://heron?seed=2&rig=own': serve")
