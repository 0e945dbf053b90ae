"""Homing methods: the table, where each ends, the sign of the offset, and what is refused.

Numbers and meanings of CiA 402 / IEC 61800-7-201 as drive manuals tell them; those of methods 3-6,
19-22, 33, 34 and 37 from memory.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from typing import NamedTuple

import pytest
import serial

from dryrig.commission.arm import Arm, Joint, load_arm
from dryrig.commission.client import Card
from dryrig.commission.errors import ArmFileError
from dryrig.commission.findings import Kind
from dryrig.commission.hand import PortHand
from dryrig.commission.homing import Homed, home
from dryrig.commission.homing_failed import HomingFailed
from dryrig.commission.homing_methods import turn_deg
from dryrig.commission.homing_table import METHODS
from dryrig.commission.plan import Options
from dryrig.commission.plot import plots
from dryrig.commission.positions import Positions
from dryrig.commission.run import commission
from dryrig.scenes import scene_path

NAME, NUMBER = "J4", 3  # a roll joint: nothing is in its way
SWITCH_DEG = {
    3: 20,
    4: 20,
    19: 20,
    20: 20,
    5: -20,
    6: -20,
    21: -20,
    22: -20,
    2: 164,
    18: 164,
    -4: 164,
}
POSITIVE = (2, 3, 4, 18, 19, 20, -4)
# The bracket's tolerance of 1 deg, and the scene's 0.05 deg from one operation to the next; a
# differential may be a fifth more or less.
BRACKET_DEG, AGAIN_DEG = 1.2, 0.12
EYE_DEG = 1.0


def arm_file(folder: Path, method: int, switch_deg: float | None = None) -> Path:
    """The Heron with another homing method for one joint, beside its URDF."""
    heron = scene_path("heron")
    shutil.copy(heron.with_suffix(".urdf"), folder)
    head, found, tail = heron.read_text().partition(f'name = "{NAME}"')
    end = "positive" if method in POSITIVE else "negative"
    at = SWITCH_DEG.get(method, -164) if switch_deg is None else switch_deg
    tail = tail.replace(
        'home = { end = "negative", switch_deg = -164.0',
        f'home = {{ method = {method}, end = "{end}", switch_deg = {at}',
        1,
    )
    path = folder / "heron.toml"
    path.write_text(head + found + tail)
    return path


class Bench(NamedTuple):
    """A rig with the joint's drive on."""

    arm: Arm
    joint: Joint
    card: Card
    hand: PortHand
    teacher: serial.SerialBase

    def truth_deg(self) -> float:
        self.teacher.write(f"TRUT:ANGL? (@{NUMBER + 1})\n".encode())
        return float(self.teacher.readline())

    def home(self, positions: Positions) -> Homed:
        believed = positions.now_deg().get(NAME, self.hand.look_deg(self.joint))
        found = home(self.card, [self.joint], {NAME: believed})
        positions.take(found)
        return found[NAME]


@contextmanager
def bench(path: Path, start_deg: float, fault: str = "") -> Iterator[Bench]:
    url = f"dryrig://{path}?seed=3&rig=methods&start=0,60,-90,{start_deg:g},30,0"
    url += f"&fault={fault}" if fault else ""
    with ExitStack() as stack:
        teacher = stack.enter_context(serial.serial_for_url(f"{url}&port=teacher", timeout=5))
        hand = stack.enter_context(closing(PortHand.open(f"{url}&port=hands")))
        card = stack.enter_context(closing(Card.open(url)))
        arm = load_arm(path)
        card.enable(True, range(1, 7))
        card.pause(0.2)
        hand.stand(False)
        yield Bench(arm, arm.joints[NUMBER], card, hand, teacher)


# Nowhere near a switch, on the positive home switch, on the negative one.
@pytest.mark.parametrize("start_deg", [0.0, 60.0, -60.0])
@pytest.mark.parametrize("method", METHODS)
def test_each_method_ends_where_it_says_and_finds_it_again(
    method: int, start_deg: float, tmp_path: Path
) -> None:
    with bench(arm_file(tmp_path, method), start_deg) as at:
        positions = Positions(at.arm, at.card)
        first = at.home(positions)
        error = positions.now_deg()[NAME] - at.truth_deg()
        assert abs(error) <= (EYE_DEG if first.by_eye else BRACKET_DEG)
        again = at.home(positions)
        assert positions.now_deg()[NAME] - at.truth_deg() == pytest.approx(error, abs=AGAIN_DEG)
        if not first.method.index and first.method.needs != "nothing":
            apart_deg = (again.home_step - first.home_step) / at.joint.steps_per_deg
            assert abs(apart_deg) < AGAIN_DEG
        assert at.card.line.ask(f"HALT:EDGE? (@{NUMBER + 1})", "DRIV:CURR?") == [
            "OFF", ",".join(["1"] * 6)
        ]  # fmt: skip


