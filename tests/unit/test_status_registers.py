"""The SCPI register groups and what hangs on them, as a program polls them."""

from __future__ import annotations

import pytest
from at_rest import run, send

from dryrig.protocol.register_group import RegisterGroup
from dryrig.protocol.station import ROLES, Station


def test_a_group_notices_what_its_filters_let_through() -> None:
    group = RegisterGroup()
    group.sense(0b101)
    group.sense(0b100)
    assert (group.condition, group.take_events(), group.take_events()) == (0b100, 0b101, 0)
    group.rises, group.falls = 0, 0b100
    group.sense(0b011)
    assert group.take_events() == 0b100
    group.sense(0b111)
    assert (group.events, group.summary) == (0, False)


def test_moving_waiting_and_armed_are_operation_bits(station: Station) -> None:
    card = station.ports["card"]
    send(card, "*CLS;:STAT:OPER:ENAB 256;*SRE 128")
    assert send(card, "STAT:OPER:COND?;:STAT:OPER?") == "0;0\n"
    assert send(card, "*STB?") == "0\n"
    send(card, "HALT:EDGE RISE,(@2);:STEP:LOAD 50,(@3)")
    assert send(card, "STAT:OPER:COND?;EVEN?;EVEN?;*STB?") == "544;544;0;16\n"
    send(card, "STEP:MOVE 100,(@6)")
    assert send(card, "STAT:OPER:COND?") == "800\n"
    run(station, 2.0)
    # The motion is over; that it began was noticed, and shows until it is read.
    assert send(card, "*STB?") == "192\n"
    assert send(card, "STAT:OPER:EVEN?") == "256\n"
    assert send(card, "*STB?") == "0\n"


def test_the_end_of_a_motion_is_a_fall(station: Station) -> None:
    card = station.ports["card"]
    send(card, "*CLS;:STAT:OPER:PTR 0;NTR 256;ENAB 256;:STEP:MOVE 100,(@6)")
    assert send(card, "STAT:OPER?") == "0\n"
    run(station, 2.0)
    assert send(card, "STAT:OPER?") == "256\n"


def test_the_stop_circuit_and_the_supply_are_questionable(station: Station) -> None:
    card, hands = station.ports["card"], station.ports["hands"]
    assert send(card, "STAT:QUES:COND?;:STOP:LEV?") == "0;0\n"
    send(hands, "SUPP:MOT OFF")
    assert send(card, "STAT:QUES:COND?") == "1\n"
    send(hands, "STOP ON")
    assert send(card, "STAT:QUES:COND?;:STOP:LEV?") == "1025;1\n"
    send(hands, "STOP OFF;:SUPP:MOT ON")
    assert send(card, "STAT:QUES:COND?;:STAT:QUES?") == "0;1025\n"


def test_preset_leaves_events_and_errors(station: Station) -> None:
    card = station.ports["card"]
    send(card, "*CLS;:STAT:QUES:ENAB 1;PTR 2;NTR 4;:STAT:OPER:ENAB #H7FFF")
    send(card, "STEP:MOVE 1,(@6);NONSENSE")
    send(card, "STAT:PRES")
    assert send(card, "STAT:QUES:ENAB?;PTR?;NTR?;:STAT:OPER:ENAB?") == "0;32767;0;0\n"
    assert send(card, "STAT:OPER?;:SYST:ERR:COUN?") == "256;1\n"


def test_the_sixteenth_bit_stays_zero(station: Station) -> None:
    card = station.ports["card"]
    assert send(card, "STAT:OPER:ENAB 65535;ENAB?") == "32767\n"


def test_a_hand_that_turns(station: Station) -> None:
    hands = station.ports["hands"]
    assert send(hands, "SUPP:MOT OFF;:TURN 2,20,(@5);:STAT:OPER:COND?") == "256\n"
    run(station, 0.2)
    assert send(hands, "STAT:OPER:COND?;:STAT:OPER?;:STAT:QUES:COND?") == "0;256;0\n"


def test_all_errors_at_once(station: Station) -> None:
    card = station.ports["card"]
    send(card, "*CLS\n*NO\nSTEP:RATE 0")
    assert send(card, "SYST:ERR:COUN?") == "2\n"
    reply = send(card, "SYST:ERR:ALL?")
    assert reply.startswith('-113,"Undefined header;*NO')
    assert ',-222,"Data out of range;STEP:RATE 0: 1 to 200000 steps/s"\n' in reply
    assert send(card, "SYST:ERR:ALL?;COUN?") == '0,"No error";0\n'


def test_limits_can_be_asked(station: Station) -> None:
    card = station.ports["card"]
    assert send(card, "STEP:RATE? MAX;RATE? MIN,(@2);RATE? DEF;ACC? MAXimum") == (
        "200000;1;1000;5000000\n"
    )
    assert send(card, "FOLL:LIM? DEF;:STEP:COUN? MIN") == "100;-2147483647\n"
    # IEEE 488.2's own commands take numbers only.
    assert send(card, "*ESE MAX") + send(card, "*ESE? MAX") + send(card, "STEP:RATE? MAX,5") == ""
    numbers = [send(card, "SYST:ERR?").split(",")[0] for _ in range(4)]
    assert numbers == ["-148", "-108", "-108", "0"]


@pytest.mark.parametrize("role", list(ROLES))
def test_headers_are_listed_from_the_declarations(station: Station, role: str) -> None:
    """The Keysight 81160A manual, page 505: a definite length block, a line each, nodes in full
    with the short form in capitals, default nodes in brackets. `/qonly/` and `/nquery/`: from
    memory.
    """
    reply = send(station.ports[role], "SYST:HELP:HEAD?")
    digits = int(reply[1])
    length, block = int(reply[2 : 2 + digits]), reply[2 + digits :]
    assert (reply[0], len(block)) == ("#", length + 1)
    lines = block.removesuffix("\n").splitlines()
    assert len(lines) == len(set(lines)) == len(ROLES[role].commands)
    assert {"*IDN?", ":SYSTem:ERRor[:NEXT]?"} <= {line.replace("/qonly/", "?") for line in lines}
    assert {"*CLS/nquery/", "*ESE", ":STATus:OPERation:ENABle"} <= set(lines)
    for line in lines:
        header, _, mark = line.partition("/")
        assert mark in ("", "qonly/", "nquery/")
        plain = header.replace("[", "").replace("]", "")
        if mark == "qonly/" and "HELP" not in plain:
            send(station.ports[role], f"*CLS;{plain}?")
            assert not send(station.ports[role], "SYST:ERR?").startswith("-113")
