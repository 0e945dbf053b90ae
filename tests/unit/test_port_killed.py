"""A thousand programs killed at random points, each followed by one that must read no stale byte.

The programs are processes of their own, ended by SIGKILL after any number of acts, none included:
before the first byte, in the middle of a command or of a reply, with a wait under way, having read
nothing.
"""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

CLIENTS = int(os.environ.get("DRYRIG_KILLED_CLIENTS", "500"))  # on each kind of port
DEADLINE_S = 120

# A small process, so that a fork costs little. It prints how many programs were killed, and after
# how many of them the next one, which opens the port at once, read anything but its answer.
_DRIVER = r"""
import os, random, select, signal, socket, sys

address, count = sys.argv[1], int(sys.argv[2])
draw = random.Random(int(sys.argv[3]))
DEADLINE_S = 20

def opened():
    if "://" in address:
        host, port = address.split("://")[1].rsplit(":", 1)
        return socket.create_connection((host, int(port))).detach()
    return os.open(address, os.O_RDWR | os.O_NOCTTY)

def victim(acts):
    fd = opened()
    text = b"*IDN?\n" * 40 + b"WAIT? 30\n" * draw.randrange(2)
    text += b"*IDN?\nSTEP:COUN -1,(@1)\nSYST:VE"
    for _ in range(acts):
        os.write(fd, text[: draw.randrange(len(text))])
        if draw.random() < 0.5 and select.select([fd], [], [], 0)[0]:
            os.read(fd, draw.randrange(1, 400))
    os.kill(os.getpid(), signal.SIGKILL)

def ask(number):
    # What the next program reads; None when its line is hung up, as when a plug is pulled.
    fd, got = opened(), b""
    try:
        os.write(fd, b"\nSTEP:COUN %d,(@2);COUN? (@2)\nSTEP:COUN? (@2)\n" % number)
        while got.count(b"\n") < 2 and select.select([fd], [], [], DEADLINE_S)[0]:
            piece = os.read(fd, 4096)
            if not piece:
                return None
            got += piece
    except OSError:
        return None
    finally:
        os.close(fd)
    return got

stale = again = killed = 0
for number in range(count):
    acts, more = draw.randrange(8), draw.random()
    pid = os.fork()
    if pid == 0:
        try:
            draw.seed(more)
            victim(acts)
        finally:
            os._exit(1)
    killed += os.WTERMSIG(os.waitpid(pid, 0)[1]) == signal.SIGKILL
    while (got := ask(number)) is None:
        again += 1
    if got != b"%d\n%d\n" % (number, number):
        stale += 1
        print(number, got[:80], file=sys.stderr)
print("hung up", again, "times", file=sys.stderr)
print(killed, stale)
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
