"""A stateful test of an arm: few, short, independent rules, to be subclassed for a program's own.

    class Mine(RigMachine):
        joints = ("J4", "J5")

        @rule()
        def home(self):
            my_home(self.card)

    TestMine = Mine.TestCase

Each rule is one line of the story that a failure tells. The invariants are the plant's: no joint
beyond its hard stops, time that never goes back.
"""

from __future__ import annotations

from typing import Any, ClassVar

from hypothesis import note
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from ..errors import FaultError
from ..faults import strategies as drawn
from ..protocol.direct import DirectRig, open_rig
from ..protocol.in_process import Serial
from ..scenes import load_scene

BEYOND_STOP_DEG = 2.0
"""A hard stop gives, and a link that falls on it gives more: common practice, no published
source."""


class RigMachine(RuleBasedStateMachine):
    """One arm, sound at first; `scene` and `joints` (all, when empty) are a subclass's to set."""

    scene: ClassVar[str] = "heron"
    joints: ClassVar[tuple[str, ...]] = ()

    def __init__(self) -> None:
        super().__init__()
        self.rig: DirectRig = open_rig(self.scene)
        self.card: Serial = self.rig.port(timeout=2.0)
        self.hands: Serial = self.rig.port("hands", timeout=2.0)
        self._last_s = 0.0

    def names(self) -> tuple[str, ...]:
        """The joints that rules act on."""
        return self.joints or tuple(joint.name for joint in load_scene(self.scene).joint)

    @initialize()
    def energise(self) -> None:
        """The drives are on."""
        for name in self.names():
            self.rig.joint(name).enabled = True

    @rule(data=st.data(), degrees=st.sampled_from([5, -5, 20, -20]))
    def move(self, data: Any, degrees: int) -> None:
        """Move one joint by some degrees, if it stands still."""
        joint = self.rig.joint(data.draw(st.sampled_from(self.names()), "joint"))
        part = self.rig.seen.scene.joint[self.rig.joints.index(joint)]
        if not joint.moving:
            joint.rate, joint.acceleration = 20 * part.steps_per_deg, 100 * part.steps_per_deg
            joint.move(round(degrees * part.steps_per_deg))
            self.rig.wait_still(5.0)

    @rule(data=st.data())
    def hand(self, data: Any) -> None:
        """A person does something at the arm."""
        action = data.draw(drawn.hand_actions(self.scene, joints=self.names()), "action")
        self.hands.write(action.line)
        self.rig.sleep(1.0)

    @rule(data=st.data())
    def press(self, data: Any) -> None:
        """A finger on a switch, and off again."""
        name = data.draw(st.sampled_from(self.names()), "joint")
        axis = [joint.name for joint in self.rig.joints].index(name)
        self.rig.hands.press(axis)
        self.rig.sleep(0.1)
        self.rig.hands.release(axis)
        self.rig.sleep(0.1)

    @precondition(lambda self: len(self.rig.faults.listed()) < 2)
    @rule(data=st.data())
    def fault(self, data: Any) -> None:
        """Something breaks."""
        text = data.draw(drawn.faults(self.scene, joints=self.names()), "fault")
        try:
            self.rig.faults.insert(text)
        except FaultError as error:  # it is in already
            note(str(error))

    @precondition(lambda self: self.rig.faults.listed())
    @rule()
    def repair(self) -> None:
        """The oldest fault is repaired."""
        self.rig.faults.remove(self.rig.faults.listed()[0])

    @rule()
    def query(self) -> None:
        """The card says who it is."""
        self.card.reset_input_buffer()
        self.card.write(b"*IDN?\n")
        reply = self.card.readline()
        assert reply.startswith(b"Dryrig,") or not self._line_is_good(), f"*IDN? gave {reply!r}"

    @rule()
    def disconnect(self) -> None:
        """The program lets go of its port and opens it again."""
        self.card.close()
        self.card.open()

    def _line_is_good(self) -> bool:
        return not any("LINE" in fault or "CARD" in fault for fault in self.rig.faults.listed())

    @invariant()
    def stays_within_its_stops(self) -> None:
        """No joint is beyond a hard stop."""
        rig = self.rig.seen
        for joint, deg in zip(rig.scene.joint, rig.truth_deg(), strict=True):
            low, high = joint.stops_deg
            assert low - BEYOND_STOP_DEG <= deg <= high + BEYOND_STOP_DEG, (
                f"{joint.name} stands at {deg:.2f} {joint.unit}, its stops at {low:g} and {high:g}"
            )

    @invariant()
    def time_goes_on(self) -> None:
        """Rig time never goes back."""
        assert self.rig.time_s >= self._last_s
        self._last_s = self.rig.time_s

    def teardown(self) -> None:
        """Close the rig; the story is shown with a failure."""
        note(f"what happened:\n{self.rig.story()}")
        self.rig.close()
