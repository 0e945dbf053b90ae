"""What a check by hand must not let pass, and plugs in each other's place.

Common practice, no published source.
"""

from __future__ import annotations

from contextlib import closing

import pytest
import serial

from dryrig.commission.hand import PortHand
from dryrig.commission.result import Result
from dryrig.commission.run import commission
from dryrig.scenes import scene_path


def run(fault: str) -> Result:
    url = f"dryrig://heron?seed=3&rig=more&fault={fault}"
    with (
        closing(serial.serial_for_url(f"{url}&port=teacher")),
        closing(PortHand.open(f"{url}&port=hands")) as hand,
    ):
        return commission(url, hand, scene_path("heron"))


def test_a_switch_that_does_not_let_go_fails_its_check_by_hand() -> None:
    result = run("stuck@J5.SW")
    assert [(c.name, c.joint) for c in result.checks if c.failed] == [("switches", "J5")]
    assert result.suspects[0].fault == "stuck@J5.SW"


@pytest.mark.parametrize("plug", ["MOTOR", "ENC"])
def test_plugs_in_each_others_place_show_on_both_joints(plug: str) -> None:
    result = run(f"cross@J2.{plug}/J3.{plug}")
    assert {c.joint for c in result.checks if c.failed} == {"J2", "J3"}
    assert result.suspects[0].fault == f"cross@J2.{plug}/J3.{plug}"
