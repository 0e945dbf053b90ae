"""The diagnosis: what a ranker is given and asked, measurements by the hands, how it is shown."""

from __future__ import annotations

import io
import json
import math
import re
from contextlib import closing
from pathlib import Path

import pytest
from rich.console import Console

from dryrig.commission import cautions
from dryrig.commission.arm import load_arm
from dryrig.commission.client import Card
from dryrig.commission.diagnosis import (
    SOUND,
    Diagnosis,
    Expected,
    FaultClass,
    Split,
    Taken,
    diagnosed,
)
from dryrig.commission.hand import PortHand
from dryrig.commission.measurements import Measurement, take
from dryrig.commission.person import PersonHand
from dryrig.commission.report import render
from dryrig.commission.result import Result
from dryrig.commission.run import commission
from dryrig.commission.station import Station
from dryrig.commission.terminal import show
from dryrig.scenes import scene_path
from dryrig.study.library import Library
from dryrig.study.menu import compatible, groups, menu
from dryrig.study.ranking import Classes
from dryrig.study.scales import Scales
from dryrig.study.signature import Signature, signature_of

DIR = Measurement("V", "J3.DIR", "J3.OPTO0V", drive="J3", sign=1)
WIRE = Measurement("ohm", "CARD.J3.DIR", "PLUG.J3.DIR", plug="J3.INPUTS")


class TwoReadings:
    """Asks for two measurements, whatever they read, and keeps what it was told."""

    def __init__(self) -> None:
        self.told_values: list[float] = []

    def rank(self, result: Result) -> Diagnosis:
        sides = (Expected(("open@J3.DIR",), "0.00 V"), Expected(("resist@J3.DIR",), "4.80 V"))
        classes = (FaultClass(("open@J3.DIR", "resist@J3.DIR"), 1.0),)
        return Diagnosis(classes, Split(DIR, sides))

    def told(self, measurement: Measurement, value: float) -> Diagnosis:
        self.told_values.append(value)
        sides = (Expected(("open@J3.DIR",), "overload"),)
        split = Split(WIRE, sides) if measurement == DIR else None
        taken = (Taken(measurement, measurement.shown(value)),)
        return Diagnosis((FaultClass(("open@J3.DIR",), 1.0),), split, taken)


def commissioned(fault: str, ranker: TwoReadings) -> Result:
    url = f"dryrig://heron?seed=3&rig=diagnosis{fault and '&fault=' + fault}"
    with closing(PortHand.open(f"{url}&port=hands")) as hand:
        return commission(url, hand, scene_path("heron"), ranker=ranker)


def test_hands_take_what_the_ranker_asks_for() -> None:
    ranker = TwoReadings()
    result = commissioned("open@J3.DIR", ranker)
    assert result.verdict == "findings"
    volts, ohms = ranker.told_values
    assert volts == pytest.approx(0.0, abs=0.01)  # lit on a sound arm: nothing comes through
    assert math.isinf(ohms)
    assert result.diagnosis is not None
    assert [one.reading for one in result.diagnosis.taken] == ["overload"]


def test_nothing_is_measured_live_on_a_shorted_rail() -> None:
    ranker = TwoReadings()  # asks for volts first
    result = commissioned("short@RAIL.24V/RAIL.0V", ranker)
    assert result.verdict == "findings"
    assert ranker.told_values == []


class Colleague:
    """A person's answers, made by doing at the hands port what the paper asks for."""

    ACTS = (
        (r"red on (\S+), black on (\S+)\. Volts", lambda hand, *ends: hand.volts(*ends)),
        (r"lead on (\S+), the other on (\S+)\. Ohms", lambda hand, *ends: hand.ohms(*ends)),
        (r"pull plug (\S+) out, at the part", lambda hand, name: hand.plug(name, False)),
        (r"Put plug (\S+) in again", lambda hand, name: hand.plug(name, True)),
        (r"main supply on", lambda hand: hand.main_supply(True)),
        (r"main supply off, lock it", lambda hand: hand.main_supply(False)),
        (r"motor supply on", lambda hand: hand.motor_supply(True)),
        (r"motor supply off", lambda hand: hand.motor_supply(False)),
        (r"Put the stand", lambda hand: hand.stand(True)),
    )

    def __init__(self, port: PortHand, *more: str) -> None:
        self.port, self.more, self.told, self._paper = port, list(more), "", io.StringIO()
        self.hand = PersonHand(Console(file=self._paper, width=200), self._answer)

    def _answer(self, question: str) -> str:
        asked = self._paper.getvalue() + question
        self._paper.seek(0)
        self._paper.truncate()
        self.told += asked + "\n"
        if "Measure it?" in question:
            return self.more.pop(0)
        for pattern, act in self.ACTS:
            found = re.search(pattern, asked)
            if found:
                read = act(self.port, *found.groups())
                return "" if read is None else "o" if math.isinf(read) else f"{read}"
        assert "when that is so" in question, asked
        return ""


