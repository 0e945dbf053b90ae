"""A drill as a session: cautions, bad lines, what an answer and a repair do, what is written."""

from __future__ import annotations

import os
import pty
import re
import select
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from dryrig.bench.drill import Drill
from dryrig.bench.drill_cases import LEVELS, SOUND_SHARE, deal, faults_of, kinds_of, plain, pool
from dryrig.bench.drill_picture import draw, plain_with_parameters
from dryrig.bench.drill_suspects import differs_at, whole_round
from dryrig.bench.drill_words import DrillError
from dryrig.cli import app
from dryrig.faults import KINDS, parse_fault
from dryrig.scenes import load_scene

CASE = deal("heron", 1, 10)
DEADLINE_S = 60


@pytest.fixture
def drill(tmp_path: Path) -> Iterator[Drill]:
    said: list[str] = []
    with Drill(CASE, tmp_path, said.append) as one:
        yield one


def tell(drill: Drill, *lines: str) -> str:
    """What is said to the last of some lines."""
    before = 0
    for line in lines:
        before = len(drill.record)
        drill.handle(line)
    return "\n".join(drill.record[before:])


def test_the_same_level_and_seed_deal_the_same_drill() -> None:
    again = deal("heron", 1, 10)
    assert (again.faults, again.order, again.joint) == (CASE.faults, CASE.order, CASE.joint)
    assert deal("heron", 1, 12).faults != CASE.faults


def test_the_order_names_no_part() -> None:
    words = re.compile(r"wire|conductor|plug|encoder|coil|drive|DIR|STEP|ENA|SW\b|supply", re.I)
    for seed in (0, 6, 10, 14):
        assert not words.search(deal("heron", 1, seed).order)


def test_an_unknown_level_is_refused() -> None:
    with pytest.raises(DrillError, match=r"^level 4: expected one of 1, 2, 3$"):
        deal("heron", 4, 0)


def test_every_level_deals_more_kinds_and_only_such() -> None:
    scene = load_scene("heron")
    for level in LEVELS:
        kinds = {fault.partition("@")[0] for fault in faults_of(scene, level)}
        assert kinds == set(kinds_of(level)) <= set(KINDS)
    assert set(kinds_of(1)) < set(kinds_of(2)) < set(kinds_of(3))
    assert 0 < SOUND_SHARE < 0.5


def test_the_truth_is_among_the_candidates_and_never_removed() -> None:
    assert CASE.faults in pool(CASE)
    assert () in pool(CASE)
    with Drill(CASE, Path("."), lambda _line: None) as one:
        acts = whole_round(CASE, one.known)
    assert differs_at(CASE, CASE.faults, acts) is None
    assert differs_at(CASE, (), acts) is not None


def test_hands_on_an_energised_arm_end_the_drill(drill: Drill) -> None:
    said = tell(drill, "motor on", f"enable {CASE.joint}", f"turn {CASE.joint} 5")
    assert said.startswith("STOP. Hands on an arm whose drives are energised (J1).")
    assert "the drill ends here" in said
    assert drill.outcome == "ended"
    assert "No marks: `turn J1 5` could have injured somebody." in said
    assert drill.marking is None
    assert "open@J1.DIR: A conductor is broken" in said
    assert not drill.handle("look")


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (("motor on", "press J1"), "CAUTION. Hands on the arm: the motor supply is switched off"),
        (("ohms CARD.J1.DIR J1.DIR",), "CAUTION. Ohms on a live circuit."),
        (("beep CARD.J1.DIR J1.DIR",), "CAUTION. Ohms on a live circuit."),
        (("plug out J1.ENC",), "CAUTION. A plug with the supply on."),
        (("motor on", "jog J2 30"), "CAUTION. A long jog of J2 before both directions"),
        (("motor on", "home J2"), "CAUTION. Homing before switch and directions are proved: J2."),
        (("answer sound", "repair J1.DIR"), "CAUTION. A repair on a live circuit."),
    ],
)
def test_lesser_acts_are_cautioned(drill: Drill, lines: tuple[str, ...], said: str) -> None:
    assert tell(drill, *lines).replace("\n", " ").startswith(said)
    assert len(drill.conduct.cautions) == 1
    assert not drill.outcome


