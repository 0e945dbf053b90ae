"""The hands port: plugs, supplies and the meter over the wire."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from dryrig.protocol.station import Station
from dryrig.sim import TICKS_PER_S

Ask = Callable[..., str]


@pytest.fixture
def ask() -> Iterator[Ask]:
    rest = (0.0, 60.0, -90.0, 0.0, 30.0, 0.0)
    with Station.build("heron", seed=1, start_pose_deg=rest) as station:

        def send(text: str, port: str = "hands", wait_s: float = 0.5) -> str:
            station.ports[port].write(text.encode() + b"\n")
            station.rig.advance(station.rig.now + round(wait_s * TICKS_PER_S))
            return station.ports[port].take(1 << 20).decode().strip()

        yield send


@pytest.mark.parametrize("word", ["MEAS:RES?", "MEASURE:CONTINUITY?"])
def test_ohms_on_a_live_circuit_are_refused_with_the_caution(ask: Ask, word: str) -> None:
    assert ask(f'{word} "J3.MOTOR.A+","J3.MOTOR.A-"') == ""
    error = ask("SYST:ERR?")
    assert error.startswith('-221,"Settings conflict;ohms on a live circuit')
    assert "prove dead" in error


def test_with_the_main_supply_off_a_coil_reads_and_an_open_pair_overloads(ask: Ask) -> None:
    assert ask("SUPPly:MAIN OFF;:SUPP:MAIN?") == "0"
    assert 1.4 <= float(ask('MEAS:RES? "J3.MOTOR.A+","J3.MOTOR.A-"')) <= 2.0
    assert ask('MEAS:RES? "J3.MOTOR.A+","J3.MOTOR.B+"') == "9.9E37"
    both = 'MEAS:CONT? "J3.MOTOR.A+","J3.MOTOR.A-";:MEAS:CONT? "J3.MOTOR.A+","J3.MOTOR.B+"'
    assert ask(both, wait_s=1.0) == "1;0"
    assert ask("SWIT:LEV? (@5)", "card") == "0"  # the card still answers
    assert ask("SYST:ERR?") == '0,"No error"'


def test_plugs_by_name(ask: Ask) -> None:
    assert ask("PLUG?") == '""'
    assert ask('PLUG OUT,"J5.SW";:PLUG OUT,"J2.ENC";:PLUG?') == '"J2.ENC","J5.SW"'
    assert '"PLUG.J5.SW.COM"' in ask('TERM? "J5.SW"')
    assert ask('*RST;PLUG IN,"J2.ENC";PLUG?') == '"J5.SW"'
    ask('PLUG OUT,"J5.SV"')
    assert ask("SYST:ERR?").endswith("(did you mean 'J5.SW'?)\"")


def test_hold_ac_volts_and_the_test_resistor(ask: Ask) -> None:
    ask('PLUG OUT,"J5.SW"')
    float_ac = float(ask('MEAS:VOLT:AC? "CARD.J5.SW.COM","RAIL.0V"'))
    assert 0.05 < float_ac < 0.3
    low, high = ask('MEAS:VOLT:HOLD? 2,"CARD.J5.SW.COM","RAIL.0V"', wait_s=2.1).split(",")
    assert float(low) < float(high) < 0.2
    assert ask('CLIP "CARD.J5.SW.COM","RAIL.3V3";CLIP?') == '"CARD.J5.SW.COM","RAIL.3V3"'
    assert ask("SWIT:LEV? (@5)", "card") == "1"
    assert ask("CLIP:OFF;:CLIP?") == '""'


def test_a_level_laid_reversed_over_the_wire(ask: Ask) -> None:
    one, other = map(float, ask("LEV? (@2);:LEV:REV ON;:LEV? (@2)").split(";"))
    assert one == pytest.approx(60, abs=0.5)
    assert other == pytest.approx(-60, abs=0.5)
    assert ask("LEV:REV?") == "1"


def test_pushing_the_base_moves_the_level_where_its_mount_is_loose(ask: Ask) -> None:
    ask('FAUL:INS "loose@BASE"', "teacher")
    assert ask("PUSH?") == "OFF"
    ask("LEV:ZERO")
    rest = float(ask("LEV? (@5)"))
    assert ask("PUSH FORWARD;:PUSH?") == "FORW"
    assert float(ask("LEV? (@5)")) == pytest.approx(rest - 0.6, abs=0.06)
    assert ask("*RST;PUSH?") == "OFF"
    assert float(ask("LEV? (@5)")) == pytest.approx(rest, abs=0.06)
    ask("PUSH SIDEWAYS")
    assert ask("SYST:ERR?").startswith('-224,"Illegal parameter value;PUSH SIDEWAYS: expected FORW')