@pytest.mark.parametrize(("more", "took"), [(("", "what?", "y"), 2), (("", "n"), 1), (("n",), 0)])
def test_a_person_is_asked_for_the_measurement_that_splits(
    more: tuple[str, ...], took: int
) -> None:
    """Readings: nothing arrives at the drive's end of an open conductor, and it has no ohms."""
    ranker = TwoReadings()
    url = "dryrig://heron?seed=3&rig=asked&fault=open@J3.DIR"
    with closing(PortHand.open(f"{url}&port=hands")) as port, closing(Card.open(url)) as card:
        person = Colleague(port, *more)
        arm = load_arm(scene_path("heron"))
        station = Station(arm, card, person.hand, lambda _text: None)
        found = diagnosed(ranker, Result("findings", "Heron"), station)
    assert ranker.told_values == [pytest.approx(0.0, abs=0.01), math.inf][:took]
    assert (found.split is None) == (took == 2)
    assert f"Worth measuring next: {DIR.words}." in person.told
    assert "  0.00 V: open@J3.DIR\n" in person.told
    if took:
        asked = person.told.index("red on J3.DIR, black on J3.OPTO0V. Volts?")
        assert person.told.index(cautions.LIVE_VOLTS) < asked
    if took == 2:
        asked = person.told.index("one lead on CARD.J3.DIR, the other on PLUG.J3.DIR. Ohms")
        dead = person.told.index("prove it dead")
        out = person.told.index("pull plug J3.INPUTS out")
        assert dead < out < asked < person.told.index("Put plug J3.INPUTS in again")
        assert person.told.index(cautions.DEAD) < asked
        assert "'what?' is neither." in person.told


def test_an_arm_that_passed_is_left_as_it_stands() -> None:
    ranker = TwoReadings()
    result = commissioned("", ranker)
    assert result.verdict == "pass"
    assert ranker.told_values == []
    assert result.diagnosis is not None
    assert result.diagnosis.split is not None  # told instead


def test_a_diagnosis_is_shown_on_page_terminal_and_in_json() -> None:
    result = Result("findings", "Heron", diagnosis=TwoReadings().rank(Result("findings", "Heron")))
    data = json.loads(json.dumps(result.to_json()))["diagnosis"]
    assert data["classes"] == [{"faults": ["open@J3.DIR", "resist@J3.DIR"], "share": 1.0}]
    assert data["next"]["expected"][1] == {"faults": ["resist@J3.DIR"], "reading": "4.80 V"}
    page = render(result)
    console = Console(width=100, record=True, file=io.StringIO())
    show(result, console)
    for text in (page, console.export_text()):
        assert "resist@J3.DIR" in text
        assert "4.80 V" in text
        assert "one hand, insulated probes" in text


@pytest.mark.parametrize(
    ("fault", "what", "expected"),
    [
        ("", DIR, 4.8),
        ("", Measurement("V", "J3.DIR", "J3.OPTO0V", drive="J3", sign=-1), 0.0),
        ("", Measurement("V", "CARD.J3.SW.COM", "RAIL.0V", press="J3"), 3.3),
        ("", Measurement("V", "CARD.J3.SW.COM", "RAIL.0V"), 0.0),
        ("open@J3.DIR", DIR, 0.0),
        ("resist@J3.DIR,ohm=4700", WIRE, 4700.0),
        ("open@J3.DIR", WIRE, math.inf),
    ],
)
def test_a_measurement_puts_the_arm_into_its_state(
    fault: str, what: Measurement, expected: float
) -> None:
    """Expected values: what the pins carry by the scene (5 V and 3.3 V rails); the fault's ohms."""
    url = f"dryrig://heron?seed=3&rig=measure{fault and '&fault=' + fault}"
    with closing(PortHand.open(f"{url}&port=hands")) as hand, closing(Card.open(url)) as card:
        arm = load_arm(scene_path("heron"))
        assert take(arm, card, hand, [what])[what] == pytest.approx(expected, rel=0.06, abs=0.02)
        # And back: the same once more.
        assert take(arm, card, hand, [what])[what] == pytest.approx(expected, rel=0.06, abs=0.02)


