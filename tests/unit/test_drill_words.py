"""The words of a drill: reading a line, what is said of a bad one, completion, the page of help."""

from __future__ import annotations

import pytest

from dryrig.bench.drill_answer import read_answer
from dryrig.bench.drill_words import WORDS, DrillError, Vocabulary, complete, help_page, read_line
from dryrig.commission.arm import load_arm
from dryrig.scenes import scene_path

ARM = load_arm(scene_path("heron"))
KNOWN = Vocabulary(
    ARM,
    ("RAIL.0V", "CARD.J3.DIR", "J3.DIR", "J3.STEP", "J5.SW.COM"),
    ("J3.INPUTS", "J3.MOTOR", "J5.SW"),
    ("open@J3.DIR", "open@J3.STEP", "swap@J3.DIR/J3.STEP", "weak@J3.MOTOR,current=0.2"),
)


def test_a_line_is_read_whatever_its_case() -> None:
    act = read_line("  JOG j3,J5 -2.5 fast ", KNOWN)
    assert act.name == "jog"
    assert [joint.name for joint in act.joints] == ["J3", "J5"]
    assert act.values[1:] == (-2.5, True)
    assert [joint.name for joint in read_line("look", KNOWN).joints] == [
        joint.name for joint in ARM.joints
    ]


def test_the_meter_reads_during_an_act() -> None:
    act = read_line("hold 1 j5.sw.com rail.0v during wiggle J5", KNOWN)
    assert act.values == (1.0, "J5.SW.COM", "RAIL.0V")
    assert act.during is not None
    assert (act.during.name, [joint.name for joint in act.joints]) == ("wiggle", ["J5"])


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("jgo J3 2", r"^no command 'jgo' \(did you mean 'jog'\?\): `help` lists them$"),
        ("jog J9 2", r"^no joint 'J9': expected one of J1, J2, J3, J4, J5, J6$"),
        ("jog J3", r"^jog: expected `jog JOINTS DEG \[fast\]`, got `jog J3`$"),
        ("jog", r"^jog: expected `jog JOINTS DEG \[fast\]`, got `jog`$"),
        ("jog J3 two", r"^jog: 'two' is no number: expected `jog JOINTS DEG \[fast\]`, 0\.1 to "),
        ("jog J3 nan", r"^jog: got nan, expected 0\.1 to 360 deg, with a sign$"),
        ("jog J3 1e9", r"^jog: got 1e9, expected 0\.1 to 360 deg, with a sign$"),
        ("jog J3 2 slow", r"^jog: got 'slow', expected fast$"),
        ("jog J3 2 fast now", r"^jog: 'now' is too much: expected `jog JOINTS DEG \[fast\]`$"),
        ("volts J3.DRI RAIL.0V", r"^no terminal 'J3\.DRI' \(did you mean 'J3\.DIR'\?\): see "),
        ("plug of J3.MOTOR", r"^plug: got 'of', expected in or out$"),
        ("plug out J3.MOTR", r"^no plug 'J3\.MOTR' \(did you mean 'J3\.MOTOR'\?\): see "),
        ("clip J3.DIR", r"^clip: expected `clip RED BLACK \| clip off`$"),
        ("look during jog J3 2", r"^look cannot be read `during` an act: only volts, "),
        ("volts J3.DIR RAIL.0V during", r"^during 'nothing': expected one of turn, press, "),
        ("volts J3.DIR RAIL.0V during jog all 2", r"^during 'jog all 2': one joint at a time$"),
        ("hold 99 J3.DIR RAIL.0V", r"^hold: got 99, expected 0\.1 to 8 s$"),
        ("expect", r"^nothing after 'expect': expected `expect TEXT`$"),
        ("motor up", r"^motor: got 'up', expected on or off$"),
    ],
)
def test_a_bad_line_says_what_was_expected(line: str, said: str) -> None:
    with pytest.raises(DrillError, match=said):
        read_line(line, KNOWN)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("opne@J3.DIR", r"^fault 'opne@J3\.DIR': no kind 'opne' \(did you mean 'open'\?\)"),
        ("open@J3.DRI", r"^no place 'J3\.DRI' \(did you mean 'J3\.DIR'\?\): `where J3` lists "),
        ("soud", r"^answer 'soud' \(did you mean 'sound'\?\): expected `answer KIND@PLACE`"),
        ("open@J3.DIR open@J3.STEP", r"^answer 'open@J3\.DIR open@J3\.STEP': expected "),
        ("open@J3.DIR or", r"^answer 'nothing': expected "),
        ("sound next", r"^nothing after `next`: expected a measurement, "),
        ("sound next main off", r"^next 'main off' reads nothing: expected a measurement$"),
    ],
)
def test_a_bad_answer_says_what_was_expected(text: str, said: str) -> None:
    with pytest.raises(DrillError, match=said):
        read_answer(text, KNOWN)


def test_answers() -> None:
    assert read_answer("sound", KNOWN).alternatives == ((),)
    both = read_answer("open@J3.STEP and open@J3.DIR", KNOWN)
    assert both.alternatives == (("open@J3.DIR", "open@J3.STEP"),)
    not_yet = read_answer("open@J3.DIR OR sound next jog J3 +2", KNOWN)
    assert not_yet.alternatives == (("open@J3.DIR",), ())
    assert not_yet.next_act is not None
    assert not_yet.next_act.text == "jog J3 +2"


@pytest.mark.parametrize(
    ("line", "found"),
    [
        ("jo", ["jog"]),
        ("m", ["mark", "main", "motor"]),
        ("jog ", ["J1", "J2", "J3", "J4", "J5", "J6", "all"]),
        ("jog j3 +2 f", ["fast"]),
        ("volts j3", ["J3.DIR", "J3.STEP"]),
        ("volts J3.DIR RA", ["RAIL.0V"]),
        ("volts J3.DIR RAIL.0V ", ["during"]),
        ("volts J3.DIR RAIL.0V during ", ["turn", "press", "wiggle", "jog"]),
        ("volts J3.DIR RAIL.0V during jog J5", ["J5"]),
        ("plug ", ["in", "out"]),
        ("plug out J5", ["J5.SW"]),
        ("answer sw", ["swap@J3.DIR/J3.STEP"]),
        ("answer so", ["sound"]),
        ("help ki", ["kinds"]),
        ("nonsense ", []),
        ("look J3 ", []),
    ],
)
def test_completion(line: str, found: list[str]) -> None:
    assert complete(line, KNOWN) == found


def test_completion_offers_only_what_can_be_read() -> None:
    for word in WORDS:
        assert word in complete("", KNOWN)


def test_the_page_of_help_has_a_line_for_every_command_and_fits() -> None:
    lines = help_page().splitlines()
    for word in WORDS.values():
        assert any(line.startswith(f"  {word.usage}") and word.does in line for line in lines)
    assert max(map(len, lines)) <= 100
    assert len(lines) <= 66
