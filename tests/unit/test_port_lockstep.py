"""In lockstep the order of the bytes is all that counts: not their bundling, not the wall clock."""

from __future__ import annotations

import os
import random
import select
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from dryrig.protocol.intake import BYTE_TICKS, OUTPUT_LIMIT, Lockstep
from dryrig.protocol.listen import parse_address
from dryrig.protocol.run_file import Recorder, Run
from dryrig.protocol.station import Station

# Card and hands in turn: what comes after a reply was read may go to another port.
SESSION = [
    ("teacher", b"TRAC:STAR;*TST?\n"),
    ("card", b"DRIV:ENAB ON;:STEP:RATE 4000;ACC 40000;:HALT:EDGE RISE,(@6)\nSTEP:RUN NEG,(@6)\n"
     b"ENC:COUN? (@6)\nWAIT? 0.2\nENC:COUN?\n*OPC?\nHALT:LATC? (@6);:CLOC:TIME?\n"),
    ("hands", b"PRES (@2)\nWAIT? 0.05\nLOOK?;:CLOC:TIME?\n"),
    ("card", b"SWIT:LEV?;:STEP:MOVE 900,(@6)\n*WAI\nSTEP:COUN? (@6);:CLOC:TIME?\nNONS\n"
     b"SYST:ERR?;*ESR?\n"),
    ("hands", b'MEAS:VOLT? "RAIL.5V","RAIL.0V";:CLOC:TIME?\n'),
    ("teacher", b"TRAC:HASH?\n"),
]  # fmt: skip
DEADLINE_S = 60


def pieces(data: bytes, draw: random.Random) -> list[bytes]:
    """`data` cut at random."""
    cuts = sorted(draw.randrange(len(data) + 1) for _ in range(draw.randrange(len(data))))
    return [data[a:b] for a, b in zip([0, *cuts], [*cuts, len(data)], strict=True) if a < b]


def by_hand(seed: int) -> tuple[str, list[bytes]]:
    draw = random.Random(seed)
    replies = []
    with Station.build("heron", seed=3, start_pose_deg=(0, 60, -90, 0, 30, 0)) as station:
        station.lockstep = True
        recorder = Recorder(station, "heron", (), (0, 60, -90, 0, 30, 0))
        for role, data in SESSION:
            for piece in pieces(data, draw):
                Lockstep().feed(station.ports[role], piece)
            replies.append(station.ports[role].take(1 << 16))
        return recorder.text(), replies


def test_bytes_in_other_bundles_give_the_same_replies_and_edges() -> None:
    texts, replies = zip(*(by_hand(seed) for seed in range(5)), strict=True)
    assert len(set(texts)) == 5  # the bundles differ
    assert all(each == replies[0] for each in replies)
    assert len({text.splitlines()[-1] for text in texts}) == 1
    edges = int(replies[0][-1].split(b",")[0].strip(b'"'))
    assert edges > 1000


def test_a_recorded_lockstep_run_replays() -> None:
    text, _ = by_hand(1)
    assert "\nlockstep\n" in text
    Run.parse(text).replay()
    # Other bundles than those that were written down do as well.
    lines = [line for line in text.splitlines() if " reply " not in line]
    at = next(n for n, line in enumerate(lines) if " card send " in line)
    first, second = lines[at], lines[at + 1]
    assert " card send " in second
    lines[at : at + 2] = [first + second.split(" send ", 1)[1]]
    Run.parse("\n".join(lines)).replay()


def test_a_byte_costs_its_time_and_a_wait_costs_its_own() -> None:
    with Station.build("heron", seed=3) as station:
        card, rig = station.ports["card"], station.rig
        Lockstep().feed(card, b"*IDN?\n")
        assert rig.now == 6 * BYTE_TICKS
        assert card.take(99).endswith(b"\n")
        Lockstep().feed(card, b"WAIT? 2\nCLOC:TIME?\n")
        assert rig.now == 25 * BYTE_TICKS + 24_000_000
        Lockstep(10).feed(card, b"CL")
        assert rig.now == 25 * BYTE_TICKS + 24_000_020


