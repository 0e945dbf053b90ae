"""Speed of the wire, in ratios of one run on one machine: `make speed`.

Pty: a question and its reply over `dryrig serve`, the rig running, against the same bytes between
two processes with nothing but os.read and os.write at both ends. Goal: at most 1.5.
A process that only polls and echoes says how far down that could go in Python: it has the same
number of descriptors to poll as a served rig. Asking and answering have a CPU each where there are
two, for whoever answers: two processes that happen to share one pass bytes on three times as fast.
TCP: the same over a socket, against a bare socket. No goal.
In process: a query over `dryrig://`. Goal: at most 20 us.

Figures are printed, not asserted: wall time is no subject for a test.
"""

from __future__ import annotations

import os
import socket
import statistics
import subprocess
import sys
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import serial

import dryrig  # noqa: F401 - makes dryrig:// known to pyserial

QUESTION, REPLY = b"*TST?\n", b"0\n"
ASKED = 500
ROUNDS = 15
PTY_GOAL = 1.5
IN_PROCESS_GOAL_US = 20.0

_SERVE = (
    "import sys; from dryrig.protocol.served import serve; sys.exit(serve('heron', seed=3, {}))"
)
_ECHO = f"""
import os, sys
fd = int(sys.argv[1])
while os.read(fd, 4096):
    os.write(fd, {REPLY!r})
"""
_POLLED = f"""
import os, select, sys
fd = int(sys.argv[1])
poll = select.poll()
for each in (fd, *(os.pipe()[0] for _ in range(5))):
    poll.register(each, select.POLLIN)
while True:
    for ready, _ in poll.poll():
        os.read(ready, 4096)
        os.write(ready, {REPLY!r})
"""
CPUS = sorted(os.sched_getaffinity(0))[:2] if hasattr(os, "sched_getaffinity") else []


def place(process: int, nth: int) -> None:
    """Keep a process (0: this one) on one of two CPUs, if there are two."""
    if len(CPUS) == 2:
        os.sched_setaffinity(process, {CPUS[nth]})


def round_trip_us(end: int) -> float:
    """Microseconds from a question to its reply."""
    began_s = time.perf_counter()
    for _ in range(ASKED):
        os.write(end, QUESTION)
        reply = b""
        while not reply.endswith(b"\n"):
            reply += os.read(end, 4096)
    return 1e6 * (time.perf_counter() - began_s) / ASKED


@contextmanager
def rig(more: str) -> Iterator[int]:
    """The card's port of a served rig with an axis running."""
    with subprocess.Popen(
        [sys.executable, "-c", _SERVE.format(more)], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        place(process.pid, 1)
        address = process.stdout.readline().strip().split(": ", 1)[1]
        end = opened(address)
        os.write(end, b"DRIV:ENAB ON;:STEP:RATE 200;RUN POS,(@1);*TST?\n")
        os.read(end, 99)
        yield end
        os.close(end)
        process.terminate()


def opened(address: str) -> int:
    """A descriptor of a device or a socket."""
    if "://" not in address:
        return os.open(address, os.O_RDWR | os.O_NOCTTY)
    host, port = address.split("://")[1].rsplit(":", 1)
    connection = socket.create_connection((host, int(port)))
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return connection.detach()


@contextmanager
def bare(make: Callable[[], tuple[int, int]], answer: str = _ECHO) -> Iterator[int]:
    """One end of a pair; at the other a process that reads and writes."""
    near, far = make()
    command = [sys.executable, "-S", "-c", answer, str(far)]
    with subprocess.Popen(command, pass_fds=[far]) as process:
        os.close(far)
        place(process.pid, 1)
        yield near
        process.kill()
        os.close(near)


def pty_pair() -> tuple[int, int]:
    """Slave and master."""
    master, slave = os.openpty()
    tty.setraw(slave)
    return slave, master


def socket_pair() -> tuple[int, int]:
    """Two ends of a TCP connection."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        near = socket.create_connection(listener.getsockname())
        far, _ = listener.accept()
    for each in (near, far):
        each.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return near.detach(), far.detach()


def compare(more: str, make: Callable[[], tuple[int, int]]) -> list[float]:
    """Round trips with a rig, polled and bare (us), then the first two over the bare one.

    Medians over rounds in turn.
    """
    with rig(more) as served, bare(make, _POLLED) as polled, bare(make) as plain:
        place(0, 0)
        ends = (served, polled, plain)
        for end in ends:
            round_trip_us(end)
        rounds = [[round_trip_us(end) for end in ends] for _ in range(ROUNDS)]
    shown = [(*taken, taken[0] / taken[2], taken[1] / taken[2]) for taken in rounds]
    return [statistics.median(column) for column in zip(*shown, strict=True)]


def in_process_us() -> float:
    """Microseconds of a query over the in-process port, the rig standing still."""
    with serial.serial_for_url("dryrig://heron?seed=3", timeout=1) as card:
        taken = []
        for _ in range(ROUNDS):
            began_s = time.perf_counter()
            for _ in range(ASKED):
                card.write(QUESTION)
                card.readline()
            taken.append(1e6 * (time.perf_counter() - began_s) / ASKED)
    return statistics.median(taken)


def main() -> None:
    """Measure and print."""
    for name, more, make, goal in (
        ("pty", "", pty_pair, f"goal: at most {PTY_GOAL:g}"),
        ("TCP", "listen='0'", socket_pair, "no goal"),
    ):
        with_us, polled_us, bare_us, ratio, floor = compare(more, make)
        print(
            f"{name} round trip        {with_us:6.1f} us, "
            f"polled echo {polled_us:.1f} us, bare {bare_us:.1f} us"
        )
        print(f"ratio                 {ratio:6.2f}   {goal}; polled echo {floor:.2f}")
    print(
        f"in-process query      {in_process_us():6.1f} us goal: at most {IN_PROCESS_GOAL_US:g} us"
    )


if __name__ == "__main__":
    main()
