"""A person as the hands: what is asked, and how answers are read."""

from __future__ import annotations

import io
import math
from pathlib import Path

import pytest
from rich.console import Console

from dryrig.commission import cautions
from dryrig.commission.arm import Joint, load_arm
from dryrig.commission.errors import HandError
from dryrig.commission.hand import Hand
from dryrig.commission.person import PersonHand
from dryrig.scenes import scene_path


@pytest.fixture(scope="module")
def joint() -> Joint:
    return load_arm(scene_path("heron")).joints[4]


class Desk:
    """A person with answers ready, and what they were told."""

    def __init__(self, *answers: str) -> None:
        self.answers = list(answers)
        self.paper = io.StringIO()
        self.hand: Hand = PersonHand(Console(file=self.paper, width=200), self._answer)

    def _answer(self, question: str) -> str:
        self.paper.write(question + "\n")
        return self.answers.pop(0)

    @property
    def told(self) -> str:
        return self.paper.getvalue()


@pytest.mark.parametrize(
    ("answer", "volts"),
    [("3.3", 3.3), ("3,3", 3.3), (" -0.05 V ", -0.05), ("12 mV", 0.012), (".5", 0.5), ("24.", 24)],
)
def test_readings_as_people_write_them(answer: str, volts: float) -> None:
    assert Desk(answer).hand.volts("J5.SW.COM", "RAIL.0V") == pytest.approx(volts)


def test_what_is_no_number_is_asked_again() -> None:
    desk = Desk("about three", "1e999", "3.3")
    assert desk.hand.volts("J5.SW.COM", "RAIL.0V") == 3.3
    assert "'about three' is not a number such as 3.3 or -0.05." in desk.told
    assert desk.told.count("red on J5.SW.COM, black on RAIL.0V") == 3
    assert desk.told.count(cautions.LIVE_VOLTS) == 1


def test_the_leads_are_clipped_on_before_anything_moves() -> None:
    """Nobody reads a meter in the second that a motion takes: it holds, and is read afterwards."""
    desk = Desk("", "23,9", "24.1")
    desk.hand.clip_on("J5.DRIVE.24V", "J5.DRIVE.0V", "min")
    told = desk.told
    assert told.index(cautions.LIVE_VOLTS) < told.index(
        "Clip the meter's leads on, red to J5.DRIVE.24V, black to J5.DRIVE.0V: DC volts, min hold. "
        "Hands off and step back: the joint moves as you press Enter."
    )
    assert desk.hand.volts("J5.DRIVE.24V", "J5.DRIVE.0V") == 23.9
    assert "It has moved. What does the meter hold, J5.DRIVE.24V to J5.DRIVE.0V?" in desk.told
    assert desk.hand.volts("J5.DRIVE.24V", "J5.DRIVE.0V") == 24.1
    assert desk.told.count("Meter on DC volts, red on J5.DRIVE.24V") == 1


@pytest.mark.parametrize("answer", ["o", "OL", "0L", " O.L "])
def test_an_overload_as_meters_show_it(answer: str) -> None:
    assert Desk(answer).hand.ohms("J5.SW.COM", "RAIL.0V") == math.inf


def test_lengths_and_switches_by_their_names(tmp_path: Path) -> None:
    track = load_arm(scene_path("heron_track")).joints[6]
    desk = Desk("120 mm", "", "")
    assert desk.hand.look_deg(track) == 120
    path = tmp_path / "heron.toml"
    heron = scene_path("heron").read_text()
    path.write_text(
        heron.replace(
            'end = "negative", switch_deg = -99.0',
            'end = "negative", switch_deg = -60.0, method = 21',
        )
    )
    home = load_arm(path).joints[4]
    desk.hand.press(home)
    desk.hand.release(home)
    assert "Press J5's home switch" in desk.told
    assert "Let J5's home switch go." in desk.told


def test_turning(joint: Joint) -> None:
    desk = Desk("", "what?", "s")
    assert desk.hand.turn(joint, -10.0, lambda: "J5 count 17") == "STIFF"
    assert cautions.HANDS_ON in desk.told
    assert (
        "Turn J5 by hand, by about -10 degrees (negative as the arm's drawing says)." in desk.told
    )
    assert "Now: J5 count 17" in desk.told
    assert "'what?' is none of f, s, e." in desk.told


def test_a_brake_is_held_open_while_its_joint_is_turned() -> None:
    desk = Desk("", "", "f", "")
    shoulder = load_arm(scene_path("heron_brake")).joints[1]
    assert desk.hand.turn(shoulder, 10.0) == "FREE"
    told = desk.told
    order = (cautions.BRAKE, "Hold the lever of J2's brake open.", "Turn J2 by hand", "brake go.")
    places = [told.index(text) for text in order]
    assert places == sorted(places)
    assert desk.answers == []


@pytest.mark.parametrize(("answer", "felt"), [("", "FREE"), ("f", "FREE"), ("E", "STOP")])
def test_feeling(joint: Joint, answer: str, felt: str) -> None:
    assert Desk("", answer).hand.turn(joint, 10.0) == felt


def test_gauges(joint: Joint) -> None:
    desk = Desk("42", "-0,35", "", "n", "1.2")
    assert desk.hand.look_deg(joint) == 42
    assert desk.hand.level_deg(joint) == -0.35
    assert "Take the level off the arm again." in desk.told
    assert desk.hand.mark_deg(joint) is None
    assert desk.hand.mark_deg(joint) == 1.2
    assert desk.answers == []


def test_power_goes_only_after_the_caution() -> None:
    desk = Desk("", "", "")
    desk.hand.motor_supply(False)
    told = desk.told
    assert told.index(cautions.SUPPORT) < told.index("Switch the 24 V motor supply off")
    desk.hand.motor_supply(True)
    assert "Hands off the arm." in desk.told
    desk.hand.caution(cautions.FIRST_JOG)
    assert cautions.FIRST_JOG in desk.told
    assert desk.answers == []


def test_nobody_is_asked_for_what_is_so_already() -> None:
    desk = Desk(*[""] * 9)
    for on in (True, True, False):
        desk.hand.stand(on)
    for on in (True, True):
        desk.hand.motor_supply(on)
    desk.hand.press_stop(True)  # which takes the power
    desk.hand.press_stop(False)
    desk.hand.motor_supply(True)
    desk.hand.main_supply(False)
    desk.hand.main_supply(True)
    desk.hand.motor_supply(True)
    assert desk.told.count("Put the stand") == desk.told.count("Take the stand") == 1
    assert desk.told.count("Switch the 24 V motor supply on.") == 3
    assert desk.answers == []


def test_what_was_not_answered_is_asked_again() -> None:
    desk = Desk()
    for act in (desk.hand.stand, desk.hand.motor_supply):
        with pytest.raises(IndexError):
            act(True)
    desk.answers += ["", ""]
    desk.hand.stand(True)
    desk.hand.motor_supply(True)
    assert desk.answers == []


def test_a_caution_that_was_confirmed_is_not_said_again_at_once() -> None:
    desk = Desk("", "0.1", "")
    desk.hand.caution(cautions.LEVELLING)
    desk.hand.level_deg(load_arm(scene_path("heron")).joints[1])
    assert desk.told.count(cautions.LEVELLING) == 1


def test_nobody_at_the_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    with pytest.raises(HandError, match=r"^no hands: standard input is not a terminal"):
        PersonHand(Console(file=io.StringIO()))