@pytest.mark.parametrize(
    ("method", "side", "edge"),
    [
        (17, -1, "FALL"),
        (18, 1, "FALL"),
        (19, 1, "FALL"),
        (20, 1, "RISE"),
        (21, -1, "FALL"),
        (22, -1, "RISE"),
    ],
)
def test_with_an_index_home_is_the_first_one_on_the_way_past_the_edge(
    method: int, side: int, edge: str, tmp_path: Path
) -> None:
    """Method n - 16 is method n and then on to the index (1-6 to 17-22)."""
    assert (METHODS[method].side, METHODS[method].edge) == (side, edge)
    onward = -side if edge == "FALL" else side
    with bench(arm_file(tmp_path, method - 16), 0.0) as at:
        found = at.home(Positions(at.arm, at.card))
        past_deg = (found.home_step - found.anchor_step) / at.joint.steps_per_deg
        assert 0.0 < past_deg * onward <= turn_deg(at.joint)


def test_position_reads_the_offset_at_home(tmp_path: Path) -> None:
    """607Ch with the sign of newer drives: at home the position reads + the offset."""
    with bench(arm_file(tmp_path, 17), 0.0) as at:
        positions = Positions(at.arm, at.card)
        positions.calibrate({NAME: -150.0})
        found = at.home(positions)
        assert positions.home_offset_deg(at.joint) == -150.0
        assert positions.angle_deg(at.joint, found.home_step) == -150.0
        # A gauge that shows +0.3 is entered as -0.3, and what the position reads falls by it.
        positions.trim_deg[NAME] = 0.3
        assert positions.angle_deg(at.joint, found.home_step) == pytest.approx(-150.3)


def test_starting_on_the_switch(tmp_path: Path) -> None:
    with bench(arm_file(tmp_path, 17), -166.0) as at:
        assert at.card.levels([NUMBER + 1]) == {NUMBER + 1: 1}
        positions = Positions(at.arm, at.card)
        at.home(positions)
        assert positions.now_deg()[NAME] == pytest.approx(at.truth_deg(), abs=BRACKET_DEG)


def test_a_hard_stop_is_met_with_little_current_and_loses_nothing(tmp_path: Path) -> None:
    with bench(arm_file(tmp_path, -1), -120.0) as at:
        positions = Positions(at.arm, at.card)
        found = at.home(positions)
        assert found.anchor_deg == -170.0
        # The encoder tells where the stop is, to a few hundredths of a degree.
        assert positions.now_deg()[NAME] == pytest.approx(at.truth_deg(), abs=0.05)


def test_a_joint_that_falls_from_its_hard_stop_is_told_of_and_what_to_do(tmp_path: Path) -> None:
    """J5 held up against its stop: 30 % of its current does not carry it there."""
    heron = scene_path("heron")
    shutil.copy(heron.with_suffix(".urdf"), tmp_path)
    path = tmp_path / "heron.toml"
    text = heron.read_text()
    path.write_text(
        text.replace(
            'end = "negative", switch_deg = -99.0',
            'method = -2, end = "negative", switch_deg = -99.0',
        )
    )
    with bench(path, 0.0) as at:
        wrist = at.arm.joints[4]
        with pytest.raises(
            HomingFailed, match=r"on 30% of its current, it fell .* Raise home\.stop_c"
        ):
            home(at.card, [wrist], {"J5": at.hand.look_deg(wrist)})
        assert at.card.line.numbers("STEP:MOV? (@1:6)", 6) == [0] * 6
        assert at.card.line.numbers("DRIV:CURR? (@1:6)", 6) == [1.0] * 6


@pytest.mark.parametrize(
    ("method", "fault", "kind", "text"),
    [
        (
            1,
            f"dead@{NAME}.ENC,channel=3",
            Kind.HOME_NO_INDEX,
            "more than a turn of the encoder, and met",
        ),
        (17, f"open@{NAME}.SW.NO", Kind.HOME_NO_EDGE, "met no edge; the input reads 0"),
        (17, f"stuck@{NAME}.SW", Kind.HOME_NO_RELEASE, "the switch input still reads 1"),
        (-1, f"open@{NAME}.STEP", Kind.HOME_SCATTER, "does not move, or something is in the way"),
    ],
)
def test_every_failure_ends_stopped_with_its_reason(
    method: int, fault: str, kind: Kind, text: str, tmp_path: Path
) -> None:
    with bench(arm_file(tmp_path, method), -120.0, fault) as at:
        with pytest.raises(HomingFailed, match=text) as caught:
            at.home(Positions(at.arm, at.card))
        assert caught.value.symptom.kind is kind
        assert at.card.line.numbers("STEP:MOV? (@1:6)", 6) == [0] * 6
        assert at.card.line.numbers("DRIV:CURR? (@1:6)", 6) == [1.0] * 6
        assert at.card.line.numbers("FOLL:SCAL? (@1:6)", 6) == [0.0] * 6