@pytest.mark.parametrize("lines", [("stand off",), ("motor on", "enable J2", "stand off")])
def test_the_stand_stays_while_a_drive_is_off(drill: Drill, lines: tuple[str, ...]) -> None:
    assert tell(drill, *lines).startswith("STOP. The arm falls")


def test_taking_power_from_an_arm_that_hangs_on_its_drives_ends_the_drill(drill: Drill) -> None:
    tell(drill, "motor on", "enable all", "stand off")
    assert not drill.outcome
    assert tell(drill, "motor off").startswith("STOP. The arm falls")


def test_a_motor_plug_is_never_pulled_live(drill: Drill) -> None:
    assert tell(drill, "motor on", "enable J2", "plug out J2.MOTOR").startswith(
        "STOP. A motor plug"
    )


@pytest.mark.parametrize(
    "line",
    ["", "   ", "# a remark", "jgo J1 2", "jog J1", "volts J1.XX RAIL.0V", "answer", "answer so",
     "repair J1.DIR", "kinds opn", "where J9", "help jgo", "turn J1 400", "\x00", "jog \u0661 2",
     "volts 'J1.DIR' \"", "during", "hold 1 J1.DIR"],
)  # fmt: skip
def test_a_bad_line_loses_nothing(drill: Drill, line: str) -> None:
    tell(drill, "look")
    before, now = len(drill.conduct.acts), drill.site.place.rig.now
    assert drill.handle(line)
    assert len(drill.conduct.acts) == before
    assert drill.site.place.rig.now == now
    assert "Traceback" not in "\n".join(drill.record)


def test_what_was_expected_is_held_against_the_next_reading(drill: Drill) -> None:
    said = tell(drill, "expect 5", "volts RAIL.5V RAIL.0V")
    assert said.endswith(" V [as expected: 5]")
    assert tell(drill, "expect 24", "volts RAIL.5V RAIL.0V").endswith("[not as expected: 24]")
    assert "expected" not in tell(drill, "volts RAIL.5V RAIL.0V")
    assert tell(drill, "expect free", "turn J1 2").endswith("[as expected: free]")


def test_an_answer_stands_from_the_first_repair_on(drill: Drill) -> None:
    assert tell(drill, "repair J1.DIR").startswith("? answer first:")
    tell(drill, "answer sound", "answer open@J1.STEP", "main off", "repair J1.STEP")
    assert tell(drill, "answer sound").startswith("? an answer counts before the first repair")
    assert drill.conduct.answer is not None
    assert drill.conduct.answer.text == "open@J1.STEP"
    assert drill.conduct.needless == ["J1.STEP"]
    assert drill.site.place.injector.listed() == ["open@J1.DIR"]
    tell(drill, "repair open@J1.DIR")
    assert drill.conduct.untested == 1
    assert drill.site.place.injector.listed() == []


def test_done_without_an_answer_asks_once(drill: Drill) -> None:
    assert tell(drill, "done").startswith("? no answer yet")
    assert not drill.outcome


def test_the_log_holds_every_reading(drill: Drill) -> None:
    tell(drill, "look J1", "switch all")
    assert re.fullmatch(
        r"  1  look J1: J1 \S+ deg\n  2  switch all: J1 0; .*J6 0", tell(drill, "log")
    )


def test_not_yet_is_marked_by_trying_the_next_measurement(drill: Drill) -> None:
    twins = "open@J1.MOTOR.A+ or open@J1.MOTOR.A-"
    for act, splits in (("ohms CARD.J1.MOTOR.A+ J1.MOTOR.A+", True), ("press J1", False)):
        tell(drill, f"answer {twins} next {act}")
        assert drill._next_splits([]) is splits


