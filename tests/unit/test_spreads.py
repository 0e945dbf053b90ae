"""Distributions of a scene's figures, and the individual arm that a seed draws from them."""

from __future__ import annotations

import random
import statistics
from pathlib import Path

import pytest

from dryrig.commission.arm import load_arm
from dryrig.errors import SceneError
from dryrig.protocol.station import Station
from dryrig.scenes import load_scene, scene_path
from dryrig.scenes.spreads import Spread
from dryrig.sim import Rig
from dryrig.sim.individual import draw_individual, draw_scene

RATIO = ("ratio = 20.0", "ratio = { nominal = 20.0, spread = 0.01 }")
HOLDING = ("holding_n_m = 1.8", "holding_n_m = { nominal = 1.8, sigma = 0.05 }")
SWITCH = ("switch_deg = -99.0", "switch_deg = { nominal = -99.0, plus_minus = 0.3 }")
BIAS = ("[0.0, 2e-9]", "[0.0, { nominal = 2e-9, spread = 0.5 }]")
VOLTS = ('"5V" = { volts = 5.05', '"5V" = { volts = { nominal = 5.05, plus_minus = 0.02 }')
ALL = (RATIO, HOLDING, SWITCH, BIAS, VOLTS)
PATHS = {
    "joint.J1.ratio",
    "joint.J2.motor.holding_n_m",
    "joint.J5.home.switch_deg",
    "card.input_bias_a.1",
    "supplies.5V.volts",
}


def written(folder: Path, *changes: tuple[str, str]) -> Path:
    source = scene_path("heron")
    text = source.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    (folder / "heron.urdf").write_bytes((source.parent / "heron.urdf").read_bytes())
    path = folder / "spread.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_rest_sees_nominal_numbers_and_the_loader_keeps_spreads_by_path(tmp_path: Path) -> None:
    path = written(tmp_path, *ALL)
    scene, plain = load_scene(path), load_scene("heron")
    assert scene.spreads.keys() - plain.spreads.keys() == PATHS
    assert scene.joint == plain.joint
    assert scene.card == plain.card
    assert scene.supplies == plain.supplies
    assert load_arm(path).joints == load_arm(scene_path("heron")).joints


def test_the_drawn_arm_has_drawn_figures_and_draws_them_alike_again(tmp_path: Path) -> None:
    scene = load_scene(written(tmp_path, *ALL))
    one, other = draw_scene(scene, 1), draw_scene(scene, 2)
    assert one == draw_scene(scene, 1)
    assert one == draw_scene(one, 1)
    assert one.joint[0].ratio != 20.0
    assert one.joint[0].ratio == pytest.approx(20.0, rel=0.01)
    assert one.joint[0].ratio != other.joint[0].ratio
    assert one.joint[2] == scene.joint[2]


def test_one_more_spread_moves_no_other_figure(tmp_path: Path) -> None:
    (tmp_path / "few").mkdir()
    few = draw_scene(load_scene(written(tmp_path / "few", RATIO)), 7)
    many = draw_scene(load_scene(written(tmp_path, *ALL)), 7)
    assert few.joint[0].ratio == many.joint[0].ratio
    sound, spread = draw_individual(few, 7), draw_individual(many, 7)
    assert sound.wire_ohm == spread.wire_ohm
    assert sound.holding_n_m[0] == spread.holding_n_m[0]
    assert sound.holding_n_m[1] != spread.holding_n_m[1]


def test_a_spread_of_its_own_takes_the_place_of_the_tolerance_of_all(tmp_path: Path) -> None:
    scene = load_scene(written(tmp_path, *ALL))
    for seed in range(40):
        arm = draw_individual(scene, seed)
        drawn = draw_scene(scene, seed)
        assert arm.switch_deg[4] == drawn.joint[4].home.switch_deg
        assert abs(arm.switch_deg[4] + 99.0) <= 0.3
        assert arm.holding_n_m[1] == drawn.joint[1].motor.holding_n_m
        assert abs(arm.rail_volts["RAIL.5V"] - 5.05) <= 0.02


@pytest.mark.parametrize(
    ("spread", "deviation"),
    [
        (Spread(2.0, "spread", 0.1), 0.2 / 3**0.5),
        (Spread(-2.0, "plus_minus", 0.3), 0.3 / 3**0.5),
        # Cut off at 3 sigma: 0.98658 of sigma (closed form of the truncated normal).
        (Spread(2.0, "sigma", 0.1), 0.098658),
    ],
)
def test_draws_have_the_mean_the_deviation_and_the_bounds_of_their_kind(
    spread: Spread, deviation: float
) -> None:
    draws = [spread.draw(random.Random(seed)) for seed in range(4000)]
    assert statistics.fmean(draws) == pytest.approx(spread.nominal, abs=4 * deviation / 4000**0.5)
    assert statistics.stdev(draws) == pytest.approx(deviation, rel=0.05)
    assert max(abs(draw - spread.nominal) for draw in draws) <= spread.half


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ("{ nominal = 20.0 }", r"^spread.toml: joint.J1.ratio: got nothing beside nominal; expec"),
        ("{ nominal = 20.0, sprad = 0.1 }", r"got sprad beside nominal \(did you mean 'spread'\?"),
        ("{ nominal = 20.0, spread = 0.1, sigma = 1 }", r"got spread, sigma beside nominal; expec"),
        ("{ nominal = 20.0, spread = -0.1 }", r"joint.J1.ratio: spread: got -0.1, expected a numb"),
        ('{ nominal = "a", spread = 0.1 }', r"joint.J1.ratio: nominal: got 'a', expected a number"),
        ("{ nominal = 20.0, plus_minus = 30 }", r"drawn as far out as it can be: J1: ratio: got -"),
        ("{ nominal = -2.0, spread = 0.1 }", r"^spread.toml: J1: ratio: got -2.0, expected greate"),
    ],
)
def test_a_bad_spread_is_refused_when_the_scene_is_loaded(
    tmp_path: Path, table: str, message: str
) -> None:
    with pytest.raises(SceneError, match=message):
        load_scene(written(tmp_path, ("ratio = 20.0", f"ratio = {table}")))


def test_a_whole_number_can_not_be_spread(tmp_path: Path) -> None:
    counts = ("counts = 4000", "counts = { nominal = 4000, spread = 0.0001 }")
    with pytest.raises(SceneError, match=r"encoder: counts: got 3999\.6"):
        load_scene(written(tmp_path, counts))


def test_a_rig_runs_on_what_was_drawn_and_the_teacher_prints_it(tmp_path: Path) -> None:
    path = written(tmp_path, *ALL)
    with Rig(load_scene(path), 5) as rig:
        drawn = rig.drawn()
        assert rig.scene.joint[0].ratio == drawn["joint.J1.ratio"] != 20.0
        assert rig.drives[1].holding_n_m == drawn["joint.J2.motor.holding_n_m"]
        assert drawn["supplies.5V.volts"] == rig.individual.rail_volts["RAIL.5V"]
    with Station.build(str(path), seed=5) as station:
        teacher = station.ports["teacher"]

        def ask(text: str) -> str:
            teacher.write(text.encode() + b"\n")
            return teacher.take(1 << 20).decode().strip()

        assert ask('DRAW? "joint.J1.ratio"') == f'"joint.J1.ratio",{drawn["joint.J1.ratio"]:.9g}'
        pairs = ask("DRAWn?").split(",")
        assert pairs[::2] == [f'"{name}"' for name in drawn]
        assert ask('DRAW? "joint.J7"') == ""
        assert ask("SYST:ERR?").startswith('-224,"Illegal parameter value;joint.J7: no drawn')
