"""The serial line of traced runs, against the uart and modbus decoders of sigrok-cli.

Peer: sigrok-cli (GPL), libsigrokdecode. What it reads off the traced pins must be what the rig's
own record says went over the ports, byte for byte.
"""

from __future__ import annotations

from pathlib import Path

import pytest
import serial
from sigrok import needs_sigrok, sigrok

from dryrig.commission.arm import load_arm
from dryrig.commission.client import Card
from dryrig.commission.homing import home
from dryrig.protocol.intake import Lockstep
from dryrig.protocol.modbus import with_crc
from dryrig.protocol.run_file import Log, Run
from dryrig.protocol.station import Station
from dryrig.protocol.uart import Uart
from dryrig.scenes import scene_path
from dryrig.sim.clock import TICKS_PER_S

pytestmark = needs_sigrok
QUESTIONS = b"*IDN?\nSTEP:COUN? (@1:6)\nSYST:ERR?\n" * 40
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


def read_off(vcd: Path, wire: str, baud: int = 115_200) -> bytes:
    """The bytes that the decoder reads off a wire, `rx` or `tx` of the card."""
    decoder = f"uart:rx=LINE_RX:tx=LINE_TX:baudrate={baud}"
    return sigrok(vcd, decoder, "-B", f"uart={wire}")


def idle(station: Station) -> None:
    """Nothing for a moment: the decoder finds a start bit by its edge, not by its level."""
    station.rig.advance(station.rig.now + TICKS_PER_S // 100)


def saved(station: Station, folder: Path) -> Path:
    """The line's two wires, until some time after the last byte."""
    station.rig.advance(station.rig.now + TICKS_PER_S // 10)
    station.rig.trace.save(folder / "line.vcd", ["LINE.*"])
    return folder / "line.vcd"


def logged(log: Log, path: Path) -> tuple[bytes, bytes]:
    """What a log says was sent to the card, and what it replied."""
    log.finish()
    done = [each for each in Run.read(path).actions if each.role == "card"]
    sent, replied = (b"".join(e.data for e in done if e.what == w) for w in ("send", "reply"))
    return sent, replied


@pytest.mark.parametrize("more", ["", "&baud=115200"], ids=["no line time", "115200 baud"])
def test_a_homing_s_bytes_are_those_of_its_log(more: str, tmp_path: Path) -> None:
    arm = load_arm(scene_path("heron"))
    url = f"dryrig://heron?seed=3&rig=line{more}"
    with serial.serial_for_url(f"{url}&port=hands") as hands:
        log = Log(tmp_path / "run.txt", hands.station, "heron")
        idle(hands.station)
        card = Card.open(url)
        card.enable(True, [joint.channel for joint in arm.joints])
        home(card, [joint for joint in arm.joints if joint.name in ("J4", "J6")])
        vcd = saved(hands.station, tmp_path)
        card.close()
    sent, replied = logged(log, tmp_path / "run.txt")
    assert min(sent.count(b"\n"), replied.count(b"\n")) > 20
    assert read_off(vcd, "rx") == sent
    assert read_off(vcd, "tx") == replied


@pytest.mark.parametrize(
    "fault",
    [
        *("noise@LINE,per=0.05", "drop@LINE,per=0.05", "double@LINE,per=0.05"),
        *("delay@LINE,s=0.02", "cut@LINE,way=2"),
    ],
)
def test_what_a_bad_line_does_stands_on_the_line(fault: str, tmp_path: Path) -> None:
    with Station.build("heron", seed=3) as station:
        card = station.ports["card"]
        card.uart = Uart(9600)
        heard = bytearray()
        receive = card.dialect.receive
        card.dialect.receive = lambda data: heard.extend(data) or receive(data)
        station.injector.insert(fault)
        log = Log(tmp_path / "run.txt", station, "heron")
        idle(station)
        Lockstep().feed(card, QUESTIONS)
        came = bytes(card.output)
        vcd = saved(station, tmp_path)
        sent, replied = logged(log, tmp_path / "run.txt")
    assert read_off(vcd, "rx", 9600) == heard
    assert read_off(vcd, "tx", 9600) == came
    if fault.startswith(("noise", "drop", "double")):
        assert (heard, came) != (sent, replied)
    assert (came == b"") == fault.startswith("cut")


@pytest.mark.parametrize("host", [19_200, 57_600, 115_200])
def test_a_card_at_another_rate_hears_what_the_decoder_does(host: int, tmp_path: Path) -> None:
    with Station.build("heron", seed=3) as station:
        card = station.ports["card"]
        card.uart = Uart(38_400)
        heard = bytearray()
        card.dialect.receive = lambda data: heard.extend(data) or b""
        station.rig.trace.start()
        card.host_at(host)
        idle(station)
        card.write(QUESTIONS)
        station.rig.advance(12 * TICKS_PER_S)
        vcd = saved(station, tmp_path)
    assert read_off(vcd, "rx", host) == QUESTIONS
    assert read_off(vcd, "rx", 38_400) == heard != QUESTIONS


def test_a_modbus_session(tmp_path: Path) -> None:
    replies = []
    url = "dryrig://heron?seed=3&grammar=modbus&baud=19200"
    with serial.serial_for_url(url, baudrate=19_200, timeout=0.1) as port:
        port.station.rig.trace.start()
        idle(port.station)
        for request in REQUESTS:
            port.write(with_crc(bytes.fromhex(request)))
            replies.append(port.read(256))
        vcd = saved(port.station, tmp_path)
    decoders = "uart:rx=LINE_RX:tx=LINE_TX:baudrate=19200,modbus:scchannel=TX:cschannel=RX"
    text = sigrok(vcd, decoders, "-A", "modbus").decode()
    lines = [line.removeprefix("modbus-1: ") for line in text.splitlines()]
    assert lines.count("CRC correct") == 2 * len(REQUESTS)
    assert [line for line in lines if line.startswith("Error ") and "function" not in line] == [
        "Error 6: Slave Device Busy",
        "Error 1: Illegal Function",
        "Error 2: Illegal Data Address",
        "Error 3: Illegal Data Value",
    ]
    begin = lines.index("Byte count: 24")
    steps = [int(line.split(" / ")[1]) for line in lines[begin + 1 : begin + 13]]
    assert steps == [int.from_bytes(replies[4][at : at + 2]) for at in range(3, 27, 2)]
    assert steps[8] == 0xFFFF  # axis 5 has gone backwards
