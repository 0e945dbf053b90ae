"""Homing that begins on the limit switch, with the eye's word that the switch is right there."""

from __future__ import annotations

import pytest

from dryrig.bench.workplace import Workplace
from dryrig.commission.arm import load_arm
from dryrig.commission.homing import home
from dryrig.scenes import scene_path

ARM = load_arm(scene_path("heron"))


@pytest.mark.parametrize("name", ["J1", "J4", "J6"])
def test_it_backs_off_and_meets_the_same_edge_again(name: str) -> None:
    (joint,) = [joint for joint in ARM.joints if joint.name == name]
    with Workplace(ARM, seed=3) as place:
        place.card.enable(True, [joint.channel])
        place.card.pause(0.2)
        first = home(place.card, [joint])[name]
        # Home is where the switch lets go; where it does so the next time is chance.
        for _ in range(6):
            place.jog(joint, joint.home_sign * (joint.home.differential_deg + 1.0), 5.0)
            assert place.card.levels([joint.channel])[joint.channel] == 1
            by_eye = {name: place.hand.look_deg(joint)}
            again = home(place.card, [joint], by_eye)[name]
            apart_deg = (again.home_step - first.home_step) / joint.steps_per_deg
            assert apart_deg == pytest.approx(0.0, abs=0.2)
