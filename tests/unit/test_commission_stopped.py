"""A run that a signal ends: in the middle of a question, and nothing falls for it."""

from __future__ import annotations

from contextlib import closing

import pytest

from dryrig.commission.client import Card
from dryrig.commission.hand import PortHand
from dryrig.commission.plan import Options
from dryrig.commission.run import commission
from dryrig.scenes import scene_path

ARM = scene_path("heron")
EVERY = [1.0] * 6


class Signal(BaseException):
    """As a signal's handler raises it, wherever the program is."""


@pytest.mark.parametrize(
    ("only", "doing"), [(("homing",), "homing"), (("homing", "index"), "index")]
)
def test_a_signal_while_joints_move_is_no_finding_and_leaves_the_drives_on(
    only: tuple[str, ...], doing: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    url = "dryrig://heron?seed=7&rig=stopped"
    with (
        closing(PortHand.open(f"{url}&port=hands")) as hand,
    ):
        card = Card.open(url)
        stages: list[str] = []
        read = card.line._read

        def interrupted(message: str) -> str:
            if stages and stages[-1].startswith(doing) and "WAIT? 1" in message:
                monkeypatch.setattr(card.line, "_read", read)
                raise Signal  # its reply is left unread
            return read(message)

        monkeypatch.setattr(card.line, "_read", interrupted)
        with pytest.raises(Signal):
            commission(card, hand, ARM, stages.append, options=Options(only=only))
        with closing(Card.open(url)) as after:
            after.pause(3.0)
            assert after.line.numbers("STEP:MOV? (@1:6)", 6) == [0.0] * 6
            assert after.line.numbers("DRIV:ENAB? (@1:6)", 6) == EVERY


def test_the_stop_button_during_a_homing_is_told_as_that(monkeypatch: pytest.MonkeyPatch) -> None:
    url = "dryrig://heron?seed=7&rig=button"
    with closing(PortHand.open(f"{url}&port=hands")) as hand, closing(Card.open(url)) as card:
        read = card.line._read

        def pushed(message: str) -> str:
            if "WAIT? 1" in message and "FOLL:FLAG" in message:
                monkeypatch.setattr(card.line, "_read", read)
                hand.press_stop(True)
            return read(message)

        monkeypatch.setattr(card.line, "_read", pushed)
        result = commission(card, hand, ARM, options=Options(only=("homing",)))
    (check,) = [check for check in result.checks if check.failed]
    assert check.evidence.startswith(
        "the stop circuit opened meanwhile: the button is in, or a wire"
    )
    assert result.suspects == []
    assert result.verdict == "findings"


def test_the_stop_button_during_the_jogs_is_told_as_that_and_nothing_is_jogged_after_it() -> None:
    """Asked for once the third joint's turn has come: the two before it have passed."""
    url = "dryrig://heron?seed=7&rig=jogged"
    with closing(PortHand.open(f"{url}&port=hands")) as hand, closing(Card.open(url)) as card:

        def progress(words: str) -> None:
            hand.press_stop(words.startswith("jogs: J3"))

        result = commission(card, hand, ARM, progress, options=Options(only=("jogs",)))
    jogs = [(check.joint, check.verdict) for check in result.checks if check.name == "jogs"]
    assert jogs == [("J1", "pass"), ("J2", "pass"), ("J3", "fail")]
    assert "the stop circuit opened meanwhile" in result.checks[-1].evidence
    assert "+0 by eye" in result.checks[-1].evidence
    assert result.suspects == []
