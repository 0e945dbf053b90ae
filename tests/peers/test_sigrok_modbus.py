"""A Modbus session as it would stand on a UART, read by sigrok's uart and modbus decoders.

Peer: sigrok-cli (GPL) with the `uart` and `modbus` decoders of libsigrokdecode, which know nothing
of us, and name exceptions by themselves. The bytes and the silence before each reply are the
rig's; the two lines (8 data bits, even parity, 19200 baud) are drawn here.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from io import StringIO
from pathlib import Path

import pytest
import serial
from vcd import VCDWriter

from dryrig.protocol.modbus import with_crc
from dryrig.sim.clock import TICKS_PER_S

BAUD = 19_200
BIT_TICKS = TICKS_PER_S // BAUD
CHARACTER_TICKS = 11 * BIT_TICKS
# Settings, a move of axis 5, another one meanwhile, values of all axes; then what there is not.
REQUESTS = (
    "01 10 006E 0002 04 0000 07D0",
    "01 10 0136 0002 04 FFFF FF38",
    "01 05 00CD FF00",
    "01 05 00CD FF00",
    "01 03 0192 000C",
    "01 02 00C9 0006",
    "01 07",
    "01 04 0009 0001",
    "01 06 0259 0004",
)


def session() -> list[tuple[bytes, int, bytes]]:
    """Each request, the ticks of silence after it, and its reply."""
    frames = []
    with serial.serial_for_url("dryrig://heron?seed=3&grammar=modbus", timeout=0.1) as port:
        rig, card = port.station.rig, port.station.ports["card"]
        for request in REQUESTS:
            data = with_crc(bytes.fromhex(request))
            port.write(data)
            sent = rig.now
            assert rig.run_until(lambda: len(card.output) > 0, sent + TICKS_PER_S)
            frames.append((data, rig.now - sent, port.read(256)))
    return frames


def drawn(frames: list[tuple[bytes, int, bytes]]) -> str:
    """Requests on TX, replies on RX, as VCD."""
    edges: list[tuple[int, str, int]] = []
    now = 0

    def put(wire: str, data: bytes) -> None:
        nonlocal now
        for byte in data:
            bits = (0, *(byte >> place & 1 for place in range(8)), byte.bit_count() & 1, 1)
            edges.extend((now + place * BIT_TICKS, wire, bit) for place, bit in enumerate(bits))
            now += CHARACTER_TICKS

    for request, silence, reply in frames:
        now += 4 * CHARACTER_TICKS
        put("TX", request)
        now += silence
        put("RX", reply)
    edges.append((now + 10 * CHARACTER_TICKS, "TX", 0))  # decoders do not see a last frame's end
    text = StringIO()
    with VCDWriter(text, timescale="100 ns", date="") as writer:
        wires = {
            name: writer.register_var("", name, "wire", size=1, init=1) for name in ("RX", "TX")
        }
        for tick, wire, level in edges:
            writer.change(wires[wire], round(tick * 1e7 / TICKS_PER_S), level)
    return text.getvalue()


@pytest.mark.skipif(
    shutil.which("sigrok-cli") is None,
    reason="sigrok-cli is not installed (Debian: apt-get install sigrok-cli)",
)
def test_the_decoder_reads_the_session(tmp_path: Path) -> None:
    frames = session()
    (tmp_path / "line.vcd").write_text(drawn(frames), encoding="ascii")
    run = subprocess.run(
        [
            *("sigrok-cli", "-i", "line.vcd", "-I", "vcd:downsample=10"),
            *("-P", f"uart:rx=RX:tx=TX:baudrate={BAUD}:parity=even,modbus", "-A", "modbus"),
        ],
        capture_output=True,
        text=True,
        timeout=300,
        cwd=tmp_path,
        env={**os.environ, "HOME": str(tmp_path)},
        check=False,
    )
    lines = [line.removeprefix("modbus-1: ") for line in run.stdout.splitlines()]
    assert lines.count("CRC correct") == 2 * len(REQUESTS)
    assert [line for line in lines if line.startswith("Error ") and "function" not in line] == [
        "Error 6: Slave Device Busy",
        "Error 1: Illegal Function",
        "Error 2: Illegal Data Address",
        "Error 3: Illegal Data Value",
    ]
    begin = lines.index("Byte count: 24")
    steps = [int(line.split(" / ")[1]) for line in lines[begin + 1 : begin + 13]]
    reply = frames[4][2]
    assert steps == [int.from_bytes(reply[at : at + 2]) for at in range(3, 27, 2)]
    assert steps[8] == 0xFFFF  # axis 5 has gone backwards
