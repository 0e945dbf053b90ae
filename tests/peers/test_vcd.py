"""Traces written as VCD, read back with vcdvcd.

Peer: vcdvcd (MIT), a reader of IEEE 1364 value change dumps that shares no code with the writer
(pyvcd): timescale, scopes and names, times and values of every signal.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from dryrig.scenes import load_scene
from dryrig.sim.clock import TICKS_PER_S
from dryrig.sim.rig import Rig
from dryrig.sim.vcd import leaf
from dryrig.sim.wave import Wave

vcdvcd = pytest.importorskip("vcdvcd", reason="vcdvcd is not installed (pip install vcdvcd)")
BEGAN, ENDED = TICKS_PER_S // 7, TICKS_PER_S


@pytest.fixture(scope="module")
def traced(tmp_path_factory: pytest.TempPathFactory) -> tuple[Any, dict[str, Wave]]:
    """A file as vcdvcd reads it, and what was to be written; all usual signals."""
    path = tmp_path_factory.mktemp("vcd") / "t.vcd"
    with Rig(load_scene("heron"), 5, start_pose_deg=[0, 20, -60, 0, 10, -150]) as rig:
        rig.advance(BEGAN)
        rig.trace.start()
        rig.advance(BEGAN + 999)
        for axis in range(rig.card.axes):
            rig.card.enable(axis, True)
            rig.card.move(axis, -700 if axis % 2 else 700)
        rig.advance(ENDED)
        rig.trace.save(path)
        waves = {wave.name: wave for wave in rig.trace.waves()}
    return vcdvcd.VCDVCD(str(path)), waves


def nanoseconds(tick: int) -> int:
    """A tick of 12 MHz in ns, rounded, in exact arithmetic."""
    return int((Decimal(tick) * 1_000_000_000 / TICKS_PER_S).quantize(Decimal(1)))


def full_name(wave: Wave) -> str:
    group = wave.name.removeprefix("CARD.").split(".")[0]
    return f"heron.{group}.{leaf(wave.name)}"


def test_timescale_and_names(traced: tuple[Any, dict[str, Wave]]) -> None:
    dump, waves = traced
    assert dump.timescale["timescale"] == Decimal("1e-9")
    assert sorted(dump.signals) == sorted(full_name(wave) for wave in waves.values())
    leaves = [name.rpartition(".")[2] for name in dump.signals]
    assert len(set(leaves)) == len(leaves) > 90
    assert {"J4_ENC_A", "J1_STEP", "J6_SW", "J2_ANGLE_DEG", "RAIL_5V_V"} <= set(leaves)


def test_it_spans_the_trace(traced: tuple[Any, dict[str, Wave]]) -> None:
    dump, _ = traced
    assert (dump.begintime, dump.endtime) == (nanoseconds(BEGAN), nanoseconds(ENDED))


def test_every_edge_of_every_pin(traced: tuple[Any, dict[str, Wave]]) -> None:
    dump, waves = traced
    edges = 0
    for wave in waves.values():
        if not wave.unit:
            times = [nanoseconds(tick) for tick in wave.ticks.tolist()]
            levels = [str(level) for level in wave.values.tolist()]
            assert dump[full_name(wave)].tv == list(zip(times, levels, strict=True))
            edges += wave.edges
    assert edges > 10_000


def test_every_change_of_every_quantity(traced: tuple[Any, dict[str, Wave]]) -> None:
    dump, waves = traced
    for wave in waves.values():
        if wave.unit:
            read = dump[full_name(wave)].tv
            assert [time for time, _ in read] == [nanoseconds(t) for t in wave.ticks.tolist()]
            values = [float(str(value)) for _, value in read]
            assert values == pytest.approx(wave.values.tolist(), rel=1e-12, abs=1e-15)
