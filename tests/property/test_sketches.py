"""Arms of any shape: each drawn scene loads, opens as a rig and is homed by the reference."""

from __future__ import annotations

import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from smallest import QUICK, minimal

import dryrig
from dryrig.commission.arm import load_arm
from dryrig.commission.client import Card
from dryrig.commission.homing import home
from dryrig.errors import DryrigError, SceneError
from dryrig.faults.strategies import arms, faults, scenes
from dryrig.scenes import Axis, Sketch, load_scene

# The bracket's tolerance of 1 deg, an index's turn at the least ratio, and the differential.
WITHIN_DEG = 1.3


@settings(parent=QUICK, max_examples=40)
@given(sketch=scenes(), seed=st.integers(0, 999))
def test_every_one_can_be_homed(sketch: Sketch, seed: int) -> None:
    arm = load_arm(sketch.path)
    with dryrig.open_rig(sketch.path, seed=seed) as rig:
        assert len(rig.joints) == len(sketch.axes)
        with closing(Card.open(f"dryrig://{sketch.path}?rig={rig.name}")) as card:
            card.enable(True, [joint.channel for joint in arm.joints])
            card.pause(0.3)
            for stage in sorted({joint.stage for joint in arm.joints}):
                joints = [joint for joint in arm.joints if joint.stage == stage]
                for name, homed in home(card, joints).items():
                    joint, axis = homed.joint, homed.joint.channel - 1
                    # Where it is by the reference's own reckoning, and truly.
                    steps = rig.joint(name).steps - homed.anchor_step
                    believed = homed.anchor_deg + steps / joint.steps_per_deg
                    assert believed == pytest.approx(rig.seen.truth_deg()[axis], abs=WITHIN_DEG)


def test_what_is_smallest() -> None:
    assert minimal(scenes(), lambda sketch: True) == Sketch()
    assert minimal(scenes(), lambda sketch: len(sketch.axes) > 2) == Sketch(
        (Axis(), Axis(), Axis())
    )
    slides = minimal(scenes(), lambda sketch: any(axis.moves == "slide" for axis in sketch.axes))
    assert slides == Sketch((Axis("slide"),))
    geared = minimal(scenes(), lambda sketch: any(axis.ratio > 20 for axis in sketch.axes))
    assert geared == Sketch((Axis(ratio=30.0),))
    assert repr(geared) == "Sketch(axes=(Axis(ratio=30.0),))"
    assert eval(repr(geared), {"Sketch": Sketch, "Axis": Axis}) == geared


@settings(parent=QUICK, max_examples=20)
@given(data=st.data())
def test_the_other_strategies_take_one(data: st.DataObject) -> None:
    sketch = data.draw(scenes(max_axes=3))
    arm = data.draw(arms(sketch.path, max_faults=1))
    with dryrig.open_rig(arm.scene, **arm.options) as rig:
        assert len(rig.faults.listed()) == len(arm.faults)
    last = f"J{len(sketch.axes)}"
    assert last in data.draw(faults(sketch.path, joints=[last]))


def test_how_many_axes() -> None:
    assert len(minimal(scenes(min_axes=9), lambda sketch: True).axes) == 9
    with pytest.raises(DryrigError, match=r"^min_axes, max_axes: got 3, 2, expected 1 to 9 in asc"):
        minimal(scenes(min_axes=3, max_axes=2))


def test_a_sketch_is_kept_where_one_says(tmp_path: Path) -> None:
    path = tmp_path / "crane.toml"
    Sketch((Axis("slide", travel=200.0), Axis("pitch", link_kg=2.0)), signal_mm2=0.25).save(path)
    scene = load_scene(path)
    assert (scene.name, [joint.kind for joint in scene.joint]) == ("crane", ["linear", "rotary"])
    assert scene.harness.wires["STEP"].ohm_per_m == 0.07
    # By hand: 2 kg, 0.05 m out, and 0.1 N·m of friction on a gear of 20 at 0.85: 0.06 N·m, three
    # times and more of which the motor must have.
    assert scene.joint[1].motor.holding_n_m == pytest.approx(0.3, abs=0.1)


def test_one_that_no_motor_bears_is_refused() -> None:
    heavy = Sketch((Axis("pitch", ratio=1.0, link_m=1.0, link_kg=50.0),))
    with pytest.raises(SceneError, match=r"holding_n_m: got [\d.]+, expected less than or equal"):
        load_scene(heavy.path)


def test_the_same_sketch_is_the_same_file_in_every_process() -> None:
    path = Sketch((Axis(), Axis())).path
    code = "from dryrig.scenes import Axis, Sketch; print(Sketch((Axis(), Axis())).path)"
    printed = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert printed.stdout.strip() == str(path)
    assert path.parent.stat().st_mode & 0o077 == 0
    assert not list(path.parent.glob(f"{path.stem}.[0-9]*"))
