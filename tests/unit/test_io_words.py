"""The second card's port and what a person does at the gripper."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import serial
from serial import SerialException

import dryrig
from dryrig.errors import DryrigError, SceneError
from dryrig.protocol.served import ServeError, serve
from dryrig.scenes import load_scene, scene_path

NUMBER = 0


class Ports:
    """All four ports of one arm."""

    def __init__(self, fault: str = "") -> None:
        global NUMBER
        NUMBER += 1
        start = f"dryrig://heron?rig=io{NUMBER}"
        first = f"{start}&seed=3" + (f"&fault={fault}" if fault else "")
        self.io = serial.serial_for_url(f"{first}&port=io", timeout=5)
        self.card, self.hands, self.teacher = (
            serial.serial_for_url(f"{start}&port={role}", timeout=5)
            for role in ("card", "hands", "teacher")
        )

    def close(self) -> None:
        for port in (self.io, self.card, self.hands, self.teacher):
            port.close()

    @staticmethod
    def ask(port: serial.SerialBase, line: str) -> str:
        port.write(line.encode() + b"\n")
        return port.readline().decode().strip() if "?" in line else ""

    def reached(self, number: int, level: int) -> bool:
        """Whether an input comes to a level within 2 s."""
        line = f"WAIT? 0.1;:INP:LEV? (@{number})"
        return any(self.ask(self.io, line).endswith(f";{level}") for _ in range(20))


@pytest.fixture
def ports() -> Iterator[Ports]:
    ports = Ports()
    yield ports
    ports.close()


def test_it_says_who_it_is(ports: Ports) -> None:
    assert ports.ask(ports.io, "*IDN?").startswith("Dryrig,heron io,")
    assert ports.ask(ports.card, "*IDN?").startswith("Dryrig,heron card,")
    assert ports.ask(ports.io, "*OPC?;*TST?;*STB?;:SYST:VERS?") == "1;0;16;1999.0"


@pytest.mark.parametrize(
    ("line", "error"),
    [
        ("INP:LEV? (@3)", '-222,"Data out of range;(@3): channels 1 to 2"'),
        ("OUTP:LEV ON,(@2)", '-222,"Data out of range;(@2): channels 1 to 1"'),
        ("SERV:WIDT 3 MS", '-222,"Data out of range;SERVo:WIDTh 3 MS: 0.0005 to 0.0025 s"'),
        ("STEP:MOVE 1", '-113,"Undefined header;STEP:MOVE"'),
        ("INP:LEV 1", '-113,"Undefined header;INPut:LEVel has only a query form, INPut:LEVel?"'),
    ],
)
def test_what_is_wrong_is_said(ports: Ports, line: str, error: str) -> None:
    ports.io.write(line.encode() + b"\n")
    said = ports.ask(ports.io, "SYST:ERR?")
    assert said.startswith(error.rstrip('"')), said


@pytest.mark.parametrize(
    ("sent", "width_s"),
    [("1.5e-3", 1.5e-3), ("2 MS", 2e-3), ("1250 US", 1.25e-3), ("MIN", 5e-4), ("MAX", 2.5e-3),
     ("DEF", 1.5e-3)],
)  # fmt: skip
def test_widths_carry_units_and_limits(ports: Ports, sent: str, width_s: float) -> None:
    assert float(ports.ask(ports.io, f"SERVo:WIDTh {sent};WIDTh?")) == pytest.approx(width_s)


def test_reset_puts_everything_off(ports: Ports) -> None:
    ask, io = ports.ask, ports.io
    assert ask(io, "OUTP:LEV ON;:SERV:WIDT 1 MS;ENAB ON;:OUTP:LEV?;:SERV:ENAB?") == "1;1"
    assert ask(io, "*RST;OUTP:LEV?;:SERV:ENAB?;WIDT?") == "0;0;0.0015"


def test_a_routine_grips_a_part_and_knows_it(ports: Ports) -> None:
    ask, io, hands = ports.ask, ports.io, ports.hands
    ask(io, "SERV:WIDT 2 MS;ENAB ON;:OUTP:LEV ON")
    assert ports.reached(2, 1)
    assert ask(hands, "GRIP:GAP?;LAMP?;FEEL?;OBJ?").split(";")[1:] == ["1", "STIFF", "0"]
    ask(hands, "GRIP:OBJ 20")
    ask(io, "SERV:WIDT 1.4 MS")
    assert ports.reached(1, 1)
    ask(io, "WAIT? 0.5")
    assert float(ask(io, "ANAL:VOLT?")) == pytest.approx(5.05 * 18.5 / 40, abs=0.05)
    assert ask(ports.teacher, "TRUT:GRIP?") == "18.500000,30.000000"
    # And closes on nothing without a part.
    ask(hands, "GRIP:OBJ 0")
    assert ports.reached(1, 0)
    ask(io, "SERV:ENAB OFF;:WAIT? 0.5")
    assert ask(hands, "GRIP:FEEL?;GAP?") == "FREE;16"


def test_an_object_that_does_not_fit_is_refused(ports: Ports) -> None:
    ports.ask(ports.hands, "GRIP:OBJ 60")
    assert ports.ask(ports.hands, "SYST:ERR?").startswith(
        '-221,"Settings conflict;an object of 60 mm does not fit: the fingers are '
    )


def test_a_plug_pulled_by_hand_lets_the_gripper_go(ports: Ports) -> None:
    ask = ports.ask
    ask(ports.io, "SERV:WIDT 2 MS;ENAB ON;:WAIT? 1;WAIT? 1")
    ask(ports.hands, 'PLUG OUT,"IO"')
    assert ask(ports.hands, "PLUG?") == '"IO"'
    ask(ports.io, "WAIT? 1")
    assert ask(ports.hands, 'GRIP:FEEL?;:MEAS:VOLT? "IO.5V","IO.0V"') == "FREE;0"
    loose_v = float(ask(ports.hands, 'MEAS:VOLT? "PLUG.IO.5V","PLUG.IO.0V"'))
    assert loose_v == pytest.approx(5.05, abs=0.1)


def without_io(folder: Path) -> Path:
    """A scene of an arm that has no second card."""
    text = scene_path("heron").read_text()
    begin, end = text.index("# A second card"), text.index("[gauges]")
    (folder / "plain.toml").write_text(text[:begin] + text[end:])
    (folder / "heron.urdf").write_text(scene_path("heron").with_name("heron.urdf").read_text())
    return folder / "plain.toml"


def test_an_arm_without_a_second_card_has_no_such_port(tmp_path: Path) -> None:
    plain = without_io(tmp_path)
    with pytest.raises(SerialException, match=r"heron has no io port: .*add a table \[io\]"):
        serial.serial_for_url(f"dryrig://{plain}?rig=plain&port=io")
    with pytest.raises(ServeError, match=r"has no io port: it has no second card"):
        serve(plain, io_link=tmp_path / "io", echo=lambda line: None)
    with serial.serial_for_url(f"dryrig://{plain}?port=hands", timeout=5) as hands:
        hands.write(b"GRIP:GAP?\nSYST:ERR?\n")
        assert hands.readline().startswith(b'-241,"Hardware missing;heron has no gripper')
    with dryrig.open_rig(plain) as rig:
        with pytest.raises(DryrigError, match=r"^heron has no io port: .*add a table \[io\]"):
            rig.io  # noqa: B018
        with pytest.raises(DryrigError, match=r"^heron has no gripper: add a table \[gripper\]"):
            rig.gripper  # noqa: B018


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('DI2 = { ohm', 'DI3 = { ohm', r"io: wires: got 5V.*numbered from 1 without a gap"),
        ('from = "5V" }\n0V', 'from = "0V" }\n0V', r"wires: 5V starts at '5V', got '0V'"),
        ('contact = "DI1"', 'contact = "DI4"', r"gripper: contact 'DI4' is not among io\.wires"),
        ("pulse_s = [1.0e-3", "pulse_s = [3.0e-3", r"gripper: pulse_s .* must be ascending"),
        ("opened_mm = 38.0", "opened_mm = 50.0", r"opened_mm 50\.0 must lie within stroke_mm"),
        ("contact_n = 2.0", "contact_n = 40.0", r"contact_n 40\.0 must lie below force_n"),
        ('opened = "DI2"', 'opened = "DI1"', r"gripper: contact and opened: both are DI1"),
        ("signal_low_v = 0.8", "signal_low_v = 3.0", r"signal_low_v 3\.0 must lie below"),
    ],
)  # fmt: skip
def test_a_scene_that_contradicts_itself_is_refused(
    tmp_path: Path, old: str, new: str, said: str
) -> None:
    text = scene_path("heron").read_text()
    assert old in text
    (tmp_path / "odd.toml").write_text(text.replace(old, new))
    with pytest.raises(SceneError, match=said):
        load_scene(tmp_path / "odd.toml")
