"""Faults while the rig runs: insert, change, list, remove, schedule; by word and in Python."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from dryrig.errors import FaultError
from dryrig.faults import chosen_faults, enumerate_faults
from dryrig.protocol.station import Station
from dryrig.scenes import load_scene
from dryrig.sim import TICKS_PER_S

WIRE = "J1.SW.COM"
SCENE = load_scene("heron")


@pytest.fixture
def station() -> Iterator[Station]:
    with Station.build("heron", seed=2) as station:
        yield station


def ask(station: Station, text: str, wait_s: float = 0.0) -> str:
    port = station.ports["teacher"]
    station.rig.advance(station.rig.now + round(wait_s * TICKS_PER_S))
    port.write(text.encode() + b"\n")
    return port.take(1 << 16).decode().strip()


def ohm(station: Station) -> float:
    return station.rig.harness.parts.ohm[WIRE]


def test_by_word(station: Station) -> None:
    sound = ohm(station)
    assert ask(station, f'FAUL:INS "resist@{WIRE}";LIST?') == f'"resist@{WIRE}"'
    assert ohm(station) == pytest.approx(sound + 4700)
    changed = ask(station, f'FAUL:CHAN "resist@{WIRE}","resist@{WIRE},ohm=100";LIST?')
    assert changed == f'"resist@{WIRE},ohm=100"'
    assert ohm(station) == pytest.approx(sound + 100)
    assert ask(station, f'FAUL:REM "resist@{WIRE},ohm=100";LIST?') == '""'
    assert ohm(station) == sound
    due = ask(station, f'FAUL:SCH "open@{WIRE}",2.5;SCH "weak@J2.MOTOR",1;SCH?;LIST?')
    assert due == f'"weak@J2.MOTOR",1.0000000,"open@{WIRE}",2.5000000;""'
    assert ask(station, "FAUL:LIST?;SCH?", 2.0) == f'"weak@J2.MOTOR";"open@{WIRE}",2.5000000'
    assert ohm(station) == sound
    assert ask(station, "FAUL:SCH?;LIST?", 0.5) == f'"";"weak@J2.MOTOR","open@{WIRE}"'
    assert ohm(station) > 1e9
    assert ask(station, "FAUL:CLE;LIST?;:SYST:ERR?") == '"";0,"No error"'
    assert ohm(station) == sound


def test_a_scheduled_fault_acts_on_its_tick_and_can_be_taken_off(station: Station) -> None:
    injector, sound = station.injector, ohm(station)
    injector.schedule(f"open@{WIRE}", 1.5)
    injector.schedule(f"resist@{WIRE},ohm=7", 1.6)
    injector.remove(f"resist@{WIRE},ohm=7")
    assert injector.scheduled() == [(f"open@{WIRE}", 1.5)]
    station.rig.advance(3 * TICKS_PER_S // 2 - 1)
    assert ohm(station) == sound
    station.rig.advance(3 * TICKS_PER_S // 2)
    assert ohm(station) > 1e9
    injector.remove(f"open@{WIRE}")
    injector.schedule(f"open@{WIRE}", 2.0)
    injector.clear()
    station.rig.advance(3 * TICKS_PER_S)
    assert (ohm(station), injector.listed(), injector.scheduled()) == (sound, [], [])


def test_what_cannot_be_is_said_at_once_and_changes_nothing(station: Station) -> None:
    injector = station.injector
    station.rig.advance(2 * TICKS_PER_S)
    injector.insert(f"resist@{WIRE}")
    for act, message in (
        (lambda: injector.schedule("open@J1.DRI", 5), r"no place 'J1.DRI'.*did you mean 'J1.DIR'"),
        (lambda: injector.schedule("open@J1.DIR", 1), r"1 s of rig time is over, it is 2 s"),
        (lambda: injector.change("open@J1.DIR", "open@J1.STEP"), r"'open@J1.DIR' is not in"),
        (lambda: injector.change(f"resist@{WIRE}", "opne@J1.DIR"), r"did you mean 'open'"),
        (lambda: injector.insert(f"resist@{WIRE}"), r"is in already"),
        (lambda: injector.insert("brake@J2.BRAKE"), r"heron has no place for brake$"),
    ):
        with pytest.raises(FaultError, match=message):
            act()
    assert injector.listed() == [f"resist@{WIRE}"]
    assert injector.scheduled() == []
    assert ask(station, 'FAUL:SCH "open@J1.DIR",1') == ""
    assert "1 s of rig time is over" in ask(station, "SYST:ERR?")


def test_a_change_keeps_the_order_in_which_faults_act(station: Station) -> None:
    """A swap, then a short at the ends as swapped: the other order is another circuit."""
    injector = station.injector
    for text in ("swap@J2.DIR/J2.STEP", "short@J2.DIR/RAIL.0V"):
        injector.insert(text)
    injector.change("swap@J2.DIR/J2.STEP", "swap@J2.DIR/J2.ENA")
    assert injector.listed() == ["swap@J2.DIR/J2.ENA", "short@J2.DIR/RAIL.0V"]
    assert station.rig.harness.parts.bridges == [("J2.ENA", "RAIL.0V", 0.05)]


def test_the_catalogue_by_joint_part_and_kind() -> None:
    whole = list(enumerate_faults(SCENE))
    assert chosen_faults(SCENE) == whole
    assert chosen_faults(SCENE, joints=["J3"], parts=["ENC"], kinds=["open"]) == [
        f"open@J3.ENC.{pin}" for pin in ("5V", "0V", "A", "B", "Z")
    ]
    # Each fault of one joint is at exactly one part; those of two joints cross plugs.
    by_part = [
        chosen_faults(SCENE, parts=[part])
        for part in ("INPUTS", "DRIVE", "MOTOR", "ENC", "SW", "GEAR", "COUPLING", "COUNTER", "IO")
    ]
    whole_arm = chosen_faults(
        SCENE, parts=["CARD", "RAIL", "LINE", "TOOL", "BASE", "METER", "STOP", "CONTACTOR"]
    )
    assert {name for names in [*by_part, whole_arm] for name in names} == set(whole)
    assert chosen_faults(SCENE, joints=["J2"], kinds=["cross"])[0] == "cross@J1.INPUTS/J2.INPUTS"
    assert "frozen@CARD.J3.DIR" in chosen_faults(SCENE, joints=["J3"])
    for asked, message in (
        ({"joints": ["J7"]}, r"^no joint 'J7': expected one of J1, .*\(did you mean 'J6'\?\)$"),
        ({"parts": ["ENK"]}, r"^no part 'ENK': .*\(did you mean 'ENC'\?\)$"),
        ({"kinds": ["opne"]}, r"^no kind 'opne': .*\(did you mean 'open'\?\)$"),
        ({"parts": ["ENC"], "kinds": ["weak"]}, r"of all these: ENC, weak; leave one of them out$"),
    ):
        with pytest.raises(FaultError, match=message):
            chosen_faults(SCENE, **asked)