def test_words_say_where_the_probes_go_and_in_which_state() -> None:
    assert DIR.words == (
        "DC volts, red on J3.DIR, black on J3.OPTO0V, J3 energised, standing after a small "
        "positive jog"
    )
    assert WIRE.words == (
        "ohms from CARD.J3.DIR to PLUG.J3.DIR, main supply off and locked, proved dead, plug "
        "J3.INPUTS out"
    )


def test_readings_stand_in_groups_that_no_tolerance_bridges() -> None:
    values = {"a": 0.2, "b": 0.4, "c": 4700.0, "d": math.inf}
    assert groups(WIRE, values) == [["a", "b"], ["c"], ["d"]]
    assert compatible(DIR, 4.8, 5.0)
    assert not compatible(DIR, 4.8, 0.0)
    assert not compatible(WIRE, math.inf, 4700.0)


def test_the_menu_keeps_to_the_plugs_that_the_faults_touch() -> None:
    asked = menu([SOUND, "open@J3.SW.COM", "sag@RAIL.5V"])
    assert {what.plug for what in asked if what.unit == "ohm"} == {"", "J3.SW"}
    assert any(what.rail for what in asked)
    assert not any("MOTOR" in what.red for what in asked)


def test_the_menu_knows_where_a_part_of_the_card_or_a_drive_shows() -> None:
    for fault in ("frozen@CARD.J5.STEP", "dim@J5.DRIVE"):
        assert any(what.red == "J5.STEP" and what.unit == "V" for what in menu([fault])), fault


def test_no_ohms_are_asked_for_through_an_output_that_stands_by_the_last_sign() -> None:
    asked = [what for what in menu(["open@J3.DIR"]) if what.unit == "ohm" and not what.plug]
    assert {(what.red, what.black) for what in asked if ".DIR" in what.red + what.black} == {
        ("CARD.J3.DIR", "J3.DIR")
    }
    assert any(what.red == "CARD.J3.STEP" and what.black == "J3.ENA" for what in asked)


def test_a_signature_does_not_mind_where_a_disc_stands() -> None:
    from dryrig.commission.findings import Check

    low, high, other = (
        signature_of(Result("findings", "x", checks=[Check("encoders", "J3", "fail", said)]))
        for said in (
            "A at the encoder 0.005 V, 5.06 V below 5 V: held",
            "A at the encoder 5.060 V, 0.005 V below 5 V: held",
            "A at the encoder 2.220 V, 2.79 V below 5 V: held",
        )
    )
    assert low == high
    assert low != other


def test_three_classes_are_named_however_unlikely_the_third() -> None:
    def seen(words: str) -> Signature:
        return Signature({f"jogs J{n}|{words}": () for n in range(1, 6)})

    names = (SOUND, "open@J3.DIR", "open@J3.STEP", "weak@J3.MOTOR", "idle@J3.DRIVE")
    library = {name: {1: seen(name)} for name in names}
    classes = Classes(library, Scales())
    found = classes.grouped(classes.costs(seen("open@J3.DIR")))
    assert found[0].faults == ("open@J3.DIR",)
    assert len(found) == 3
    assert found[2].share < 1e-3


def test_a_signature_keeps_what_every_slipping_joint_has_in_common() -> None:
    from dryrig.commission.findings import Check

    said = "+6 deg asked: {} by eye, +6.02 by count (+2007); -6 deg asked: +0 by eye, -5.99 by count (-1)"  # noqa: E501
    one, other = (
        signature_of(Result("findings", "x", checks=[Check("jogs", "J3", "fail", said.format(n))]))
        for n in ("-5", "+1")
    )
    assert one.segments.keys() == other.segments.keys()
    assert {"sense J3|by count all", "sense J3|by eye none"} <= one.segments.keys()


def test_a_library_that_was_cut_short_is_learned_anew(tmp_path: Path) -> None:
    path = Library.of("heron", tmp_path).path
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(b"not gzip")
    assert Library.of("heron", tmp_path).seen == {}
