"""PyVISA with its pure Python back end opens the served port, queries, and homes one joint.

PyVISA is an instrument client that knows nothing of this project: whatever it does here, any
VISA program can do.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import pyvisa
from pyvisa.resources import SerialInstrument

from dryrig.scenes import load_scene
from dryrig.sim.individual import draw_individual

SEED = 11
DEADLINE_S = 60
# J5 of the data sheet: 200 full steps, 16 microsteps, ratio 18, motor runs against the joint.
STEPS_PER_DEG = 200 * 16 * 18 / 360


@pytest.fixture
def served(tmp_path: Path, serving: Callable[..., Any]) -> Iterator[dict[str, str]]:
    """A rig in a process of its own; device paths by port."""
    with serving(tmp_path, "--seed", str(SEED)) as paths:
        yield paths


@pytest.fixture
def visa() -> Iterator[pyvisa.ResourceManager]:
    manager = pyvisa.ResourceManager("@py")
    yield manager
    manager.close()


def opened(visa: pyvisa.ResourceManager, path: str) -> SerialInstrument:
    instrument = visa.open_resource(
        f"ASRL{path}::INSTR",
        read_termination="\n",
        write_termination="\n",
        timeout=1000 * DEADLINE_S,
    )
    assert isinstance(instrument, SerialInstrument)
    return instrument


def test_it_queries(visa: pyvisa.ResourceManager, served: dict[str, str]) -> None:
    with opened(visa, served["card"]) as card:
        maker, model, serial_number, version = card.query("*IDN?").split(",")
        assert maker
        assert model
        assert serial_number
        assert version
        assert card.query("SYSTem:VERSion?") == "1999.0"
        assert card.query_ascii_values("STEP:COUNt? (@1:6)", converter="d") == [0] * 6
        card.write("STEP:RAET 5")
        number, text = card.query("SYST:ERR?").split(",", 1)
        assert int(number) == -113
        assert text.startswith('"Undefined header')
        assert card.query("SYST:ERR?") == '0,"No error"'


def test_it_homes_a_joint(visa: pyvisa.ResourceManager, served: dict[str, str]) -> None:
    with opened(visa, served["card"]) as card, opened(visa, served["teacher"]) as teacher:

        def go(degrees: float, degrees_per_s: float, edge: str) -> int:
            """Towards the switch if positive, until its edge; the step latched there."""
            card.write(f"STEP:RATE {degrees_per_s * STEPS_PER_DEG:.0f},(@5)")
            card.write(f"HALT:EDGE {edge},(@5)")
            card.write(f"STEP:MOVE {degrees * STEPS_PER_DEG:.0f},(@5)")
            assert card.query("*OPC?") == "1"
            hit, _, step, _ = card.query_ascii_values("HALT:LATCh? (@5)")
            assert hit == 1
            return round(step)

        card.write(f"STEP:ACC {200 * STEPS_PER_DEG:.0f},(@5)")
        card.write("DRIV:ENAB ON,(@5)")
        if card.query("SWIT:LEV? (@5)") == "0":
            go(220, 30, "RISE")
        go(-6, 5, "FALL")
        home = go(6, 1.5, "RISE")
        assert card.query("SYST:ERR?") == '0,"No error"'
        past = int(card.query("STEP:COUN? (@5)")) - home
        true_deg = float(teacher.query("TRUT:ANGL? (@5)"))
    scene = load_scene("heron")
    switch_deg = draw_individual(scene, SEED).switch_deg[4]
    # Positive steps turn J5 down. A latch is a whole step, and the load angle is below 0.03 deg.
    at_edge_deg = true_deg + past / STEPS_PER_DEG
    assert at_edge_deg == pytest.approx(switch_deg, abs=scene.switch.repeat_deg + 0.04)
