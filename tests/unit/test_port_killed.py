"""A thousand programs killed at random points, each followed by one that must find a clean port.

The programs are processes of their own, ended by SIGKILL from outside, at any instruction: while
they write a command of any length, read half a reply, wait for `*OPC?` or `WAIT?`, flood the port
without reading, or have replies lying there unread. The next program opens the port at once: its
own first question is answered, with nothing before or after, and no half command has become an
error. Errors of the card stay queued, as with any instrument: a flood that overran the input leaves
-363, one whose replies were thrown away -430.
"""

from __future__ import annotations

import os
import subprocess
import sys
from itertools import pairwise
from typing import Any

import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st

import dryrig  # noqa: F401 - makes dryrig:// known to pyserial

CLIENTS = int(os.environ.get("DRYRIG_KILLED_CLIENTS", "500"))  # on each kind of port
DEADLINE_S = 120

# A small process, so that a fork costs little. It prints how many programs were killed, how many of
# them by what they were at, and what the next one, which opens the port at once, found amiss.
_DRIVER = r"""
import os, random, select, signal, socket, sys

address, count = sys.argv[1], int(sys.argv[2])
draw = random.Random(int(sys.argv[3]))
DEADLINE_S = 20
KINDS = ["long", "half", "wait", "flood", "unread", "mixed"]

def opened():
    if "://" in address:
        host, port = address.split("://")[1].rsplit(":", 1)
        return socket.create_connection((host, int(port))).detach()
    return os.open(address, os.O_RDWR | os.O_NOCTTY)

def long(fd):
    # One command that never ends, in pieces of any size.
    while True:
        os.write(fd, b"STEP:RATE 100,(@1" + b" " * draw.randrange(300))

def half(fd):
    while True:
        os.write(fd, b"*IDN?;SYST:HELP:HEAD?\nSYST:VE")
        os.read(fd, draw.randrange(1, 40))
        os.write(fd, b"RS?\n")

def wait(fd):
    os.write(fd, b"DRIV:ENAB ON,(@4);:STEP:RATE 500,(@4);MOVE %d,(@4)\n" % draw.choice([-99, 99]))
    os.write(fd, draw.choice([b"*OPC?\n", b"WAIT? 30\n", b"*WAI\n"]) + b"*IDN?\n*ID")
    signal.pause()

def flood(fd):
    while True:
        os.write(fd, b"*IDN?\n" * draw.randrange(1, 500))

def unread(fd):
    os.write(fd, b"*IDN?\n" * draw.randrange(60) + b"SYST:VE")
    signal.pause()

def mixed(fd):
    text = b"*IDN?\n" * 40 + b"WAIT? 30\n" * draw.randrange(2)
    text += b"*IDN?\nSTEP:COUN -1,(@1)\nSYST:VE"
    at = 0
    for _ in range(draw.randrange(8)):
        cut = draw.randrange(at, len(text))
        os.write(fd, text[at:cut])
        at = cut
        if select.select([fd], [], [], 0)[0]:
            os.read(fd, draw.randrange(1, 400))
    signal.pause()

def ask(number):
    # What the next program reads; None when its line is hung up, as when a plug is pulled.
    fd, got = opened(), b""
    try:
        os.write(fd, b"STEP:COUN %d,(@2);COUN? (@2)\nSTEP:COUN? (@2)\nSYST:ERR:ALL?\n" % number)
        while got.count(b"\n") < 3 and select.select([fd], [], [], DEADLINE_S)[0]:
            piece = os.read(fd, 4096)
            if not piece:
                return None
            got += piece
    except OSError:
        return None
    finally:
        os.close(fd)
    return got

def fine(kind, number, got):
    own = b"%d\n%d\n" % (number, number)
    errors = got[len(own):].split(b'",')
    # What a whole command of the one before may have left: its axis moves on after its death.
    lost = (b"0,", b"-350,", b"-363,", b"-430,")
    allowed = {"long": (b"0,", b"-363,"), "half": lost, "flood": lost, "wait": (b"0,", b"-221,")}
    return got.startswith(own) and all(
        error.startswith(allowed.get(kind, (b"0,",))) for error in errors
    )

again, killed, wrong = 0, dict.fromkeys(KINDS, 0), 0
for number in range(count):
    kind, more = draw.choice(KINDS), draw.random()
    pid = os.fork()
    if pid == 0:
        try:
            draw.seed(more)
            globals()[kind](opened())
        finally:
            os._exit(1)
    for _ in range(draw.choice([0, 1000, 100000, 300000])):
        if not draw.random():
            break
    os.kill(pid, signal.SIGKILL)
    killed[kind] += os.WTERMSIG(os.waitpid(pid, 0)[1]) == signal.SIGKILL
    while (got := ask(number)) is None:
        again += 1
    if not fine(kind, number, got):
        wrong += 1
        print(kind, number, got[:200], file=sys.stderr)
print("hung up", again, "times,", killed, file=sys.stderr)
print(sum(killed.values()), wrong)
"""


@pytest.mark.parametrize("more", ["", "listen='0'"], ids=["pty", "tcp"])
def test_a_thousand_killed_programs_leave_nothing_behind(more: str) -> None:
    call = (
        "import sys; from dryrig.protocol.served import serve; "
        f"sys.exit(serve('heron', seed=3, {more}))"
    )
    with subprocess.Popen([sys.executable, "-c", call], stdout=subprocess.PIPE, text=True) as rig:
        assert rig.stdout is not None
        address = rig.stdout.readline().strip().split(": ", 1)[1]
        driven = subprocess.run(
            [sys.executable, "-S", "-c", _DRIVER, address, str(CLIENTS), "7"],
            capture_output=True,
            text=True,
            timeout=DEADLINE_S,
        )
        rig.terminate()
        assert rig.wait(DEADLINE_S) == 0
    assert driven.stdout == f"{CLIENTS} 0\n", driven.stderr


_SESSION = (
    b"*IDN?\nSTEP:COUN 5,(@3);COUN? (@3)\nDRIV:ENAB ON,(@4);:STEP:RATE 500,(@4);MOVE 99,(@4)\n"
    b"*OPC?\nWAIT? 30\n*IDN?;SYST:HELP:HEAD?\nSYST:VERS?\n"
)


@given(
    cuts=st.lists(st.integers(0, len(_SESSION)), min_size=1, max_size=4).map(sorted),
    reads=st.lists(st.integers(0, 900), min_size=4, max_size=4),
)
def test_a_port_in_process_closed_at_any_byte_leaves_nothing_behind(
    cuts: list[int], reads: list[int]
) -> None:
    def port(more: str = "") -> Any:
        return serial.serial_for_url(f"dryrig://heron?seed=3&rig=killed{more}", timeout=0.01)

    with port("&port=hands"):
        with port() as card:
            for (begin, end), size in zip(pairwise([0, *cuts]), reads, strict=False):
                card.write(_SESSION[begin:end])
                card.read(size)
        with port() as card:
            card.write(b"STEP:COUN? (@2);:SYST:ERR:ALL?\n")
            assert card.read(99) == b'0;0,"No error"\n'
