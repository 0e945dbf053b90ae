"""Ten drills solved by a script that reads the page of help, the order and the log, one sound.

The script knows the trade (common practice, no published source) and nothing of what is hidden.
"""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from dryrig.bench.drill import Drill
from dryrig.bench.drill_cases import deal

Tell = Callable[[str], str]
CASES = (
    (1, 6),
    (1, 8),
    (1, 10),
    (1, 13),
    (1, 14),
    (1, 18),
    (1, 27),
    (2, 37),
)
SOUND = (1, 6)
PIPED = ((1, 1), (3, 6))
DEADLINE_S = 120
LIT_V, DARK_V, HIGH_OHM = 3.5, 1.0, 100.0


def solve(tell: Tell, order: str) -> None:
    """Solve a drill: `tell` sends a line and returns what is said to it."""
    page = tell("help")
    for word in ("press", "turn", "jog", "volts", "ohms", "answer", "repair", "cycle", "done"):
        assert f"  {word} " in page
    joint = re.findall(r"J[1-6]", order)[0]
    row = next(line for line in tell("arm").splitlines() if line.startswith(joint))
    switch_deg, counts_a_deg = (float(number) for number in row.split()[-5:-3])
    answer = by_hand(tell, joint, counts_a_deg)
    if not answer:
        answer = by_jogs(tell, joint) or dead(tell, joint) or homed(tell, joint, switch_deg)
    tell("motor off")
    tell(f"note {answer}, by the readings above")
    tell(f"answer {answer}")
    prove(tell, joint, answer)


def volts(
    tell: Tell, red: str, black: str = "RAIL.0V", expect: float = 0.0, how: str = ""
) -> float:
    tell(f"expect {expect:g}")
    said = tell(f"volts {red} {black}{how}")
    return float(re.findall(r"(-?\d+\.\d+) V", said)[0])


def ohms(tell: Tell, red: str, black: str, how: str = "") -> float:
    tell("expect 0.3")
    said = tell(f"ohms {red} {black}{how}").partition(" [")[0].splitlines()[-1]
    found = re.findall(r"(overload|-?\d+\.\d+) ?(ohm|kohm|Mohm)?", said)
    value, unit = found[-1]
    if value == "overload":
        return float("inf")
    return float(value) * {"ohm": 1.0, "kohm": 1e3, "Mohm": 1e6}[unit]


def by_hand(tell: Tell, joint: str, counts_a_deg: float) -> str:
    """Switch and encoder, motor supply off."""
    tell("look")
    tell("expect 0, pressed 1, let go 0")
    pressed = tell(f"press {joint}")
    states = re.findall(rf"{joint} input (\d), pressed (\d), let go (\d)", pressed)[0]
    if states == ("0", "1", "0"):
        tell(f"expect {5 * counts_a_deg:+.0f}")
        moved = int(re.findall(r"count ([-+]\d+)", tell(f"turn {joint} 5"))[0])
        if abs(moved - 5 * counts_a_deg) < 20:
            tell(f"turn {joint} -5")
            return ""
        tell(f"turn {joint} -5")
        return encoder(tell, joint, moved, 5 * counts_a_deg)
    tell(f"turn {joint} 5")
    return switch(tell, joint, states)


def switch(tell: Tell, joint: str, states: tuple[str, ...]) -> str:
    pin, press = f"{joint}.SW", f" during press {joint}"
    ground = volts(tell, f"{pin}.NC", expect=0)
    if states == ("1", "0", "1"):
        assert ground > 3
        assert volts(tell, f"{pin}.NO", expect=3.3) < 0.1
        return f"swap@{pin}.NC/{pin}.NO"
    high = volts(tell, f"{pin}.NO", expect=3.3)
    at_part = volts(tell, f"{pin}.COM", expect=3.3, how=press)
    at_card = volts(tell, f"CARD.{pin}.COM", expect=3.3, how=press)
    if high < DARK_V:
        return f"open@{pin}.NO"
    if at_part > 3 and at_card < DARK_V:
        return f"open@{pin}.COM"
    return f"open@{pin}.NC"