def test_a_host_that_does_not_read_is_not_read() -> None:
    with Station.build("heron", seed=3) as station:
        card, lockstep = station.ports["card"], Lockstep()
        while lockstep.ready(card):
            lockstep.feed(card, b"*IDN?\n" * 50)
        assert len(card.output) >= OUTPUT_LIMIT
        card.take(OUTPUT_LIMIT)
        assert lockstep.ready(card)
        Lockstep().feed(card, b"SYST:ERR?\n")
        assert card.take(1 << 16).endswith(b'0,"No error"\n')


def serve(more: str) -> subprocess.Popen[str]:
    call = (
        "import sys; from dryrig.protocol.served import serve; sys.exit(serve('heron', seed=3, "
        f"start_pose_deg=(0, 60, -90, 0, 30, 0), lockstep=True, {more}))"
    )
    return subprocess.Popen([sys.executable, "-c", call], stdout=subprocess.PIPE, text=True)


def over_the_wire(more: str, seed: int) -> list[bytes]:
    """The session with a served rig: random bundles, and pauses of the wall clock between them."""
    draw = random.Random(seed)
    with serve(more) as process:
        assert process.stdout is not None
        where = dict(process.stdout.readline().strip().split(": ", 1) for _ in range(3))
        ends = {role: opened(address) for role, address in where.items()}
        replies = []
        for role, data in SESSION:
            for piece in pieces(data, draw):
                os.write(ends[role], piece)
                if draw.random() < 0.3:  # a slow host; a served rig has no other clock to move
                    select.select([], [], [], draw.random() * 0.004)
            reply = b""
            while reply.count(b"\n") < sum(b"?" in line for line in data.split(b"\n")):
                assert select.select([ends[role]], [], [], DEADLINE_S)[0], f"{role}: {reply!r}"
                reply += os.read(ends[role], 4096)
            replies.append(reply)
        for end in ends.values():
            os.close(end)
        process.terminate()
    return replies


def opened(address: str) -> int:
    if "://" not in address:
        return os.open(address, os.O_RDWR | os.O_NOCTTY)
    where = parse_address(address)
    return socket.create_connection((where.host, where.port), timeout=None).detach()


@pytest.mark.parametrize("more", ["", "listen='0'"], ids=["pty", "tcp"])
def test_wall_time_and_bundles_do_not_count(more: str) -> None:
    assert over_the_wire(more, 1) == over_the_wire(more, 2) == by_hand(0)[1]


def test_a_log_of_a_served_run_holds_both_ways_and_replays(tmp_path: Path) -> None:
    log = tmp_path / "bench.log"
    over_the_wire(f"listen='0', log={str(log)!r}", 3)
    text = log.read_text(encoding="utf-8")
    assert "\nlockstep\n" in text
    assert " hands send " in text
    assert ' card reply -113,"Undefined header' in text
    Run.parse(text).replay()


def test_a_whole_commissioning_repeats_over_any_wire(tmp_path: Path) -> None:
    ends = []
    for more in ("", "listen='rfc2217://0'"):
        log = tmp_path / "bench.log"
        with serve(f"{more}{', ' if more else ''}log={str(log)!r}") as process:
            assert process.stdout is not None
            where = dict(process.stdout.readline().strip().split(": ", 1) for _ in range(3))
            command = [sys.executable, "-m", "dryrig", "commission"]
            command += ["--port", where["card"], "--hands", where["hands"]]
            done = subprocess.run(command, capture_output=True, text=True, timeout=DEADLINE_S)
            assert done.returncode == 0, done.stderr
            process.terminate()
        ends.append(log.read_text(encoding="utf-8").splitlines()[-1])
    assert ends[0] == ends[1]
    assert int(ends[0].split()[5]) > 1_000_000  # edges
