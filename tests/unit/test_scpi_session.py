"""The default grammar on a rig: what waits, what is kept, what is refused."""

from __future__ import annotations

import pytest
from at_rest import REST, run, send

from dryrig import DryrigError
from dryrig.protocol.dialect import INPUT_LIMIT
from dryrig.protocol.reference import words_reference
from dryrig.protocol.station import ROLES, Station
from dryrig.sim.clock import TICKS_PER_S


def test_unknown_header_names_the_nearest(station: Station) -> None:
    card = station.ports["card"]
    send(card, "STEP:RAET 5")
    assert send(card, "SYST:ERR?") == (
        '-113,"Undefined header;STEP:RAET: did you mean STEP:RATE?"\n'
    )
    send(card, "STEP:RATE 5;SYST:VERS?")
    assert send(card, "SYST:ERR?") == (
        '-113,"Undefined header;STEP:SYST:VERS: after a semicolon write :SYST:VERS, '
        'a colon starts from the root"\n'
    )


@pytest.mark.parametrize(
    ("sent", "error"),
    [
        ("STEP:RATE 1e9", '-222,"Data out of range;STEP:RATE 1e9: 1 to 200000 steps/s"'),
        ("STEP:RATE", '-109,"Missing parameter;STEP:RATE: expected <rate>"'),
        ("STEP:RATE 1,2", '-108,"Parameter not allowed;STEP:RATE: 2 is one too many"'),
        ("STEP:MOVE? (@1)", '-113,"Undefined header;STEP:MOVE has no query form"'),
        ("STEP:MOV 5", '-113,"Undefined header;STEP:MOVing has only a query form, STEP:MOVing?"'),
        ("STEP:RATE? 3", '-108,"Parameter not allowed;STEP:RATE: got 3, a channel list is (@1:6)"'),
        (
            "*IDN?x",
            "-111,\"Header separator error;*IDN: expected a space after the header, got 'x'\"",
        ),
        ("&", "-101,\"Invalid character;a header cannot start with '&'\""),
        (
            "STEP:ABCDEFGHIJKLM 1",
            '-112,"Program mnemonic too long;ABCDEFGHIJKLM: at most 12 characters"',
        ),
        (
            "STEP2:RATE 5",
            '-114,"Header suffix out of range;STEP2:RATE: STEP:RATE takes no numeric suffix"',
        ),
        (
            "STEP:RUN POSI",
            '-224,"Illegal parameter value;STEP:RUN POSI: expected POSitive|NEGative'
            ' (did you mean POSITIVE?)"',
        ),
    ],
)
def test_errors_say_what_came_and_what_was_expected(
    station: Station, sent: str, error: str
) -> None:
    card = station.ports["card"]
    assert send(card, sent) == ""
    assert send(card, "SYST:ERR?").rstrip("\n") == error
    assert send(card, "SYST:ERR?") == '0,"No error"\n'


def test_suffix_one_is_the_same_as_none(station: Station) -> None:
    assert send(station.ports["card"], "STEP1:RATE 70,(@1);:STEP:RATE1? (@1)") == "70\n"


def test_a_command_error_ends_the_message_and_an_execution_error_does_not(
    station: Station,
) -> None:
    card = station.ports["card"]
    assert send(card, "*TST?;NONSENSE;*TST?") == "0\n"
    assert send(card, "*TST?;:STEP:RATE 0;*TST?") == "0;0\n"


def test_bytes_that_are_not_ascii(station: Station) -> None:
    card = station.ports["card"]
    card.write(b"*TST?;\xff\n*TST?\r\n\t*TST?\x00\n \n\n")
    assert card.take(100) == b"0\n0\n"
    assert send(card, "SYST:ERR?").startswith('-101,"Invalid character;byte 255')


def test_a_message_may_come_in_pieces(station: Station) -> None:
    card = station.ports["card"]
    for piece in (b"*I", b"DN", b"?;*TS", b"T?"):
        card.write(piece)
        assert not card.output
    card.write(b"\n")
    assert card.take(100).endswith(b";0\n")


