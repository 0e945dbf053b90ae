"""Traces as files, VCD and CSV, and pictures of them."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest
from traced import POSE, SCENE, S, moves

from dryrig.errors import TraceError
from dryrig.sim.rig import Rig
from dryrig.sim.trace_plot import plot_trace, thinned
from dryrig.sim.trace_reading import read_trace
from dryrig.sim.vcd import leaf


@pytest.fixture
def rig() -> Iterator[Rig]:
    with Rig(SCENE, 5, start_pose_deg=POSE) as made:
        yield made


@pytest.mark.parametrize("suffix", ["vcd", "csv"])
def test_written_and_read_back(suffix: str, rig: Rig, tmp_path: Path) -> None:
    rig.trace.start()
    moves(rig, rig.advance, S)
    path = tmp_path / f"t.{suffix}"
    rig.trace.save(path, ["J4.*", "CARD.J4.SW.COM_V"])
    read = read_trace(path)
    written = rig.trace.waves(["J4.*", "CARD.J4.SW.COM_V"])
    assert [leaf(series.name) for series in read] == [leaf(w.name) for w in written]
    for series, wave in zip(read, written, strict=True):
        assert series.unit == wave.unit
        assert np.abs(series.time_s * S - wave.ticks).max() < 0.01
        assert series.values == pytest.approx(wave.values, rel=1e-8)
    only = read_trace(path, ["J4.ENC.?"])
    assert [series.name[-5:].replace(".", "_") for series in only] == [
        "ENC_A",
        "ENC_B",
        "ENC_Z",
    ]


def test_equal_runs_give_equal_files(tmp_path: Path) -> None:
    texts = []
    for number in range(2):
        with Rig(SCENE, 5, start_pose_deg=POSE) as rig:
            rig.trace.start()
            moves(rig, rig.advance, S)
            for suffix in ("vcd", "csv"):
                path = tmp_path / f"{number}.{suffix}"
                rig.trace.save(path)
                texts.append(path.read_text())
    assert texts[:2] == texts[2:]


def test_the_table_is_in_order(rig: Rig, tmp_path: Path) -> None:
    rig.trace.start()
    moves(rig, rig.advance, S)
    rig.trace.save(tmp_path / "t.csv", ["J1.*"])
    with (tmp_path / "t.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == ["time_s", "signal", "value", "unit"]
    times = [float(row["time_s"]) for row in rows]
    assert times == sorted(times)
    assert {row["unit"] for row in rows} == {"", "deg", "N·m", "V"}


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("t.txt", "expected a name ending in .vcd or .csv"),
        ("none/t.vcd", "there is no folder"),
        ("folder.vcd", "Is a directory"),
    ],
)
def test_where_a_trace_cannot_be_written(name: str, text: str, rig: Rig, tmp_path: Path) -> None:
    (tmp_path / "folder.vcd").mkdir()
    rig.trace.start()
    with pytest.raises(TraceError, match=rf"^trace file '.*{name}': {text}"):
        rig.trace.save(tmp_path / name)


@pytest.mark.parametrize(
    ("name", "content", "text"),
    [
        ("no.vcd", None, "No such file"),
        ("no.txt", "", "expected a name ending"),
        ("bad.vcd", "once upon a time", "cannot be read"),
        ("empty.vcd", "$timescale 1 ns $end $enddefinitions $end\n", "holds no signal"),
        ("empty.csv", "time_s,signal,value,unit\n", "holds no signal"),
        ("bad.csv", "time_s,signal,value,unit\nsoon,J1.SW,1,\n", "not a change"),
        ("other.csv", "a,b\n1,2\n", "cannot be read"),
    ],
)
def test_files_that_are_no_trace(name: str, content: str | None, text: str, tmp_path: Path) -> None:
    if content is not None:
        (tmp_path / name).write_text(content)
    with pytest.raises(TraceError, match=rf"^trace file '.*{name}'.*{text}"):
        read_trace(tmp_path / name)


@pytest.fixture(scope="module")
def saved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("trace") / "t.vcd"
    with Rig(SCENE, 5, start_pose_deg=POSE) as rig:
        rig.trace.start()
        moves(rig, rig.advance)
        rig.trace.save(path)
    return path


@pytest.mark.parametrize("patterns", [[], ["J6.*", "CARD.J6.SW.COM_V"], ["J2.ANGLE_DEG"]])
@pytest.mark.parametrize("suffix", [".png", ".svg"])
def test_plots(saved: Path, patterns: Sequence[str], suffix: str, tmp_path: Path) -> None:
    out = plot_trace(saved, tmp_path / f"p{suffix}", patterns, begin_s=0.4, end_s=2.0)
    content = out.read_bytes()
    if suffix == ".png":
        assert content.startswith(b"\x89PNG")
    else:
        assert b"rig time, s" in content
        assert b"J2_ANGLE_DEG" in content or "J6.*" in patterns


def test_a_thinned_line_keeps_its_outline() -> None:
    time = np.linspace(0.0, 1.0, 100_000)
    values = np.sin(1000 * time)
    values[54_321] = 7.0
    thin_time, thin = thinned(time, values, columns=100)
    assert len(thin) <= 404
    assert (thin.max(), thin.min(), thin[0], thin[-1]) == (7.0, values.min(), 0.0, values[-1])
    assert (np.diff(thin_time) > 0).all()
    assert (thinned(time[:400], values[:400], columns=100)[1] == values[:400]).all()


def test_plots_that_cannot_be(saved: Path, tmp_path: Path) -> None:
    with pytest.raises(TraceError, match=r"^plot 'p\.pdf': expected a name ending in"):
        plot_trace(saved, "p.pdf")
    with pytest.raises(TraceError, match=r"^no signal 'J9_\*' in the trace"):
        plot_trace(saved, tmp_path / "p.png", ["J9.*"])
    with pytest.raises(TraceError, match="nothing between 3 and 3 s; the signals chosen change"):
        plot_trace(saved, tmp_path / "p.png", begin_s=3.0, end_s=3.0)
