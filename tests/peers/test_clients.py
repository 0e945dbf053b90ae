"""Clients in other languages home a joint over the served port, from README's reference alone.

`clients/home.c` uses POSIX termios, `clients/home.js` the serialport package of npm: neither knows
anything of us but the words.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial

from dryrig.scenes import load_scene
from dryrig.sim.individual import draw_individual

CLIENTS = Path(__file__).with_name("clients")
SEED = 12
DEADLINE_S = 60
STEPS_PER_DEG = 200 * 16 * 18 / 360

needs_gcc = pytest.mark.skipif(
    shutil.which("gcc") is None, reason="gcc is not installed (Debian: apt-get install gcc)"
)
needs_serialport = pytest.mark.skipif(
    shutil.which("node") is None or not (CLIENTS / "node_modules" / "serialport").is_dir(),
    reason="Node.js or its serialport package is not installed (npm ci in tests/peers/clients)",
)


@pytest.fixture(scope="module")
def served(
    tmp_path_factory: pytest.TempPathFactory, serving: Callable[..., Any]
) -> Iterator[dict[str, str]]:
    with serving(tmp_path_factory.mktemp("served"), "--seed", str(SEED)) as paths:
        yield paths


def run(*command: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        list(map(str, command)), capture_output=True, text=True, timeout=DEADLINE_S, check=False
    )


def check_home(served: dict[str, str], said: str) -> None:
    """The switch's edge, as the plant has it, is where the client says that step 0 is."""
    match = re.fullmatch(r"J5 is home, now at step (-?\d+)\n", said)
    assert match is not None
    with serial.Serial(served["teacher"], timeout=DEADLINE_S) as teacher:
        teacher.write(b"TRUT:ANGL? (@5)\n")
        true_deg = float(teacher.readline())
    scene = load_scene("heron")
    switch_deg = draw_individual(scene, SEED).switch_deg[4]
    # Positive steps turn J5 down. A latch is a whole step, and the load angle is below 0.03 deg.
    at_edge_deg = true_deg + int(match[1]) / STEPS_PER_DEG
    assert at_edge_deg == pytest.approx(switch_deg, abs=scene.switch.repeat_deg + 0.04)


@needs_gcc
def test_c_with_termios(served: dict[str, str], tmp_path: Path) -> None:
    program = tmp_path / "home"
    strict = ("-std=gnu11", "-Wall", "-Wextra", "-Werror", "-O2")
    compiled = run("gcc", *strict, "-o", program, CLIENTS / "home.c")
    assert compiled.stderr == ""
    homed = run(program, served["card"])
    assert homed.stderr == ""
    assert homed.returncode == 0
    check_home(served, homed.stdout)


@needs_serialport
def test_node_with_serialport(served: dict[str, str]) -> None:
    homed = run("node", CLIENTS / "home.js", served["card"])
    assert homed.stderr == ""
    assert homed.returncode == 0
    check_home(served, homed.stdout)


@needs_gcc
@needs_serialport
def test_they_stop_when_no_edge_comes(served: dict[str, str], tmp_path: Path) -> None:
    program = tmp_path / "home"
    assert run("gcc", "-o", program, CLIENTS / "home.c").returncode == 0
    with serial.Serial(served["teacher"], timeout=DEADLINE_S) as teacher:
        teacher.write(b'FAUL:INS "open@J5.STEP";LIST?\n')
        try:
            assert teacher.readline() == b'"open@J5.STEP"\n'
            for command in ((program,), ("node", CLIENTS / "home.js")):
                homed = run(*command, served["card"])
                assert homed.stderr.startswith("stopped: J5: no ")
                assert homed.returncode == 1
        finally:
            teacher.write(b"FAUL:CLE\n")


@needs_gcc
def test_a_program_in_c_stands_in_for_homing(tmp_path: Path, serving: Callable[..., Any]) -> None:
    """`--exec` as README has it: the program has the port to itself, the commissioning goes on."""
    program = tmp_path / "home_all"
    strict = ("-std=gnu11", "-Wall", "-Wextra", "-Werror", "-O2", "-Wno-unused-result")
    assert run("gcc", *strict, "-o", program, CLIENTS / "home_all.c").stderr == ""
    with serving(tmp_path, "--seed", str(SEED), "--pace", "60") as paths:
        ports = ("--port", paths["card"], "--hands", paths["hands"])
        own = ("--exec", f"{program} {{port}}", "--only", "homing,trim,repeat")
        done = run(sys.executable, "-m", "dryrig", "commission", *ports, *own, "--json")
        told = json.loads(done.stdout)
        assert (done.returncode, told["verdict"]) == (0, "passed in part"), done.stderr
        with serial.Serial(paths["teacher"], timeout=DEADLINE_S) as teacher:
            teacher.write(b"TRUT:ANGL?\n")
            truth = [float(word) for word in teacher.readline().split(b",")]
    (homing,) = [check for check in told["checks"] if check["name"] == "homing"]
    assert homing["evidence"] == f"{program} {{port}}: returned without complaint"
    for joint, true_deg in zip(told["joints"], truth, strict=True):
        assert joint["angle_deg"] == pytest.approx(true_deg, abs=joint["gauge_accuracy_deg"] + 0.1)
