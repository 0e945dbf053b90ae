"""A routine of the user's own in the place of a check."""

from __future__ import annotations

import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from dryrig.commission.arm import load_arm
from dryrig.commission.calibration import Calibration, read_calibration
from dryrig.commission.errors import CalibrationError, PlanError, RoutineError
from dryrig.commission.hand import PortHand
from dryrig.commission.plan import Options
from dryrig.commission.result import Result
from dryrig.commission.routine import Function, Program, _lines
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


REST = {"J1": 0.0, "J2": 60.0, "J3": -90.0, "J4": 0.0, "J5": 30.0, "J6": 0.0}


def rest_is_home(port):
    ask(port, "STEP:COUN 0,(@1:6)")
    return REST


def untidy(port):
    port.timeout = 0.001
    port.write(b"EVEN:LIN ON;:HALT:EDGE RISE,(@1:6);:STEP:RATE 0,(@1)\\n*IDN?\\nSTEP:RA")
    return rest_is_home(port)


def closes(port):
    rest_is_home(port)
    port.close()
    return REST


def homes_once(port):
    REST["J5"] += 3.0
    return {**rest_is_home(port), "J5": REST["J5"] - 3.0}


def homes_nothing(port):
    return None


def nan_told(port):
    return REST | {"J2": float("nan")}


def no_joint(port):
    return REST | {"J7": 0.0}


def still_moves(port):
    port.write(b"STEP:RATE 100,(@1);:STEP:MOVE 2000,(@1)\\n")
"""


@pytest.fixture
def mine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    (tmp_path / "routine_of_mine.py").write_text(MINE)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "path", list(sys.path))
    monkeypatch.delitem(sys.modules, "routine_of_mine", raising=False)
    return "routine_of_mine"


def run(
    name: str, routine: Any, only: tuple[str, ...], calibration: Calibration | None = None
) -> Result:
    url = "dryrig://heron?seed=2&rig=own&start=0,60,-90,0,30,0"
    with closing(PortHand.open(f"{url}&port=hands")) as hand:
        options = Options(replace={name: routine}, only=only, calibration=calibration)
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


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("nan_told", "it told nan for J2; expected an angle"),
        ("no_joint", "it told of 'J7'; expected one of J1, J2, J3, J4, J5, J6"),
        ("still_moves", "it returned while the arm still moved, which was stopped"),
    ],
)
def test_what_it_says_is_looked_at_before_anything_moves_by_it(
    mine: str, name: str, said: str
) -> None:
    result = run("homing", Function.load(f"{mine}:{name}"), ("homing", "trim"))
    assert result.verdict == "findings"
    (check,) = [check for check in result.checks if check.failed]
    assert (check.joint, check.evidence) == (None, f"routine_of_mine:{name}: {said}")
    assert result.checks[-1].verdict == "skipped"


def test_zeros_that_the_eye_does_not_see_are_not_moved_by(mine: str) -> None:
    result = run("homing", Function.load(f"{mine}:homes_nothing"), ("homing", "trim"))
    failed = [check for check in result.checks if check.failed]
    assert [check.joint for check in failed] == ["J1", "J2", "J3", "J4", "J5", "J6"]
    assert failed[0].evidence == (
        "routine_of_mine:homes_nothing: by its step counter J1 stands at -168.0 deg, and by eye at "
        "+0 deg: its zero is not where the routine says"
    )
    assert result.suspects == []


@pytest.mark.parametrize("name", ["rest_is_home", "untidy", "closes"])
def test_home_may_be_elsewhere_and_a_port_left_untidy(mine: str, name: str) -> None:
    result = run("homing", Function.load(f"{mine}:{name}"), ("homing", "trim", "repeat"))
    assert [check for check in result.checks if check.failed] == []
    left = [check.evidence for check in result.checks if "error queue: -222" in check.evidence]
    assert len(left) == (name == "untidy")
    for joint in result.joints:
        assert joint.method is None
        assert joint.residue_deg == pytest.approx(0.0, abs=0.1)
        assert joint.repeat_deg is not None


def test_the_routine_itself_is_asked_to_home_again(mine: str) -> None:
    """It takes J5 to stand where it did, 3 degrees further each time it is asked."""
    result = run("homing", Function.load(f"{mine}:homes_once"), ("homing", "repeat"))
    (check,) = [check for check in result.checks if check.failed]
    assert (check.name, check.joint) == ("repeat", "J5")
    assert check.evidence.startswith("homed again -3.0")


def test_a_calibration_belongs_to_the_routine_that_homed(mine: str, tmp_path: Path) -> None:
    own = Function.load(f"{mine}:rest_is_home")
    first = run("homing", own, ())
    assert first.verdict == "pass"
    assert 'homed_by = "routine_of_mine:rest_is_home"' in first.calibration
    assert "method" not in first.calibration
    path = tmp_path / "calibration.toml"
    path.write_text(first.calibration)
    again = run("homing", own, ("homing", "trim"), read_calibration(path))
    offsets = [joint.home_offset_deg for joint in again.joints]
    assert offsets == pytest.approx([joint.home_offset_deg for joint in first.joints], abs=0.11)
    with pytest.raises(CalibrationError, match=r"methods\. Leave --calibration out, and"):
        read_calibration(path).offsets(load_arm(ARM))


def test_lines_of_a_program_make_a_report_that_can_be_read() -> None:
    checks, zeros = _lines(
        '{"joint": 7, "verdict": "pass"}\n[1]\n{"joint": "J1", "zero_deg": 3}', "x"
    )
    assert [(check.joint, check.evidence) for check in checks] == [("7", "said by the program")]
    assert zeros == {"J1": 3.0}


def test_a_routine_for_what_is_not_done_is_refused(mine: str) -> None:
    own = Function.load(f"{mine}:looks")
    with pytest.raises(
        PlanError, match=r"^a routine of your own replaces homing, which is not amo"
    ):
        Options(only=("rails",), replace={"homing": own})
    with pytest.raises(PlanError, match=r"^homing is both skipped and replaced; leave one out$"):
        Options(skip={"homing": "later"}, replace={"homing": own})


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
    assert result.reason.startswith("a program cannot open 'dryrig://heron?seed=2&rig=own&start")