def encoder(tell: Tell, joint: str, moved: int, expected: float) -> str:
    pin = f"{joint}.ENC"
    if abs(moved + expected) < 20:
        tell("main off")
        assert ohms(tell, f"CARD.{pin}.A", f"{pin}.B") < 1
        tell("main on")
        return f"swap@{pin}.A/{pin}.B"
    assert abs(moved) < 20
    assert volts(tell, f"{pin}.5V", f"{pin}.0V", expect=5) > 4
    tell("main off")
    for channel in ("A", "B"):
        if ohms(tell, f"CARD.{pin}.{channel}", f"{pin}.{channel}") > HIGH_OHM:
            tell("main on")
            return f"open@{pin}.{channel}"
    raise AssertionError("the counter stands still for another reason")


def by_jogs(tell: Tell, joint: str) -> str:
    """Both signs, small; then the meter at the drive's inputs."""
    tell("motor on")
    turned = []
    for deg in (3, -3):
        tell(f"expect {deg:+d}")
        said = tell(f"jog {joint} {deg:+d}")
        told = re.escape(f"{joint} told {deg:+d} deg: by eye ")
        turned.append(int(re.findall(rf"{told}([-+]\d+)", said)[0]))
    if turned == [3, -3]:
        return ""
    opto = f"{joint}.OPTO0V"
    supply = volts(tell, f"{joint}.DRIVE.24V", f"{joint}.DRIVE.0V", expect=24)
    assert supply > 20
    tell(f"enable {joint}")
    if turned[0] * turned[1] > 0:
        tell(f"jog {joint} +1")
        assert volts(tell, f"{joint}.DIR", opto, expect=4.8) < DARK_V
        assert volts(tell, f"CARD.{joint}.DIR", expect=5) > LIT_V
        answer = f"open@{joint}.DIR"
    elif volts(tell, f"{joint}.ENA", opto, expect=4.8) < LIT_V:
        lifted = volts(tell, opto, expect=0)
        answer = f"open@{opto}" if lifted > DARK_V else f"open@{joint}.ENA"
    else:
        train = volts(tell, f"{joint}.STEP", opto, expect=0.03, how=f" during jog {joint} +8")
        card = volts(tell, f"CARD.{joint}.STEP", expect=0.03, how=f" during jog {joint} -8")
        assert card > 0.01 > train
        answer = f"open@{joint}.STEP"
    tell(f"disable {joint}")
    if answer.startswith("open"):
        tell("motor off")
        tell("main off")
        place = answer.partition("@")[2]
        assert ohms(tell, f"CARD.{place}", place) > HIGH_OHM
        tell("main on")
    return answer


def dead(tell: Tell, joint: str) -> str:
    """Ohms of the switch, power off: what a volt meter cannot see."""
    tell("motor off")
    tell("main off")
    pin, press = f"{joint}.SW", f" during press {joint}"
    rest = ohms(tell, f"{pin}.COM", f"{pin}.NC")
    pressed = ohms(tell, f"{pin}.COM", f"{pin}.NO", press)
    wire = ohms(tell, f"CARD.{pin}.COM", f"{pin}.COM")
    tell("main on")
    if wire > HIGH_OHM:
        return f"resist@{pin}.COM"
    return f"worn@{pin}" if min(rest, pressed) > HIGH_OHM else ""


def homed(tell: Tell, joint: str, switch_deg: float) -> str:
    """The home edge against the mark or the eye; only after everything else is proved."""
    tell("motor on")
    if joint not in ("J1", "J4", "J6"):
        return "sound"
    at = float(re.findall(r"([-+]\d+\.\d) deg", tell(f"mark {joint}"))[0])
    tell(f"expect {switch_deg - at:.1f}")
    said = tell(f"home {joint}")
    edge = at + float(re.findall(r"home ([-+]\d+\.\d+) deg", said)[0])
    assert "homing stopped" not in said
    if abs(edge - switch_deg) > 1.3:
        return f"shift@{joint}.SW"
    return "sound"


