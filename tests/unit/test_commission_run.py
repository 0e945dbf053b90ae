"""Whole commissionings over in-process ports: a sound arm, a person at it, and bad ports."""

from __future__ import annotations

import io
import json
import math
import re
from collections.abc import Iterator
from contextlib import closing
from html.parser import HTMLParser
from pathlib import Path

import pytest
import serial
from rich.console import Console

from dryrig.commission import cautions
from dryrig.commission.arm import Arm, Joint, load_arm
from dryrig.commission.client import Card
from dryrig.commission.errors import CommissionError
from dryrig.commission.findings import Kind
from dryrig.commission.hand import PortHand
from dryrig.commission.homing import home
from dryrig.commission.homing_failed import HomingFailed
from dryrig.commission.person import PersonHand
from dryrig.commission.positions import Positions
from dryrig.commission.report import render, write_report
from dryrig.commission.result import Result
from dryrig.commission.run import commission
from dryrig.scenes import scene_path

ARM = scene_path("heron")


@pytest.fixture(scope="module")
def arm() -> Arm:
    return load_arm(ARM)


@pytest.fixture(scope="module")
def sound() -> tuple[Result, list[float], list[str]]:
    """A sound arm's result, its true angles afterwards, and the progress told."""
    url = "dryrig://heron?seed=7&rig=sound"
    told: list[str] = []
    with (
        closing(serial.serial_for_url(f"{url}&port=teacher", timeout=1)) as teacher,
        closing(PortHand.open(f"{url}&port=hands")) as hand,
    ):
        result = commission(url, hand, ARM, told.append)
        teacher.write(b"TRUT:ANGL? (@1:6)\n")
        truth = [float(part) for part in teacher.read_until(b"\n").split(b",")]
    return result, truth, told


def test_a_sound_arm_passes(sound: tuple[Result, list[float], list[str]]) -> None:
    result, truth, told = sound
    assert (result.verdict, result.exit_code, result.reason) == ("pass", 0, "")
    assert {check.verdict for check in result.checks} == {"pass"}
    # Cold and rails 1 + 6 each, link 1, stop 1, and six checks of six joints each.
    assert len(result.checks) == 52
    assert result.suspects == []
    assert {text.partition(":")[0] for text in told} == {
        "cold", "rails", "link", "encoders", "switches", "stop", "jogs", "homing", "trim",
        "repeat",
    }  # fmt: skip
    for joint, angle in zip(result.joints, truth, strict=True):
        assert joint.angle_deg is not None
        # Gauge accuracy, and the switch's repeatability (scene: +-0.05 deg) at both homings.
        assert joint.angle_deg == pytest.approx(angle, abs=joint.gauge_accuracy_deg + 0.1)


def test_the_json_says_the_same(sound: tuple[Result, list[float], list[str]]) -> None:
    result = sound[0]
    told = json.loads(json.dumps(result.to_json(), allow_nan=False))
    assert told["verdict"] == "pass"
    assert told["arm"] == "Heron, six-axis desk arm, Harbour Lane workshop"
    assert told["suspects"] == []
    assert told["gauge_accuracy_deg"] == {"level": 0.1, "mark": 0.2}
    assert told["checks"][0].keys() == {"name", "joint", "verdict", "evidence"}
    assert [joint["joint"] for joint in told["joints"]] == ["J1", "J2", "J3", "J4", "J5", "J6"]
    first = told["joints"][0]
    # The home offset is where the switch is pressed by the drawing, less the trim.
    assert first["home_offset_deg"] == pytest.approx(-168.0 - first["trim_deg"])
    assert cautions.NO_VALIDATION in told["cautions"]


class Page(HTMLParser):
    """Tags opened, their attributes and the text of a page; every tag must be closed."""

    VOID = frozenset({"meta", "path", "polyline"})

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[str] = []
        self.links: list[str] = []
        self.text = ""
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.links += [value or "" for name, value in attrs if name in ("src", "href")]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert tag in self.VOID or self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


def test_the_report_is_one_page_with_a_plot_of_each_approach(
    sound: tuple[Result, list[float], list[str]], tmp_path: Path
) -> None:
    result = sound[0]
    path = write_report(result, tmp_path / "new" / "report")
    page = Page(path.read_text(encoding="utf-8"))
    assert page.links == []  # self-contained
    assert page.tags.count("svg") == 12
    assert page.text.count("switch edge latched at") == 24  # a title and a caption each
    assert "Verdict: pass" in page.text
    assert cautions.NO_VALIDATION in page.text
    for joint in result.joints:
        assert f"{joint.home_offset_deg:.3f}" in page.text
    data = json.loads((path.parent / "report.json").read_text(encoding="utf-8"))
    assert data == result.to_json()


