"""A two-finger gripper: a model servo, the gap between its fingers, an object between them.

The servo follows what reaches its signal pin while it has supply, and is limp without. The gap
moves at one speed until it is where the pulse asks, or until the object gives as much force as the
servo has (force = stiffness x compression), or up to a bad spot on the slides. All in closed form
over rig time: events come at the first whole pulse after a change, where contacts operate, and
where the fingers come to rest.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

from ..errors import NoRoom
from ..scenes import IO, GripperPart
from .clock import TICKS_PER_S, ticks
from .gauges import to_digit
from .individual import drawn
from .io_harness import CONTACT, FIVE, IDLE, LOAD, MOVING, OPENED, POT, PRESSING, SERVO, ZERO

if TYPE_CHECKING:
    from .io_card import IoCard
    from .parts import Parts
    from .rig import Rig

_SAME_MM = 1e-9
JAM_MM = 0.2
"""How long a bad spot on the fingers' slides is: a chip, a burr; assumed."""
PART = f"{IO}.GRIPPER"
"""What faults of its mechanics call it."""
Path = tuple[int, float, int, float]
"""From a tick and a gap (mm) evenly to another tick and gap."""


class Gripper:
    """Gaps and widths in mm, forces in N."""

    def __init__(self, rig: Rig, card: IoCard, part: GripperPart) -> None:
        self._rig, self._card, self._part = rig, card, part
        start = part.stroke_mm * drawn(rig.seed, "gripper.gap").uniform(0.3, 0.9)
        self.path: Path = (0, start, 0, start)
        self.object_mm = 0.0
        self._heard: int | None = None
        self._fed = self._signal = False
        self._awake = 0
        self._listening = self._motion = 0
        self._jam = (0.0, 0.0)  # N, and mm at its middle
        self._fit_contacts(rig.harness.set)
        self.show()

    # --- what there is to see and to feel --------------------------------------------------

    def gap_mm(self) -> float:
        """The gap between the fingers now."""
        begin, first, end, last = self.path
        now = self._rig.now
        if now >= end:
            return last
        return first + (last - first) * (now - begin) / (end - begin)

    def force_n(self) -> float:
        """What the fingers press on the object with."""
        return max(0.0, self.object_mm - self.gap_mm()) * self._part.object_n_per_mm

    @property
    def limp(self) -> bool:
        """Whether the servo holds nothing: no supply, or no pulses."""
        return self._heard is None

    def rule_mm(self) -> float:
        """The gap as a rule shows it, to whole millimetres."""
        return to_digit(1.0, self.gap_mm())

    def lamp_lit(self) -> bool:
        """Whether the lamp at the gripper is bright enough to be seen."""
        lamp = f"{IO}.{self._part.lamp}"
        return self._across(lamp, ZERO) / self._part.lamp_ohm >= self._part.lamp_min_a

    def put_object(self, width_mm: float) -> None:
        """Put an object between the fingers, or take it out (0).

        Raises `NoRoom` when it is wider than the gap.
        """
        if width_mm > self.gap_mm():
            raise NoRoom(
                f"an object of {width_mm:g} mm does not fit: the fingers are "
                f"{self.rule_mm():g} mm apart; open them first"
            )
        self.object_mm = width_mm
        self._move()

    def show(self) -> None:
        """Bring the potentiometer's wiper to where the fingers are."""
        share = min(max(self.gap_mm() / self._part.stroke_mm, 0.0), 1.0)
        self._rig.harness.set(POT, round(share * self._part.pot_turns))

    def fit(self, parts: Parts) -> None:
        """Take other parts: a bad spot on the slides may have come or gone."""
        jam = (parts.parameter(PART, "jam_n"), parts.parameter(PART, "jam_mm"))
        if jam != self._jam:
            self._jam = jam
            self._move()

    # --- the servo -------------------------------------------------------------------------

    def refresh(self) -> None:
        """The circuit around the servo may have changed."""
        part, harness = self._part, self._rig.harness
        fed = self._across(FIVE, ZERO) >= part.supply_min_v
        low_v = self._across(SERVO, ZERO)
        harness.settings[SERVO] = 1
        signal = low_v <= part.signal_low_v and self._across(SERVO, ZERO) >= part.signal_high_v
        harness.settings[SERVO] = 0
        if (fed, signal) == (self._fed, self._signal):
            return
        if fed and not self._fed:
            self._awake = self._rig.now + ticks(part.start_s)
        self._fed, self._signal = fed, signal
        # Not in the middle of a change of the circuit: what the servo draws changes with it.
        self._rig.at(self._rig.now, self.listen)

    def _across(self, one: str, other: str) -> float:
        harness = self._rig.harness
        return harness.look(one).volt(one) - harness.look(other).volt(other)

    def listen(self) -> None:
        """Pulses, signal or supply changed: heed the next whole pulse, or miss it."""
        self._listening += 1
        turn, now = self._listening, self._rig.now
        if not self._fed:
            self._follow(None)
            return
        coming = self._card.pulses.next_end(max(now, self._awake)) if self._signal else None

        def heed() -> None:
            if turn == self._listening:
                self._follow(None if coming is None else coming[1])
                if not self._card.pulses.settled(self._rig.now):
                    self.listen()

        if coming is not None:
            self._rig.at(coming[0], heed)
        elif self._heard is not None:
            self._rig.at(now + ticks(self._part.lost_s), heed)

    def _follow(self, width: int | None) -> None:
        if width is not None and self._heard is not None:
            if abs(width - self._heard) <= self._part.dead_band_s * TICKS_PER_S:
                return
        elif width == self._heard:
            return
        self._heard = width
        self._move()

    # --- the fingers -----------------------------------------------------------------------

    def _asked_mm(self) -> float:
        """The gap that the servo's pulses ask for, beyond its stops too."""
        assert self._heard is not None
        closed, opened = self._part.pulse_s
        return self._part.stroke_mm * (self._heard / TICKS_PER_S - closed) / (opened - closed)

    def _target_mm(self, gap: float) -> float:
        """Where the fingers come to rest."""
        part = self._part
        if self._heard is not None and self._jam[0] >= part.force_n:
            return self._held_up_mm(gap, self._free_mm(gap))
        return self._free_mm(gap)

    def _held_up_mm(self, gap: float, target: float) -> float:
        """How far towards a target the fingers get, when they cannot pass the bad spot."""
        low, high = self._jam[1] - JAM_MM / 2, self._jam[1] + JAM_MM / 2
        if gap >= high - _SAME_MM:
            return max(target, high)
        if gap <= low + _SAME_MM:
            return min(target, low)
        return gap

    def _free_mm(self, gap: float) -> float:
        part = self._part
        squeezed = self.object_mm - part.force_n / part.object_n_per_mm
        if self._heard is None:
            # An object that is squeezed pushes limp fingers apart until friction holds them.
            return max(gap, self.object_mm - part.friction_n / part.object_n_per_mm)
        return min(max(self._asked_mm(), squeezed, 0.0), part.stroke_mm)

    def _move(self) -> None:
        """Set out for where servo and object want the fingers."""
        self._motion += 1
        now, gap = self._rig.now, self.gap_mm()
        target = self._target_mm(gap)
        way = target - gap
        if abs(way) < _SAME_MM:
            self.path = (now, gap, now, gap)
            self._arrive(self._motion)
            return
        turn, speed = self._motion, self._part.speed_mm_s
        end = now + max(ticks(abs(way) / speed), 1)
        self.path = (now, gap, end, target)
        self.show()
        self._rig.trace.gripped()
        self._operate(turn)
        self._rig.wired.set_contact(LOAD, MOVING if self._heard is not None else IDLE)
        for edge in self._contact_edges():
            if 0 < (edge - gap) * math.copysign(1, way) < abs(way):
                self._rig.at(now + ticks(abs(edge - gap) / speed) + 1, lambda: self._operate(turn))
        self._rig.at(end, lambda: self._arrive(turn))

    def _arrive(self, turn: int) -> None:
        if turn != self._motion:
            return
        self.show()
        self._rig.trace.gripped()
        self._operate(turn)
        pressing = False
        if self._heard is not None:
            pressing = abs(self._asked_mm() - self.path[3]) > _SAME_MM
        self._rig.wired.set_contact(LOAD, PRESSING if pressing else IDLE)

    def _contact_edges(self) -> tuple[float, float]:
        """Gaps at which the pad's contact and the one for open fingers operate."""
        part = self._part
        return self.object_mm - part.contact_n / part.object_n_per_mm, part.opened_mm

    def _operate(self, turn: int) -> None:
        if turn == self._motion:
            self._fit_contacts(self._rig.wired.set_contact)

    def _fit_contacts(self, put: Callable[[str, int], object]) -> None:
        gap = self.gap_mm()
        pressed, opened = self._contact_edges()
        put(CONTACT, int(self.object_mm > 0 and gap <= pressed + _SAME_MM))
        put(OPENED, int(gap >= opened - _SAME_MM))