def prove(tell: Tell, joint: str, answer: str) -> None:
    """Repair, then everything that had shown the fault, then the customer's program."""
    if answer != "sound":
        tell("main off")
        tell(f"repair {answer}")
        tell("main on")
    tell("press all")
    tell(f"turn {joint} 5")
    tell(f"turn {joint} -5")
    tell("motor on")
    tell("jog all +3")
    tell("jog all -3")
    if answer.startswith("shift"):
        tell(f"home {joint}")
    assert "ran to its end" in tell("cycle")
    tell("note the program runs and the checks are as they should be")
    tell("done")


def graded(said: str) -> tuple[float, dict[str, tuple[float, float]]]:
    """The total and the marks, as they are printed."""
    found = re.findall(r"^ +(\d+\.\d) of +(\d+\.\d)  ([a-z ]+: [a-z]+)", said, re.MULTILINE)
    total = re.search(r"^ +([\d.]+) of 100\.", said, re.MULTILINE)
    assert total
    return float(total.group(1)), {what: (float(got), float(most)) for got, most, what in found}


def check(said: str) -> None:
    """The place, part and kind were right, the evidence carries them, and nothing was unsafe."""
    total, marks = graded(said)
    assert marks["answer: place"] == (20.0, 20.0), said
    assert total >= 80, said


@pytest.mark.parametrize(("level", "seed"), CASES)
def test_a_script_solves_it(level: int, seed: int, tmp_path: Path) -> None:
    lines: list[str] = []
    case = deal("heron", level, seed)
    with Drill(case, tmp_path, lines.append, lambda _question: "4") as drill:

        def tell(line: str) -> str:
            before = len(lines)
            drill.handle(line)
            return sane("\n".join(lines[before:]))

        drill.welcome()
        solve(tell, "\n".join(lines))
        assert drill.outcome == "handed in"
    # Before anything is told, a person is asked which reading changed their mind.
    told = drill.record[drill.record.index("DEBRIEF") :]
    assert told[1] == "> 4"
    assert re.fullmatch(r"By the sum, reading \d+ removed most\.", told[2])
    check("\n".join(lines))
    assert bool(case.faults) == ((level, seed) != SOUND)


def sane(said: str) -> str:
    assert not re.search(r"^(\?|STOP|CAUTION)", said, re.MULTILINE), said
    return said


@pytest.mark.parametrize(("level", "seed"), PIPED)
def test_a_script_solves_it_through_a_pipe(level: int, seed: int, tmp_path: Path) -> None:
    """The command itself; a comment line, which it repeats, ends the answer to each line."""
    command = [sys.executable, "-m", "dryrig", "drill", "heron", "--level", str(level)]
    command += ["--seed", str(seed), "--out", str(tmp_path)]
    said: list[str] = []
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as child:
        assert child.stdin
        assert child.stdout

        def tell(line: str) -> str:
            assert child.stdin
            assert child.stdout
            child.stdin.write(f"{line}\n# end\n")
            child.stdin.flush()
            answer = list(iter(child.stdout.readline, "> # end\n")) if line != "done" else []
            said.extend(answer)
            return sane("".join(answer))

        solve(tell, tell("order"))
        rest, errors = child.communicate(timeout=DEADLINE_S)
    assert (child.returncode, errors) == (0, "")
    check(rest)
    record = (tmp_path / "drill.txt").read_text(encoding="utf-8")
    assert "> done\n" in record
    assert rest.splitlines()[-2] in record
    assert (tmp_path / "signal.png").read_bytes().startswith(b"\x89PNG")
