"""What a check by hand must not let pass, and plugs in each other's place.

Common practice, no published source.
"""

from __future__ import annotations

from contextlib import closing

import pytest
import serial

from dryrig.commission.client import Card
from dryrig.commission.hand import PortHand
from dryrig.commission.plan import Options
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


@pytest.mark.parametrize(
    ("only", "fault", "clipped"),
    [
        (("jogs",), "&fault=open@J3.STEP", ["CARD.J3.STEP", "J3.STEP"]),
        (("homing", "load"), "", [f"J{n}.DRIVE.24V" for n in range(1, 7)]),
    ],
)
def test_leads_go_on_while_nothing_moves(
    only: tuple[str, ...], fault: str, clipped: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    url = f"dryrig://heron?seed=3&rig=clipped{fault}"
    seen: list[tuple[str, list[float]]] = []
    with closing(PortHand.open(f"{url}&port=hands")) as hand, closing(Card.open(url)) as card:

        def clip_on(red: str, black: str, hold: str) -> None:
            seen.append((red, card.line.numbers("STEP:MOV? (@1:6)", 6)))

        monkeypatch.setattr(hand, "clip_on", clip_on)
        commission(card, hand, scene_path("heron"), options=Options(only=only))
    assert seen == [(red, [0.0] * 6) for red in clipped]
