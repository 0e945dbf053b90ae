"""Rows of ISO 13849-2:2012 annex D and IEC 61508-2:2010 table A.1 against what injects them.

Sources as each row says: wording and numbering mostly from memory.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from dryrig.faults import KINDS, Injector, parse_fault
from dryrig.faults.coverage import IEC, ISO, ROWS, Row, injecting
from dryrig.scenes import load_scene
from dryrig.sim import Rig


@pytest.fixture(scope="module")
def rig() -> Iterator[Rig]:
    with Rig(load_scene("heron_brake"), 5) as rig:
        yield rig


@pytest.mark.parametrize("fault", injecting())
def test_an_injecting_fault_is_placed_and_breaks_something(rig: Rig, fault: str) -> None:
    assert parse_fault(fault).kind.name == fault.partition("@")[0]
    injector, sound = Injector(rig), rig.harness.parts.to_dict()
    injector.insert(fault)
    gated = any(f"{gate}=" in fault for gate in ("from", "to", "low", "high", "duty", "wiggle"))
    if not gated:
        assert rig.harness.parts.to_dict() != sound or injector.line is not None
    injector.clear()
    assert rig.harness.parts.to_dict() == sound
    # A gate is shut at times: the same fault without it acts at once.
    if gated:
        head = ",".join(p for p in fault.split(",") if p.partition("=")[0] not in ("duty", "from"))
        injector.insert(head)
        assert rig.harness.parts.to_dict() != sound or injector.line is not None
        injector.clear()


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.table} {row.element}: {row.fault}")
def test_every_row_is_injected_or_says_why_not(row: Row) -> None:
    assert row.injected or len(row.reason) > 15
    assert row.source


def test_the_tables_that_bear_on_such_an_arm_are_there() -> None:
    iso = {row.table for row in ROWS if row.standard == ISO}
    assert {"D.4", "D.5", "D.6", "D.7", "D.8", "D.9", "D.10", "D.14", "D.17", "D.18"} <= iso
    elements = " ".join(row.element for row in ROWS if row.standard == IEC)
    for word in ("digital input", "power supply", "sensor", "final", "clock", "communication"):
        assert word in elements
    # Tables of conductors, terminals, connectors and switches have no row without an injector.
    assert all(row.injected for row in ROWS if row.table in ("D.4", "D.6", "D.7", "D.8"))


def test_every_kind_names_a_fault_model() -> None:
    for kind in KINDS.values():
        assert kind.model.startswith(("ISO 13849-2 table ", "IEC 61508-2 table A.1", "none: "))
