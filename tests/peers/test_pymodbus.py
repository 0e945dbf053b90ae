"""pymodbus, a Modbus library that knows nothing of us, as the client of `--grammar modbus`.

Over the served pty it homes a joint by README's table; its CRC and ours agree.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from typing import Any

import pytest
import serial
from pymodbus.client import ModbusSerialClient
from pymodbus.framer import FramerRTU

from dryrig.protocol.modbus import crc16
from dryrig.scenes import load_scene
from dryrig.sim.individual import draw_individual

SEED = 11
UNIT = 7
DEADLINE_S = 60
AXIS = 5
STEPS_PER_DEG = 200 * 16 * 18 / 360
# Addresses of README's table, for axis 5.
ENABLE, MOVE = 100 + AXIS, 200 + AXIS
SWITCH, MOVING, LATCHED = 100 + AXIS, 200 + AXIS, 300 + AXIS
RATE, ACCELERATION, DISTANCE, STEPS = (base + 2 * AXIS for base in (100, 200, 300, 400))
HALT_EDGE = 600 + AXIS
LATCHED_STEP = 200 + 2 * AXIS
RISE, FALL = 1, 2


@pytest.fixture(scope="module")
def served(
    tmp_path_factory: pytest.TempPathFactory, serving: Callable[..., Any]
) -> Iterator[dict[str, str]]:
    folder = tmp_path_factory.mktemp("served")
    with serving(folder, "--seed", str(SEED), "--grammar", f"modbus,address={UNIT}") as paths:
        yield paths


@pytest.fixture
def client(served: dict[str, str]) -> Iterator[ModbusSerialClient]:
    client = ModbusSerialClient(served["card"], baudrate=19200, timeout=5)
    assert client.connect()
    yield client
    client.close()


def registers(value: int) -> list[int]:
    return ModbusSerialClient.convert_to_registers(value, ModbusSerialClient.DATATYPE.INT32)


def number(answer: Any) -> int:
    assert not answer.isError(), answer
    return int(
        ModbusSerialClient.convert_from_registers(
            answer.registers, ModbusSerialClient.DATATYPE.INT32
        )
    )


def test_it_homes_a_joint(client: ModbusSerialClient, served: dict[str, str]) -> None:
    def put(address: int, value: int) -> None:
        answer = client.write_registers(address, registers(value), device_id=UNIT)
        assert not answer.isError(), answer

    def bit(address: int) -> bool:
        answer = client.read_discrete_inputs(address, count=1, device_id=UNIT)
        assert not answer.isError(), answer
        return bool(answer.bits[0])

    def go(degrees: float, degrees_per_s: float, edge: int) -> int:
        put(RATE, round(degrees_per_s * STEPS_PER_DEG))
        put(DISTANCE, round(degrees * STEPS_PER_DEG))
        assert not client.write_register(HALT_EDGE, edge, device_id=UNIT).isError()
        assert not client.write_coil(MOVE, True, device_id=UNIT).isError()
        while bit(MOVING):
            pass
        assert bit(LATCHED)
        return number(client.read_input_registers(LATCHED_STEP, count=2, device_id=UNIT))

    put(ACCELERATION, round(200 * STEPS_PER_DEG))
    assert not client.write_coil(ENABLE, True, device_id=UNIT).isError()
    assert client.read_coils(101, count=6, device_id=UNIT).bits[:6] == [False] * 4 + [True, False]
    if not bit(SWITCH):
        go(220, 30, RISE)
    go(-6, 5, FALL)
    home = go(6, 1.5, RISE)
    past = number(client.read_holding_registers(STEPS, count=2, device_id=UNIT)) - home
    put(STEPS, past)
    assert number(client.read_holding_registers(STEPS, count=2, device_id=UNIT)) == past
    with serial.Serial(served["teacher"], timeout=DEADLINE_S) as teacher:
        teacher.write(b"TRUT:ANGL? (@5)\n")
        true_deg = float(teacher.readline())
    scene = load_scene("heron")
    switch_deg = draw_individual(scene, SEED).switch_deg[4]
    # Positive steps turn J5 down. A latch is a whole step, and the load angle is below 0.03 deg.
    at_edge_deg = true_deg + past / STEPS_PER_DEG
    assert at_edge_deg == pytest.approx(switch_deg, abs=scene.switch.repeat_deg + 0.04)


def test_it_reads_exceptions(client: ModbusSerialClient) -> None:
    def code(answer: Any) -> int:
        assert answer.isError()
        return int(answer.exception_code)

    assert code(client.read_holding_registers(99, count=1, device_id=UNIT)) == 2
    assert code(client.write_register(HALT_EDGE, 4, device_id=UNIT)) == 3
    assert code(client.read_exception_status(device_id=UNIT)) == 1
    distance = client.write_registers(DISTANCE, registers(-2000), device_id=UNIT)
    assert not distance.isError()
    assert not client.write_coil(MOVE, True, device_id=UNIT).isError()
    assert code(client.write_coil(MOVE, True, device_id=UNIT)) == 6


def test_all_axes_at_once(client: ModbusSerialClient) -> None:
    assert not client.write_coils(501, [True] * 6, device_id=UNIT).isError()
    while client.read_discrete_inputs(0, count=1, device_id=UNIT).bits[0]:
        pass
    steps = [word for axis in range(6) for word in registers(-100_000 * axis)]
    assert not client.write_registers(402, steps, device_id=UNIT).isError()
    answer = client.read_holding_registers(402, count=12, device_id=UNIT)
    assert answer.registers == steps


def test_our_crc_is_theirs() -> None:
    draw = random.Random(5)
    for size in range(1, 60):
        data = draw.randbytes(size)
        # pymodbus returns it as it reads on the line, low byte first.
        assert FramerRTU.compute_CRC(data).to_bytes(2) == crc16(data).to_bytes(2, "little")
