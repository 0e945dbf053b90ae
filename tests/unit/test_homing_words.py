"""What a routine that homes asks of the card beside moves: halts, following error, one start."""

from __future__ import annotations

import pytest
from at_rest import REST, run, send

from dryrig.protocol.station import Station
from dryrig.sim import profile as profiles
from dryrig.sim.clock import ticks


def test_an_edge_of_one_axis_halts_its_group(station: Station) -> None:
    card, hands = station.ports["card"], station.ports["hands"]
    send(card, "DRIV:ENAB ON,(@4,6);:STEP:RATE 1000;ACC 100000;:HALT:GRO ON,(@4,6)")
    assert send(card, "HALT:GRO?") == "0,0,0,1,0,1\n"
    send(card, "HALT:EDGE RISE,(@6);:STEP:RUN POS,(@4:6)")
    run(station, 0.2)
    send(hands, "PRES (@6)")
    run(station, 0.1)
    # J5 is not of the group. The others stop from 1000 steps/s within five steps.
    assert send(card, "STEP:MOV? (@4:6);:HALT:LATC? (@4)") == "0,1,0;0,0,0,0.0000000\n"
    assert send(card, "STEP:COUN? (@4,6)") == "201,201\n"
    send(card, "*RST;:HALT:GRO? (@4)")
    run(station, 1.0)


def test_a_jog_changes_its_rate_on_the_run(station: Station) -> None:
    card = station.ports["card"]
    send(card, "STEP:ACC 1000,(@6);JOG -500,(@6)")
    run(station, 1.0)  # 0.5 s up to 500 steps/s: 125, then 250
    assert send(card, "STEP:COUN? (@6)") == "-375\n"
    send(card, "STEP:JOG -100,(@6)")
    run(station, 1.0)  # 0.4 s down: 120, then 0.6 s at 100: 60
    assert send(card, "STEP:COUN? (@6);MOV? (@6)") == "-555;1\n"
    send(card, "STEP:JOG 100,(@6);MOVE 5,(@6)")
    assert [send(card, "SYST:ERR?").split(";")[1].strip() for _ in range(2)] == [
        'axis 6 runs the other way: jog at 0 and wait for *OPC? first"',
        'axis 6 is moving: wait for *OPC? or ABORt it first"',
    ]
    send(card, "STEP:JOG 0,(@6)")
    run(station, 0.2)
    assert send(card, "STEP:COUN? (@6);MOV? (@6)") == "-560;0\n"
    send(card, "STEP:JOG 0.5,(@6);MOVE 500,(@6);JOG 10,(@6)")
    assert send(card, "SYST:ERR?").startswith('-222,"Data out of range;STEP:JOG 0.5: 0, or 1 ')
    assert "axis 6 is moving and will stop" in send(card, "SYST:ERR?")


def test_a_changed_rate_is_the_closed_form() -> None:
    """Uniform acceleration, as in any mechanics text."""
    first = profiles.run(0, 400.0, 2000.0)
    later = profiles.change(first, ticks(1.0), 1000.0, 3000.0)
    # 0.2 s up: 40 steps, 0.8 s at 400: 320; then 0.2 s from 400 to 1000: 140, then 1000 a second.
    assert later.at(ticks(1.0)) == pytest.approx((360.0, 400.0, 3000.0))
    assert later.at(ticks(1.1)) == pytest.approx((360 + 40 + 15, 700.0, 3000.0))
    assert later.at(ticks(1.5)) == pytest.approx((360 + 140 + 300, 1000.0, 0.0))
    same = profiles.change(first, ticks(1.0), 400.0, 3000.0)
    assert same.at(ticks(2.0)) == pytest.approx((760.0, 400.0, 0.0))
    assert same.corners == []


def test_loaded_moves_start_at_one_instant(station: Station) -> None:
    card = station.ports["card"]
    send(card, "STEP:RATE 1000;ACC 100000;LOAD 300,(@4);LOAD -200,(@6);LOAD 7,(@5);LOAD 0,(@5)")
    assert send(card, "STEP:LOAD?;MOV?") == "0,0,0,300,0,-200;0,0,0,0,0,0\n"
    send(card, "STEP:MOVE 10,(@6);*TRG")
    assert "axis 6 is moving" in send(card, "SYST:ERR?")
    run(station, 0.1)
    assert send(card, "*TRG;:STEP:MOV?;LOAD? (@4)") == "0,0,0,1,0,1;0\n"
    run(station, 0.15)
    assert send(card, "STEP:COUN? (@4,6)") == "145,-135\n"
    run(station, 0.5)
    send(card, "*TRG;:STEP:STAR")
    assert send(card, "SYST:ERR?") == (
        '-211,"Trigger ignored;no move is loaded: STEP:LOAD first"\n'
    )
    assert send(card, "SYST:ERR:COUN?;:STEP:LOAD 5,(@1);:ABOR;:STEP:LOAD? (@1)") == "1;0\n"