def test_operation_complete_holds_what_follows(station: Station) -> None:
    card = station.ports["card"]
    send(card, "STEP:RATE 1000;ACC 100000;:STEP:MOVE 500,(@6)")
    assert send(card, "*OPC?;CLOC:TIME?\n*TST?") == ""
    assert card.busy
    run(station, 0.4)
    assert not card.output
    run(station, 0.4)
    one, clock_s = card.take(100).decode().splitlines()[0].split(";")
    # Trapezoid: distance over rate plus rate over acceleration, 0.51 s.
    assert (one, float(clock_s)) == ("1", pytest.approx(0.51, abs=1e-5))
    assert not card.busy


def test_wait_to_continue_gives_no_reply(station: Station) -> None:
    card = station.ports["card"]
    assert send(card, "STEP:MOVE 100,(@6);*WAI;:STEP:COUN? (@6)") == ""
    run(station, 2.0)
    assert card.take(100) == b"100\n"


def test_operation_complete_gives_up_after_two_minutes(station: Station) -> None:
    card = station.ports["card"]
    # The drives are off, so that the pulses move nothing.
    assert send(card, "STEP:RATE 100;RUN POS,(@6);*OPC?") == ""
    run(station, 119.9)
    assert not card.output
    run(station, 0.2)
    assert card.take(100) == b"1\n"
    assert send(card, "SYST:ERR?") == '-365,"Time out error;still moving after 120 s of rig time"\n'


def test_operation_complete_bit(station: Station) -> None:
    card = station.ports["card"]
    assert send(card, "*CLS;:STEP:MOVE 100,(@6);*OPC;*ESR?") == "0\n"
    run(station, 2.0)
    assert send(card, "*ESR?") == "1\n"


def test_clear_calls_off_operation_complete(station: Station) -> None:
    card = station.ports["card"]
    send(card, "STEP:MOVE 100,(@6);*OPC;*CLS")
    run(station, 2.0)
    assert send(card, "*ESR?") == "0\n"


def test_wait_ends_at_the_first_event(station: Station) -> None:
    card = station.ports["card"]
    send(card, "STEP:RATE 1000;ACC 100000;MOVE 500,(@6);:WAIT? 5")
    run(station, 1.0)
    assert float(card.take(100)) == pytest.approx(0.51, abs=1e-5)
    start_s = station.rig.now / TICKS_PER_S
    send(card, "WAIT? 250 MS")
    run(station, 1.0)
    assert float(card.take(100)) == pytest.approx(start_s + 0.25, abs=1e-6)
    assert send(card, "WAIT? 0") != ""


def test_moving_axes_refuse_all_or_none(station: Station) -> None:
    card = station.ports["card"]
    send(card, "STEP:MOVE 1000,(@2)")
    send(card, "STEP:MOVE 1000,(@1:3)")
    assert send(card, "STEP:MOV?") == "0,1,0,0,0,0\n"
    assert send(card, "SYST:ERR?") == (
        '-221,"Settings conflict;axis 2 is moving: wait for *OPC? or ABORt it first"\n'
    )


def test_input_is_bounded_while_a_command_waits(station: Station) -> None:
    card = station.ports["card"]
    send(card, "WAIT? 1")
    for _ in range(40):
        card.write(b"STEP:RATE 77,(@1)\n" * 128)  # 2304 bytes
    card.write(b"STEP:RATE 88,(@1)\n")
    run(station, 2.0)
    card.take(100)
    # Whole messages that found room were carried out, the rest is lost and told once.
    assert send(card, "SYST:ERR?") == (
        f'-363,"Input buffer overrun;more than {INPUT_LIMIT} bytes are waiting"\n'
    )
    assert send(card, "SYST:ERR?;:STEP:RATE? (@1)") == '0,"No error";77\n'


