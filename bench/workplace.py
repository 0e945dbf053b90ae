"""A rig in this process with a card, a pair of hands and a trace: where things are tried out."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack

from ..closing import Closing
from ..commission.arm import Arm, Joint
from ..commission.client import Card, channel_list
from ..commission.hand import PortHand
from ..commission.line import Line
from ..faults import Injector
from ..protocol.in_process import Serial
from ..sim.rig import Rig
from ..study.commissioned import address

OVERLOAD_OHM = 9e37
"""A meter on overload replies with more than this."""


class Workplace(Closing):
    """Ports of a new rig by the host side's own clients; `rig` is there for its trace only.

    `injector` is the teacher's: it puts faults in and takes them out.

    `start_deg` is the pose at the beginning, one angle a joint, or the arm's rest pose. Raises
    CommissionError, with FaultError's text when the fault cannot be put in.
    """

    def __init__(
        self, arm: Arm, seed: int, fault: str = "", start_deg: Sequence[float] | None = None
    ) -> None:
        self.arm, self._start_deg = arm, start_deg or arm.rest_pose_deg
        url = address(arm.name, seed, fault, self._start_deg)
        with ExitStack() as stack:
            self.hands = stack.enter_context(Line.open(f"{url}&port=hands", "hands"))
            self._url = url
            self.card = Card(Line.open(url, "card"))
            stack.callback(lambda: self.card.close())
            teacher = stack.enter_context(Serial(f"{url}&port=teacher"))
            self._open = stack.pop_all()
        self.hand = PortHand(self.hands)
        self.rig: Rig = teacher.station.rig
        self.injector: Injector = teacher.station.injector

    def close(self) -> None:
        """Close the ports, which ends the rig."""
        self._open.close()

    def second_card(self) -> Line:
        """A line to the second card, to be closed."""
        return Line.open(f"{self._url}&port=io", "second card")

    def reopen_card(self) -> None:
        """Close the card's port and open it again, as the next program would."""
        self.card.close()
        self.card = Card(Line.open(self._url, "card"))

    def inward(self, joint: Joint) -> int:
        """Sign of a joint's motion from where it began towards the middle of its travel."""
        return 1 if self._start_deg[joint.channel - 1] <= joint.middle_deg else -1

    def jog(self, joint: Joint, deg: float, deg_per_s: float) -> None:
        """Move one joint by so many degrees as the card believes, and wait for its end."""
        self.card.set_speed({joint.channel: joint.speed(deg_per_s)})
        self.card.move({joint.channel: joint.steps(deg)})
        self.card.until_still([joint.channel], 60.0)

    def turn(self, joint: Joint, deg: float, deg_per_s: float) -> str:
        """Turn a joint by hand; how it felt: FREE, STIFF or STOP."""
        chosen = channel_list([joint.channel])
        return self.hands.ask(f"TURN {deg:g},{deg_per_s:g},{chosen}", "*OPC?", f"FEEL? {chosen}")[1]

    def main_supply(self, on: bool) -> None:
        """The switch of all three supplies."""
        self.hands.ask(f"SUPP:MAIN {'ON' if on else 'OFF'}")

    def ohms(self, red: str, black: str) -> float:
        """One reading with the power off, ohms; more than OVERLOAD_OHM on overload."""
        return self.hands.numbers(f'MEAS:RES? "{red}","{black}"', 1)[0]