def test_following_error_of_a_sound_axis(station: Station) -> None:
    card = station.ports["card"]
    # J4: 16 microsteps, 4000 counts a turn of the motor: 1.25 counts a step.
    send(card, "DRIV:ENAB ON;:FOLL:SCAL 1.25,(@4);LIM 30,(@4);HALT ON,(@4)")
    send(card, "STEP:RATE 3000,(@4);MOVE 3000,(@4);*WAI;MOVE -3000,(@4)")
    run(station, 4.0)
    assert abs(float(send(card, "FOLL:ERR? (@4)"))) <= 5
    # Loading a counter is not an error.
    send(card, "STEP:COUN 77,(@4);:ENC:COUN -5000,(@4)")
    assert send(card, "FOLL:FLAG? (@4);:STAT:QUES?") == "0;0\n"
    assert abs(float(send(card, "FOLL:ERR? (@4)"))) <= 5


def test_following_error_of_a_drive_without_power(station: Station) -> None:
    card = station.ports["card"]
    send(card, "*CLS;:FOLL:SCAL 1.25,(@6);HALT ON,(@6);:STEP:RATE 1000;ACC 1e5;RUN POS,(@6)")
    run(station, 0.5)
    # 80 steps make 100 counts: beyond at the next look, every 25 ms, after 85 ms at the earliest.
    assert send(card, "STEP:MOV? (@6);:FOLL:FLAG? (@6);:STAT:QUES?") == "0;1;512\n"
    assert 85 <= int(send(card, "STEP:COUN? (@6)")) <= 110
    assert float(send(card, "FOLL:ERR? (@6)")) < -100
    assert send(card, "STAT:QUES:COND?;:FOLL:ZERO (@6);ERR? (@6);FLAG? (@6)") == "512;0;0\n"
    assert send(card, "*RST;:FOLL:SCAL? (@6);LIM? (@6);HALT? (@6)") == "0;100;0\n"


def test_following_error_shows_a_hand_when_asked(station: Station) -> None:
    card, hands = station.ports["card"], station.ports["hands"]
    send(card, "FOLL:SCAL 1.25,(@5)")
    send(hands, "SUPP:MOT OFF;:TURN 10,20,(@5)")
    run(station, 1.0)
    # 10 degrees of 18 : 1 with 4000 counts a turn, downward steps positive on J5.
    assert float(send(card, "FOLL:ERR? (@5)")) == pytest.approx(-2000, abs=20)
    assert send(card, "FOLL:FLAG? (@5)") == "1\n"


def test_following_error_does_not_change_a_run(station: Station) -> None:
    def angles(watched: str) -> str:
        with Station.build("heron", seed=1, start_pose_deg=REST) as station:
            card = station.ports["card"]
            send(card, f"DRIV:ENAB ON;{watched};:STEP:RATE 2000;MOVE 700,(@4:6)")
            run(station, 1.0)
            return send(station.ports["teacher"], "TRUT:ANGL?")

    assert angles("*CLS") == angles(":FOLL:SCAL 1.25")


def test_stop_takes_the_power_away_whatever_the_card_does(station: Station) -> None:
    card, hands = station.ports["card"], station.ports["hands"]
    send(card, "DRIV:ENAB ON;:HALT:STOP OFF;:STEP:RATE 1000;ACC 100000;RUN POS,(@6)")
    run(station, 0.5)
    before = station.rig.truth_deg()[5]
    send(hands, "STOP ON")
    assert not any(drive.energised for drive in station.rig.drives)
    run(station, 0.5)
    # The card goes on giving pulses, and nothing follows them but the rotor's last swing.
    assert int(send(card, "STEP:COUN? (@6)")) > 900
    assert station.rig.truth_deg()[5] == pytest.approx(before, abs=0.5)
    send(hands, "SUPP:MOT ON")
    assert send(hands, "SYST:ERR?") == (
        '-221,"Settings conflict;the STOP button is in: pull it out first, when all is clear"\n'
    )
    # Out again, and still no power: that is a person's next act.
    assert send(hands, "STOP OFF;:STOP?;:SUPP:MOT?") == "0;0\n"
    send(card, "ABOR")
    send(hands, "SUPP:MOT ON")
    assert station.rig.drives[5].energised