def test_a_line_without_end_is_lost_up_to_the_next(station: Station) -> None:
    card = station.ports["card"]
    card.write(b"x" * (INPUT_LIMIT + 5))
    card.write(b"x" * 5)
    assert send(card, "x") == ""
    assert send(card, "*TST?") == "0\n"
    assert send(card, "SYST:ERR?").startswith("-363,")


def test_reset_of_the_card(station: Station) -> None:
    card = station.ports["card"]
    send(card, "STEP:RATE 5;COUN 9,(@1);:HALT:EDGE RISE;:DRIV:ENAB ON")
    send(card, "*RST")
    assert send(card, "STEP:RATE? (@1);COUN? (@1);:HALT:EDGE? (@1);:DRIV:ENAB? (@1)") == (
        "1000;9;OFF;0\n"
    )


def test_halt_on_the_switch_edge(station: Station) -> None:
    card, hands = station.ports["card"], station.ports["hands"]
    send(card, "STEP:RATE 1000;ACC 100000;:HALT:EDGE RISE,(@6);:STEP:RUN POS,(@6)")
    run(station, 0.5)
    send(hands, "PRES (@6)")
    run(station, 0.5)
    assert send(card, "STEP:MOV? (@6);:SWIT:LEV? (@6);:HALT:EDGE? (@6)") == "0;1;OFF\n"
    hit, _count, step, time_s = send(card, "HALT:LATC? (@6)").strip().split(",")
    # The transfer time of the contact comes on top of the moment of the press.
    assert (hit, float(time_s)) == ("1", pytest.approx(0.501, abs=1e-5))
    assert int(step) == pytest.approx(496, abs=1)  # 0.501 s less half the 10 ms ramp


def test_halt_on_the_index(station: Station) -> None:
    card = station.ports["card"]
    send(card, "DRIV:ENAB ON;:STEP:RATE 4000;ACC 100000;:HALT:EDGE INDex,(@1)")
    assert send(card, "HALT:EDGE? (@1)") == "IND\n"
    found = []
    for _ in range(2):
        send(card, "HALT:EDGE IND,(@1);:STEP:RUN POS,(@1)")
        run(station, 2.0)
        assert send(card, "STEP:MOV? (@1);:HALT:EDGE? (@1)") == "0;OFF\n"
        found.append([float(field) for field in send(card, "HALT:LATC? (@1)").split(",")])
    (hit, first, *_), (again, second, *_) = found
    assert (hit, again, second - first) == (1, 1, 4000)


def test_hands(station: Station) -> None:
    hands = station.ports["hands"]
    send(hands, "SUPP:MOT OFF")
    assert send(hands, "SUPP:MOT?;:STAN?") == "0;1\n"
    before = station.rig.truth_deg()[4]
    assert send(hands, "TURN 10,20,(@5);*OPC?") == ""
    run(station, 0.49)
    assert not hands.output
    run(station, 0.02)
    assert hands.take(100) == b"1\n"
    assert send(hands, "FEEL? (@5)") == "FREE\n"
    assert station.rig.truth_deg()[4] - before == pytest.approx(10.0, abs=0.1)
    assert float(send(hands, "LOOK? (@5)")) == pytest.approx(40.0, abs=1.0)
    assert send(hands, "MARK? (@5)") == "9.91E37\n"
    send(hands, "LEV:ZERO")
    assert float(send(hands, "LEV? (@2)")) == pytest.approx(60.0, abs=0.5)


def test_turning_takes_one_joint(station: Station) -> None:
    hands = station.ports["hands"]
    send(hands, "TURN 10")
    send(hands, "TURN 10,(@1:2)")
    send(hands, "TURN 10,(@1);TURN 10,(@2)")
    errors = [send(hands, "SYST:ERR?").split(";")[0] for _ in range(3)]
    assert errors == [
        '-109,"Missing parameter',
        '-222,"Data out of range',
        '-221,"Settings conflict',
    ]