@pytest.mark.parametrize(
    ("method", "switch_deg", "text"),
    [
        (7, -164.0, r"7: needs a home switch and a limit switch; a joint has one input"),
        (36, -164.0, r"36: is reserved in CiA 402"),
        (99, -164.0, r"99: is no homing method; expected one of 1, 2, 3, "),
        (19, 164.0, r"19 uses a home switch within the travel; switch_deg 164 is not"),
    ],
)
def test_methods_that_are_refused(
    method: int, switch_deg: float, text: str, tmp_path: Path
) -> None:
    with pytest.raises(ArmFileError, match=text):
        load_arm(arm_file(tmp_path, method, switch_deg))


def test_a_limit_switch_of_the_other_end_is_refused(tmp_path: Path) -> None:
    path = arm_file(tmp_path, 18)
    path.write_text(path.read_text().replace("method = 18", "method = 17"))
    with pytest.raises(ArmFileError, match=r"17 uses a switch on the other side than home\.end 'p"):
        load_arm(path)


@pytest.mark.parametrize(("method", "end"), [(33, 0), (34, 1)])
@pytest.mark.parametrize("room_deg", [6.0, 2.0])
def test_an_index_search_near_an_end_of_travel_stops_there_and_says_so(
    method: int, end: int, room_deg: float, tmp_path: Path
) -> None:
    path = arm_file(tmp_path, method)
    arm = load_arm(path)
    limit_deg = arm.joints[NUMBER].travel_deg[end]
    sense = METHODS[method].side
    # This disc's indices are at -152.4 and 140.1 deg, and then beyond the travel.
    with bench(path, limit_deg - sense * room_deg) as at:
        with pytest.raises(HomingFailed, match=r"start from further off, or search the") as failed:
            at.home(Positions(arm, at.card))
        assert failed.value.symptom.kind is Kind.HOME_NO_ROOM
        assert sense * (at.truth_deg() - limit_deg) < EYE_DEG + 0.5


def test_without_an_eye_a_stop_met_on_the_way_to_an_index_is_thought_of(tmp_path: Path) -> None:
    path = arm_file(tmp_path, 33)
    with (
        bench(path, load_arm(path).joints[NUMBER].travel_deg[0] + 1.0) as at,
        pytest.raises(HomingFailed, match=r"; or the travel ends here$"),
    ):
        home(at.card, [at.joint])


def test_a_stop_and_an_index_are_told_as_what_they_are_and_throw_nobody_out_of_step(
    tmp_path: Path,
) -> None:
    """J1 against its stop shakes the tool's small motor; J4 goes on from its switch to an index."""
    path = arm_file(tmp_path, 1)
    path.write_text(
        path.read_text().replace(
            'home = { end = "negative", switch_deg = -168.0',
            'home = { method = -1, end = "negative", switch_deg = -168.0',
        )
    )
    url = f"dryrig://{path}?seed=4&rig=thrown"
    with closing(PortHand.open(f"{url}&port=hands")) as hand:
        result = commission(url, hand, path, options=Options(only=("homing", "trim", "repeat")))
    assert [check for check in result.checks if check.failed] == []
    told = [one.summary for one in plots(result.homed)]
    assert sum("J1, stop run" in t and "halted by its following error at" in t for t in told) == 2
    assert [t.partition(",")[0] for t in told if "index latched at" in t] == [NAME]
    assert sum("switch edge latched at" in t for t in told) == 2 * 5


def test_a_home_that_jumps_by_a_turn_does_not_agree(tmp_path: Path) -> None:
    """Common practice: an index at the switch's edge lets home jump by a turn of the encoder."""
    path = arm_file(tmp_path, 1)
    url = f"dryrig://{path}?seed=4&rig=jumps&fault=index@{NAME}.ENC,turn=0.0356"
    with closing(PortHand.open(f"{url}&port=hands")) as hand:
        options = Options(only=("homing", "repeat"), thorough=True)
        result = commission(url, hand, path, options=options)
    (check,) = [check for check in result.checks if check.failed]
    assert (check.name, check.joint) == ("repeat", NAME)
    assert "1 whole turn of the encoder, whose index lies at the switch's edge" in check.evidence
    assert [suspect.fault for suspect in result.suspects] == [f"index@{NAME}.ENC"]


@pytest.mark.parametrize("method", [1, 20, 34, -2])
def test_a_whole_commissioning_by_another_method(method: int, tmp_path: Path) -> None:
    path = arm_file(tmp_path, method)
    url = f"dryrig://{path}?seed=5&rig=whole"
    with (
        closing(serial.serial_for_url(f"{url}&port=teacher", timeout=5)) as teacher,
        closing(PortHand.open(f"{url}&port=hands")) as hand,
    ):
        result = commission(url, hand, path, options=Options(skip={"cold": "tested elsewhere"}))
        assert [check for check in result.checks if check.failed] == []
        assert result.verdict == "passed in part"
        teacher.write(f"TRUT:ANGL? (@{NUMBER + 1})\n".encode())
        truth = float(teacher.readline())
    believed = result.joints[NUMBER]
    assert believed.method == method
    assert believed.angle_deg == pytest.approx(truth, abs=believed.gauge_accuracy_deg + 0.1)
