"""One behaviour, in process, over a pty, TCP and RFC 2217: what a host may rely on.

The hosts are pyserial's own: `Serial`, `socket://` and `rfc2217://`.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from typing import Any

import pytest
import serial

ROLES = ("card", "hands", "teacher")
SERVE = "import sys; from dryrig.protocol.served import serve; sys.exit(serve('heron', {}))"
TIMEOUT_S = 60

# pyserial's RFC 2217 client names its thread the old way.
pytestmark = pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")


def in_process(stack: ExitStack) -> dict[str, Any]:
    return {
        role: stack.enter_context(
            serial.serial_for_url(
                f"dryrig://heron?seed=3&start=0,60,-90,0,30,0&rig=contract&port={role}",
                timeout=TIMEOUT_S,
            )
        )
        for role in ROLES
    }


def served(stack: ExitStack, more: str = "") -> dict[str, Any]:
    call = SERVE.format(f"seed=3, pace=20, start_pose_deg=(0, 60, -90, 0, 30, 0){more}")
    process = stack.enter_context(
        subprocess.Popen([sys.executable, "-c", call], stdout=subprocess.PIPE, text=True)
    )
    stack.callback(process.terminate)
    assert process.stdout is not None
    lines = [process.stdout.readline() for _ in ROLES]
    addresses = dict(line.rstrip("\n").split(": ", 1) for line in lines)
    return {
        role: stack.enter_context(serial.serial_for_url(addresses[role], timeout=TIMEOUT_S))
        for role in ROLES
    }


def over_tcp(stack: ExitStack) -> dict[str, Any]:
    return served(stack, ", listen='127.0.0.1:0'")


def over_rfc2217(stack: ExitStack) -> dict[str, Any]:
    return served(stack, ", listen='rfc2217://127.0.0.1:0'")


@pytest.fixture(
    params=[in_process, served, over_tcp, over_rfc2217],
    ids=["in process", "pty", "tcp", "rfc2217"],
    scope="module",
)
def rig(request: pytest.FixtureRequest) -> Iterator[dict[str, Any]]:
    with ExitStack() as stack:
        yield request.param(stack)


@pytest.fixture(autouse=True)
def clean(rig: dict[str, Any]) -> None:
    for port in rig.values():
        port.timeout = TIMEOUT_S
        ask(port, "*RST;*CLS;*TST?")
    ask(rig["card"], "*OPC?")


def ask(port: Any, text: str) -> str:
    port.write(text.encode() + b"\n")
    return bytes(port.readline()).decode().rstrip("\n")


@pytest.mark.parametrize("role", ROLES)
def test_every_port_identifies_itself(rig: dict[str, Any], role: str) -> None:
    assert ask(rig[role], "*IDN?").startswith(f"Dryrig,heron {role},0,")
    assert ask(rig[role], "SYST:VERS?;ERR?") == '1999.0;0,"No error"'


def test_replies_come_in_the_order_of_the_questions(rig: dict[str, Any]) -> None:
    card = rig["card"]
    card.write(b"".join(b"STEP:COUN %d,(@1);COUN? (@1)\n" % n for n in range(200)))
    assert [card.readline() for _ in range(200)] == [b"%d\n" % n for n in range(200)]


def test_operation_complete_waits_for_the_motion(rig: dict[str, Any]) -> None:
    card = rig["card"]
    before_s = float(ask(card, "CLOC:TIME?"))
    assert ask(card, "STEP:RATE 1000;ACC 100000;MOVE 500,(@6);*OPC?") == "1"
    assert ask(card, "STEP:MOV? (@6);COUN? (@6)") == "0;500"
    assert float(ask(card, "CLOC:TIME?")) - before_s >= 0.51
    ask(card, "STEP:COUN 0;COUN?")


def test_what_follows_a_wait_is_kept(rig: dict[str, Any]) -> None:
    card = rig["card"]
    card.write(b"STEP:MOVE 300,(@6)\n*WAI\nSTEP:MOV? (@6)\nWAIT? 0.2\n*TST?\n")
    assert card.readline() == b"0\n"
    float(card.readline())
    assert card.readline() == b"0\n"


def test_a_wait_is_as_long_as_asked(rig: dict[str, Any]) -> None:
    hands = rig["hands"]
    first_s, second_s = ask(hands, "CLOC:TIME?;:WAIT? 0.25").split(";")
    assert float(second_s) - float(first_s) == pytest.approx(0.25, abs=1e-6)


def test_lines_for_events_come_unasked(rig: dict[str, Any]) -> None:
    card = rig["card"]
    assert ask(card, "EVEN:LIN ON;:STEP:RATE 1000;ACC 100000;MOVE 50,(@6);*TST?") == "0"
    assert card.readline().startswith(b"EVEN REST,6,")
    assert ask(card, "*RST;:EVEN:LIN?") == "0"


def test_a_read_without_a_reply_times_out(rig: dict[str, Any]) -> None:
    card = rig["card"]
    card.timeout = 0.02
    assert ask(card, "*CLS") == ""
    assert card.read(100) == b""
    card.timeout = 0
    assert card.read(100) == b""


def test_errors_queue_up_and_overflow(rig: dict[str, Any]) -> None:
    card = rig["card"]
    card.write(b"NONSENSE\n" * 20)
    numbers = [ask(card, "SYST:ERR?").split(",")[0] for _ in range(17)]
    assert numbers == ["-113"] * 15 + ["-350", "0"]


def test_input_overrun(rig: dict[str, Any]) -> None:
    card = rig["card"]
    card.write(b"WAIT? 20\n")
    for _ in range(70):
        card.write(b"STEP:RATE 77,(@1)".ljust(1023) + b"\n")
    float(card.readline())
    assert ask(card, "SYST:ERR?").startswith("-363,")
    assert ask(card, "STEP:RATE? (@1);:SYST:ERR?") == '77;0,"No error"'


def test_three_people_at_one_arm(rig: dict[str, Any]) -> None:
    card, hands, teacher = (rig[role] for role in ROLES)
    assert ask(hands, "PRES (@2);:WAIT? 0.01") != ""
    assert ask(card, "SWIT:LEV? (@1:2)") == "0,1"
    ask(teacher, 'FAUL:INS "open@J2.SW.NO";LIST?')
    assert ask(teacher, "FAUL:LIST?;CLE;LIST?") == '"open@J2.SW.NO";""'
    assert ask(hands, "REL (@2);:WAIT? 0.01") != ""
    assert ask(card, "SWIT:LEV? (@1:2)") == "0,0"
    assert float(ask(hands, 'MEAS:VOLT? "RAIL.24V","RAIL.0V"')) == pytest.approx(24, abs=1.5)


def test_the_next_host_finds_a_clean_port(rig: dict[str, Any]) -> None:
    card, hands = rig["card"], rig["hands"]
    ask(card, "STEP:COUN 41,(@3);COUN? (@3)")
    card.write(b"*IDN?\n*IDN?\nWAIT? 500\n*IDN?\nSTEP:CO")
    card.close()
    # A rig that answers another port meanwhile has had a turn in which to notice.
    for _ in range(3):
        assert ask(hands, "*TST?") == "0"
    card.open()
    assert ask(card, "STEP:COUN? (@3)") == "41"
    assert card.in_waiting == 0