def test_stop_ends_the_pulses_too(station: Station) -> None:
    card, hands = station.ports["card"], station.ports["hands"]
    send(card, "STEP:RATE 1000;ACC 100000;RUN POS")
    run(station, 0.1)
    send(hands, "STOP ON")
    run(station, 0.02)
    assert send(card, "STEP:MOV?") == "0,0,0,0,0,0\n"


def test_the_stop_input_is_wired(station: Station) -> None:
    hands, card = station.ports["hands"], station.ports["card"]

    def volts() -> float:
        send(hands, 'MEAS:VOLT? "CARD.STOP.21","RAIL.0V"')
        run(station, 0.31)
        return float(hands.take(100))

    assert '"CARD.STOP.21"' in send(hands, "TERM?")
    assert volts() == pytest.approx(0.0, abs=0.002)
    send(hands, "STOP ON")
    assert volts() == pytest.approx(3.3, abs=0.03)
    assert send(card, "STOP:LEV?") == "1\n"
    # The card's logic lives on the host's cable.
    send(hands, "STOP OFF;:SUPP:MAIN OFF")
    assert send(card, "STOP:LEV?;:STAT:QUES:COND?") == "0;1\n"


def test_one_line_to_poll(station: Station) -> None:
    card, hands = station.ports["card"], station.ports["hands"]
    assert send(card, "*CLS;:HALT:STOP OFF;:SUMM?") == "0,0,0,0,0,0\n"
    send(card, "HALT:EDGE RISE,(@2:3);:STEP:MOVE 200,(@1);*NO")
    send(hands, "PRES (@2);:STOP ON")
    run(station, 0.002)
    assert send(card, "SUMM?") == "1,2,4,2,1025,1\n"


def test_lines_for_events(station: Station) -> None:
    card, hands = station.ports["card"], station.ports["hands"]
    send(card, "STEP:RATE 1000;ACC 100000;:STEP:MOVE 10,(@6)")
    run(station, 0.1)
    assert card.take(100) == b""
    send(card, "EVEN:LIN ON;:HALT:EDGE RISE,(@5);:STEP:RUN POS,(@5:6)")
    send(hands, "PRES (@5)")
    run(station, 0.1)
    # Halted at 100 steps/s, it comes to rest on its first whole step: 0.95 steps in 19 ms.
    assert card.take(1000).decode().splitlines() == [
        "EVEN RISE,5,0.1010000",
        "EVEN HALT,5,0.1010000",
        "EVEN REST,5,0.1200000",
    ]
    send(hands, "STOP ON")
    run(station, 0.1)
    lines = card.take(1000).decode().splitlines()
    assert [line.split(",")[:2] for line in lines] == [
        ["EVEN STOP", "0"],
        ["EVEN LOW", "0"],
        ["EVEN REST", "6"],
    ]
    send(card, "*RST")
    send(hands, "STOP OFF")
    run(station, 0.1)
    assert card.take(100) == b""


def test_lines_end_with_the_host_that_asked_for_them(station: Station) -> None:
    card = station.ports["card"]
    assert send(card, "EVEN:LIN ON;LIN?") == "1\n"
    card.connect()
    assert send(card, "EVEN:LIN?") == "0\n"


def test_a_line_never_cuts_a_reply(station: Station) -> None:
    card = station.ports["card"]
    send(card, "EVEN:LIN ON;:STEP:RATE 1000;ACC 100000;MOVE 10,(@6);*TST?;*OPC?")
    run(station, 0.1)
    lines = card.take(100).decode().splitlines()
    assert sorted(line.split(",")[0] for line in lines) == ["0;1", "EVEN REST"]


def test_a_run_never_hangs_a_wait(station: Station) -> None:
    card, hands = station.ports["card"], station.ports["hands"]
    send(card, "STEP:RATE 100;RUN POS,(@6);*OPC?")
    run(station, 1.0)
    # A person ends it; the query that waited is answered.
    send(hands, "STOP ON")
    run(station, 1.0)
    assert card.take(10) == b"1\n"