def test_meter_costs_rig_time(station: Station) -> None:
    hands = station.ports["hands"]
    started = station.rig.now
    assert send(hands, 'MEAS:VOLT? "RAIL.5V","RAIL.0V";:CLOC:TIME?') == ""
    run(station, 0.31)
    volts, clock_s = hands.take(100).decode().split(";")
    assert float(volts) == pytest.approx(5.05, rel=0.03)
    assert float(clock_s) == pytest.approx(started / TICKS_PER_S + 0.3, abs=1e-6)


def test_meter_on_an_unknown_terminal(station: Station) -> None:
    hands = station.ports["hands"]
    assert send(hands, 'MEAS:VOLT:DC? "RAIL.6V","RAIL.0V"') == ""
    run(station, 0.31)
    assert send(hands, "SYST:ERR?").startswith('-224,"Illegal parameter value;')


def test_terminals(station: Station) -> None:
    hands = station.ports["hands"]
    names = send(hands, 'TERM? "J5"').strip().split(",")
    assert '"J5.SW.COM"' in names
    assert '"CARD.J5.SW.COM"' in names
    assert '"J4.SW.COM"' not in names


def test_teacher(station: Station) -> None:
    teacher = station.ports["teacher"]
    assert send(teacher, "FAUL:LIST?;:SEED?;:PACE?") == '"";1;1\n'
    send(teacher, "FAUL:INS \"open@J3.DIR\";INS 'swap@J2.DIR/J2.STEP';:PACE 20")
    assert send(teacher, "FAUL:LIST?;:PACE?") == '"open@J3.DIR","swap@J2.DIR/J2.STEP";20\n'
    send(teacher, 'FAUL:REM "open@J3.DIR"')
    assert send(teacher, "FAUL:LIST?") == '"swap@J2.DIR/J2.STEP"\n'
    send(teacher, "FAUL:CLE;INS open@J3.DIR")
    assert send(teacher, "FAUL:LIST?;:SYST:ERR?").startswith('"";-148,"Character data not allowed')
    send(teacher, 'FAUL:INS "open@J3.DIRR"')
    assert send(teacher, "SYST:ERR?").startswith('-224,"Illegal parameter value;fault ')
    angles = [float(text) for text in send(teacher, "TRUT:ANGL?").split(",")]
    assert angles == pytest.approx(REST, abs=1e-6)


def test_trace_digest(station: Station) -> None:
    teacher, card = station.ports["teacher"], station.ports["card"]
    send(teacher, "TRAC:STAR")
    assert send(teacher, "TRAC:HASH?").startswith('"0,')
    send(card, "DRIV:ENAB ON,(@6);:STEP:MOVE 1000,(@6)")
    run(station, 2.0)
    edges, digest = send(teacher, "TRAC:HASH?").strip().strip('"').split(",")
    assert int(edges) > 100
    assert len(digest) == 64


def test_drop_on_the_line_touches_the_card_only(station: Station) -> None:
    send(station.ports["teacher"], 'FAUL:INS "drop@LINE,per=1"')
    assert send(station.ports["card"], "*IDN?") == ""
    assert send(station.ports["hands"], "*TST?") == "0\n"
    send(station.ports["teacher"], "FAUL:CLE")
    assert send(station.ports["card"], "*TST?") == "0\n"
    assert station.ports["card"].received == b"*IDN?\n*TST?\n"


def test_reference_has_every_word_once() -> None:
    tables = {role: words_reference(role).splitlines() for role in ("common", *ROLES)}
    words = {line.split("`")[1].split(" ")[0].rstrip("?") for line in tables.pop("common")[2:]}
    assert {"*IDN", "SYSTem:ERRor[:NEXT]", "WAIT"} <= words
    for role, lines in tables.items():
        declared = [word for word in ROLES[role].commands if word.header not in words]
        assert len(lines) == len(declared) + 2
        for word, line in zip(declared, lines[2:], strict=True):
            assert f"`{word.header}" in line
            assert line.replace("\\|", "").count("|") == 5
    with pytest.raises(DryrigError, match=r"^no port 'cards': .* \(did you mean 'card'\?\)$"):
        words_reference("cards")