def test_a_wiggle_shows_what_comes_and_goes() -> None:
    case = deal("heron", 1, 10)
    with Drill(case, Path("."), lambda _line: None) as one:
        one.site.place.injector.insert("open@J5.SW.COM,wiggle=1")
        said = tell(one, "press J5", "wiggle J5")
        assert "J5 input" in said
        low, high = re.findall(
            r"(-?\d\.\d+) V",
            tell(one, "hold 1 CARD.J5.SW.COM RAIL.3V3 during wiggle J5"),
        )
        assert float(high) > float(low) + 0.5
        tell(one, "main off")
        ohm = tell(one, "ohms CARD.J5.SW.COM J5.SW.COM during wiggle J5")
        assert re.search(r"least \d\.\d ohm; .*greatest overload", ohm.replace("\n     ", " "))


def test_the_picture_shows_a_latent_fault_by_its_reading(tmp_path: Path) -> None:
    case = deal("heron", 3, 6)
    assert case.faults == ("worn@J2.SW",)
    drawn = draw(case, tmp_path)
    assert drawn is not None
    assert drawn[0].read_bytes().startswith(b"\x89PNG")
    assert drawn[1].startswith("J2.SW.")


def test_a_gate_is_left_out_of_the_picture() -> None:
    assert (
        plain_with_parameters("weak@J2.MOTOR,current=0.2,wiggle=1") == "weak@J2.MOTOR,current=0.2"
    )
    assert plain("open@J5.SW.COM,wiggle=1") == "open@J5.SW.COM"
    assert parse_fault(plain("bind@J3.GEAR,deg=-45")).kind.name == "bind"


def test_the_command_reads_a_pipe_to_its_end(tmp_path: Path) -> None:
    words = ["drill", "heron", "--seed", "10", "--out", str(tmp_path)]
    result = CliRunner().invoke(app, words, input="look\nnonsense\n")
    assert result.exit_code == 1
    assert "> look\n  1  J1 " in result.stdout
    assert "? no command 'nonsense'" in result.stdout
    assert "End of input: left without handing in." in result.stdout
    record = (tmp_path / "drill.txt").read_text(encoding="utf-8")
    assert "> look\n  1  J1 " in record


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("hern",), r"^dryrig: no scene 'hern': .* \(did you mean 'heron'\?\)"),
        (("heron", "--level", "4"), r"^dryrig: level 4: expected one of 1, 2, 3$"),
        (("heron", "--seed", "10", "--out", "{file}/x"), r"^dryrig: cannot make the folder "),
    ],
)
def test_mistakes_of_the_command(words: tuple[str, ...], said: str, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    filled = [word.format(file=tmp_path / "file") for word in words]
    result = CliRunner().invoke(app, ["drill", *filled], input="quit\n")
    assert result.exit_code == 2
    assert re.search(said, result.stderr, re.MULTILINE)


def test_a_person_completes_with_tab(tmp_path: Path) -> None:
    """On a terminal: `tu<Tab>J1 5` is a whole line; Ctrl-D leaves."""
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "dryrig", "drill", "heron", "--seed", "10"]
    child = subprocess.Popen(
        [*command, "--out", str(tmp_path)], stdin=theirs, stdout=theirs, stderr=theirs,
        env=os.environ | {"TERM": "dumb"},
    )  # fmt: skip
    os.close(theirs)
    try:
        seen = until(ours, "> ")
        os.write(ours, b"tu\tJ1 5\n")
        seen = until(ours, "count +1111")
        assert "J1 felt free" in seen
        if not seen.endswith("> "):
            until(ours, "> ")
        os.write(ours, b"\x04")
        until(ours, "Record: ")
        assert child.wait(DEADLINE_S) == 1
    finally:
        child.kill()
        child.wait()
        os.close(ours)


def until(terminal: int, wanted: str) -> str:
    seen = ""
    while wanted not in seen:
        ready, _, _ = select.select([terminal], [], [], DEADLINE_S)
        assert ready, seen
        seen += os.read(terminal, 4096).decode(errors="replace")
    return seen
