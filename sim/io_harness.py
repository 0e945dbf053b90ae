"""What the second card and the gripper are to the harness: their parts between its terminals."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import overload

from ..scenes import IO, GripperPart, IoPart, Scene
from .circuit import GROUND, Choice, Link
from .parts import Parts

SERVO, FIVE, ZERO = f"{IO}.SERVO", f"{IO}.5V", f"{IO}.0V"
CONTACT, OPENED, POT, LOAD = ("GRIPPER.CONTACT", "GRIPPER.OPENED", "GRIPPER.POT", "GRIPPER.LOAD")
"""Contacts of the gripper, its potentiometer, and what its servo draws."""
IDLE, MOVING, PRESSING = 0, 1, 2
"""Settings of the load."""


def io_outputs(io: IoPart) -> list[str]:
    """The outputs of the second card, by their conductors."""
    return [SERVO, *(f"{IO}.{name}" for name in io.named("DO"))]


def io_settings(scene: Scene) -> dict[str, int]:
    """Every output and contact, as it is before anything has been done."""
    names = io_outputs(scene.io) if scene.io is not None else []
    if scene.gripper is not None:
        names += [CONTACT, OPENED, POT, LOAD]
    return dict.fromkeys(names, 0)


class Slider(Sequence[Sequence[Link]]):
    """Settings of a potentiometer: its wiper on each turn of wire, counted from `low`.

    To iterate gives both ends only: every setting ties the same three nodes.
    """

    def __init__(self, low: str, wiper: str, high: str, part: GripperPart) -> None:
        self._low, self._wiper, self._high = low, wiper, high
        self._ohm, self._end_ohm, self._turns = part.pot_ohm, part.pot_end_ohm, part.pot_turns

    def __len__(self) -> int:
        return self._turns + 1

    @overload
    def __getitem__(self, at: int) -> Sequence[Link]: ...

    @overload
    def __getitem__(self, at: slice) -> Sequence[Sequence[Link]]: ...

    def __getitem__(self, at: int | slice) -> Sequence[Link] | Sequence[Sequence[Link]]:
        if isinstance(at, slice):
            return [self[n] for n in range(*at.indices(len(self)))]
        turns = range(len(self))[at]
        share = turns / self._turns
        return (
            (self._wiper, self._low, self._end_ohm + self._ohm * share),
            (self._wiper, self._high, self._end_ohm + self._ohm * (1 - share)),
        )

    def __iter__(self) -> Iterator[Sequence[Link]]:
        return iter((self[0], self[-1]))


def add_io(scene: Scene, parts: Parts, links: list[Link], choices: list[Choice]) -> None:
    """Add the second card and the gripper, if the scene has them."""
    if scene.io is None:
        return
    io = scene.io
    for name in io_outputs(io):
        pin = f"CARD.{name}"
        levels = ([(pin, GROUND, io.output_ohm)], [(pin, "RAIL.5V", io.output_ohm)])
        stuck = round(parts.parameter(pin, "stuck"))
        choices.append(Choice(name, (levels[stuck - 1],) * 2 if stuck else levels))
    for sort, ohm in (("DI", io.input_ohm), ("AI", io.analog_ohm)):
        links.extend((f"CARD.{IO}.{name}", GROUND, ohm) for name in io.named(sort))
    if scene.gripper is not None:
        _add_gripper(scene.gripper, scene.supplies.v5.volts, links, choices)


def _add_gripper(part: GripperPart, volts: float, links: list[Link], choices: list[Choice]) -> None:
    links.append((SERVO, ZERO, part.signal_ohm))
    links.append((f"{IO}.{part.lamp}", ZERO, part.lamp_ohm))
    for name, wire in ((CONTACT, part.contact), (OPENED, part.opened)):
        choices.append(Choice(name, ([], [(FIVE, f"{IO}.{wire}", part.contact_ohm)])))
    choices.append(Choice(POT, Slider(ZERO, f"{IO}.{part.pot}", FIVE, part)))
    loads = (part.idle_a, part.moving_a, part.stall_a)
    choices.append(Choice(LOAD, [[(FIVE, ZERO, volts / amps)] for amps in loads]))