def test_a_plot_marks_what_the_card_latched(
    sound: tuple[Result, list[float], list[str]],
) -> None:
    for homed in sound[0].homed:
        for run in homed.approaches:
            assert run.time_s == sorted(run.time_s)
            assert run.time_s[0] < run.latch_time_s <= run.time_s[-1]
            low, high = sorted((run.steps[0], run.steps[-1]))
            assert low <= run.latch_step <= high
        assert homed.approaches[1].latch_step == homed.home_step


def test_a_report_of_findings_escapes_what_it_quotes() -> None:
    result = Result("could not run", "arm <b>", reason="it said '<script>'")
    page = Page(render(result))
    assert "script" not in page.tags
    assert "it said '<script>'" in page.text


def test_a_report_that_cannot_be_written(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("")
    with pytest.raises(CommissionError, match=r"^cannot make the folder "):
        write_report(Result("pass", "arm"), blocked / "report")


class Helper:
    """Answers a PersonHand's questions by doing with a PortHand what they ask."""

    def __init__(self, hand: PortHand, arm: Arm) -> None:
        self.hand = hand
        self.joints = {joint.name: joint for joint in arm.joints}
        self.paper = io.StringIO()
        self.felt = "FREE"
        self.person = PersonHand(Console(file=self.paper, width=300), self.answer)
        self._read = 0

    def answer(self, question: str) -> str:
        text = self.paper.getvalue()[self._read :] + question
        self._read = len(self.paper.getvalue())
        for pattern, act in self.ACTS:
            found = re.search(pattern, text)
            if found:
                said = act(self, *found.groups())
                return "" if said is None else str(said)
        assert "Caution" in text or "Take the level off" in text, text
        return ""

    def joint(self, name: str) -> Joint:
        return self.joints[name]

    def turn(self, name: str, deg: str) -> None:
        self.felt = self.hand.turn(self.joint(name), float(deg))

    def feel(self) -> str:
        return {"FREE": "f", "STIFF": "s", "STOP": "e"}[self.felt]

    def ohms(self, *ends: str) -> str:
        read = self.hand.ohms(*ends)
        return "o" if math.isinf(read) else f"{read}"

    def mark(self, name: str) -> str:
        read = self.hand.mark_deg(self.joint(name))
        return "n" if read is None else f"{read}"

    ACTS = (
        (r"How did it feel", feel),
        (r"Turn (J\d) by hand, by about ([+-]\d+) deg", turn),
        (r"Press (J\d)'s", lambda self, name: self.hand.press(self.joint(name))),
        (r"Let (J\d)'s", lambda self, name: self.hand.release(self.joint(name))),
        (r"at how many degrees does (J\d)", lambda s, name: s.hand.look_deg(s.joint(name))),
        (r"turned end for end, on the arm's base", lambda self: self.hand.zero_level(True)),
        (r"zero it there", lambda self: self.hand.zero_level()),
        (r"lead on (\S+), the other on (\S+)\. ", lambda self, *ends: self.ohms(*ends)),
        (r"STOP button in", lambda self: self.hand.press_stop(True)),
        (r"STOP button out", lambda self: self.hand.press_stop(False)),
        (r"main supply on", lambda self: self.hand.main_supply(True)),
        (r"main supply off", lambda self: self.hand.main_supply(False)),
        (r"level along (J\d)'s link", lambda s, name: s.hand.level_deg(s.joint(name))),
        (r"(J\d)'s witness mark", mark),
        (r"red on (\S+), black on (\S+)\. ", lambda self, *ends: self.hand.volts(*ends)),
        (r"motor supply on", lambda self: self.hand.motor_supply(True)),
        (r"motor supply off", lambda self: self.hand.motor_supply(False)),
        (r"Put the stand", lambda self: self.hand.stand(True)),
        (r"Take the stand", lambda self: self.hand.stand(False)),
    )


@pytest.mark.parametrize(("fault", "verdict"), [("", "pass"), ("open@J3.DIR", "findings")])
def test_a_person_and_a_port_are_interchangeable(arm: Arm, fault: str, verdict: str) -> None:
    results = []
    for person in (True, False):
        url = f"dryrig://heron?seed=5&rig=person{person}" + (f"&fault={fault}" if fault else "")
        with closing(PortHand.open(f"{url}&port=hands")) as hand:
            helper = Helper(hand, arm)
            results.append(commission(url, helper.person if person else hand, ARM))
    assert [result.verdict for result in results] == [verdict, verdict]
    judged = [[(c.name, c.joint, c.verdict) for c in result.checks] for result in results]
    assert judged[0] == judged[1]
    suspects = [[s.fault for s in result.suspects] for result in results]
    assert suspects[0] == suspects[1]


def test_what_cannot_run_is_told_and_not_raised(tmp_path: Path) -> None:
    with closing(PortHand.open("dryrig://heron?seed=1&port=hands")) as hand:
        missing = commission("/nowhere", hand, ARM)
        unread = commission("/nowhere", hand, tmp_path / "no.toml")
    assert (missing.verdict, missing.exit_code) == ("could not run", 2)
    assert missing.reason.startswith("cannot open the card port '/nowhere': ")
    assert unread.reason.startswith("there is no arm file ")


def test_a_card_that_goes_away_keeps_what_was_found() -> None:
    url = "dryrig://heron?seed=1&rig=gone"
    with closing(PortHand.open(f"{url}&port=hands")) as hand:

        def cut(text: str) -> None:
            if text.startswith("jogs"):
                hand.close()

        result = commission(url, hand, ARM, cut)
    assert result.verdict == "could not run"
    assert result.reason.startswith("the hands port has gone: ")
    assert {check.name for check in result.checks} == {
        "cold", "rails", "link", "encoders", "switches", "stop"
    }  # fmt: skip


@pytest.fixture
def ports() -> Iterator[tuple[Card, PortHand]]:
    url = "dryrig://heron?seed=2&rig=homing&start=-169.5,60,-90,0,30,0"
    with closing(PortHand.open(f"{url}&port=hands")) as hand, closing(Card.open(url)) as card:
        card.enable(True, range(1, 7))
        hand.stand(False)
        yield card, hand


def test_homing_starts_on_the_switch_too(ports: tuple[Card, PortHand], arm: Arm) -> None:
    card, hand = ports
    joint = arm.joints[0]
    assert card.levels([1]) == {1: 1}
    positions = Positions(arm, card)
    positions.take(home(card, [joint]))
    positions.go({"J1": 0.0})
    assert positions.now_deg()["J1"] == pytest.approx(0.0, abs=0.01)
    # By eye, and to the switch's tolerance of 1 deg.
    assert hand.look_deg(joint) == pytest.approx(0.0, abs=2.0)


def test_a_way_to_a_pose_that_was_halted_is_no_arrival(
    ports: tuple[Card, PortHand], arm: Arm, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At a window of one count the lag of a sound motor halts it, and is within bounds at rest."""
    card, _ = ports
    joint = arm.joints[0]
    positions = Positions(arm, card)
    positions.take(home(card, [joint]))
    watch = card.watch_following
    monkeypatch.setattr(
        card, "watch_following", lambda asked: watch({c: (n, 1.0) for c, (n, _) in asked.items()})
    )
    with pytest.raises(HomingFailed) as caught:
        positions.go({"J1": 0.0})
    assert caught.value.symptom.kind is Kind.HOME_LOST
    assert str(caught.value).endswith("by a following error of it that has gone since")
    assert positions.now_deg()["J1"] < -100.0
    assert card.line.numbers("FOLL:SCAL? (@1:6)", 6) == [0.0] * 6  # nothing is watched any more


def test_homing_without_an_edge_ends_stopped(ports: tuple[Card, PortHand], arm: Arm) -> None:
    card, _ = ports
    joint = arm.joints[5]
    # Told that it stands near the switch, it looks no further than that.
    with pytest.raises(HomingFailed) as caught:
        home(card, [joint], {"J6": -171.0})
    assert caught.value.symptom.kind is Kind.HOME_NO_EDGE
    assert str(caught.value) == (
        "J6: the fast search ran 8.0 deg towards the switch and met no edge; the input reads 0"
    )
    assert card.line.numbers("STEP:MOV? (@1:6)", 6) == [0] * 6
    assert card.line.ask("HALT:EDGE? (@6)") == ["OFF"]


def test_homing_notices_lost_steps(arm: Arm) -> None:
    url = "dryrig://heron?seed=2&rig=lost&start=0,10,-10,0,0,0&fault=weak@J2.MOTOR,current=0.2"
    with closing(PortHand.open(f"{url}&port=hands")) as hand, closing(Card.open(url)) as card:
        card.enable(True, range(1, 7))
        hand.stand(False)
        with pytest.raises(HomingFailed, match=r"^J2: ") as caught:
            home(card, [arm.joints[1]], {"J2": 10.0})
        assert caught.value.symptom.kind in (Kind.HOME_NO_EDGE, Kind.HOME_LOST)
        assert card.line.numbers("STEP:MOV? (@1:6)", 6) == [0] * 6


@pytest.mark.parametrize("seed", range(4))
def test_a_line_that_drops_bytes_is_a_finding(seed: int) -> None:
    url = f"dryrig://heron?seed={seed}&rig=drops&fault=drop@LINE,per=1e-3"
    with closing(PortHand.open(f"{url}&port=hands")) as hand:
        result = commission(url, hand, ARM)
    assert {check.name for check in result.checks if check.failed} == {"link"}
    assert [suspect.fault for suspect in result.suspects] == ["drop@LINE"]


def test_ports_that_are_mixed_up_are_no_bad_line() -> None:
    url = "dryrig://heron?seed=7&rig=mixed"
    with closing(PortHand.open(url)) as hand:
        result = commission(f"{url}&port=hands", hand, ARM)
    assert (result.verdict, result.checks, result.suspects) == ("could not run", [], [])
    assert result.reason.startswith("the hands refused ':STAND 1': -113 Undefined header")
    assert result.reason.endswith(". Are the card's and the hands' port mixed up?")
