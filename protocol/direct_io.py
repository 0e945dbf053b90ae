"""The second card of an in-process rig as Python."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from ..errors import DryrigError, nearest
from ..sim.io_card import WIDTH_LIMITS_S

if TYPE_CHECKING:
    from ..sim.io_card import IoCard
    from ..sim.rig import Rig


class DirectIo:
    """Inputs `DI1`, outputs `DO1`, analog inputs `AI1` and the servo output: `rig.io`.

    It knows volts at its own pins; what hangs on them is the gripper's affair.
    """

    def __init__(self, use: Callable[[], Rig], card: IoCard) -> None:
        self._use, self._card = use, card

    def __repr__(self) -> str:
        return f"<second card {self._names(self._card.inputs)} {self._names(self._card.outputs)}>"

    @property
    def inputs(self) -> dict[str, int]:
        """Levels of the digital inputs now, by name."""
        self._use()
        return {name: self._card.level(n) for n, name in enumerate(self._names(self._card.inputs))}

    @property
    def outputs(self) -> dict[str, bool]:
        """What the digital outputs are put to, by name."""
        self._use()
        return {
            name: self._card.output(n) for n, name in enumerate(self._names(self._card.outputs))
        }

    @property
    def analog_v(self) -> dict[str, float]:
        """The analog inputs, V, averaged over 20 ms, by name."""
        self._use()
        return {
            name: self._card.analog_v(n) for n, name in enumerate(self._names(self._card.analogs))
        }

    def put(self, output: str, on: bool) -> None:
        """Put a digital output to 5 V or 0 V. Raises DryrigError with the nearest name."""
        rig, names = self._use(), self._names(self._card.outputs)
        if output not in names:
            raise DryrigError(
                f"no output {output!r}: expected one of {', '.join(names)}{nearest(output, names)}"
            )
        self._card.set_output(names.index(output), on)
        rig.notify()

    @property
    def servo_on(self) -> bool:
        """Whether the servo output gives pulses, one every 20 ms; can be set."""
        self._use()
        return self._card.servo_on

    @servo_on.setter
    def servo_on(self, on: bool) -> None:
        rig = self._use()
        self._card.set_servo(on)
        rig.notify()

    @property
    def servo_width_s(self) -> float:
        """Width of the servo's pulses, s; can be set, from the next pulse on.

        Raises ValueError outside 0.5 to 2.5 ms.
        """
        self._use()
        return self._card.width_s

    @servo_width_s.setter
    def servo_width_s(self, width_s: float) -> None:
        rig, (low, high) = self._use(), WIDTH_LIMITS_S
        if not low <= width_s <= high:
            raise ValueError(f"servo width {width_s:g} s: expected {low:g} to {high:g} s")
        self._card.set_width(width_s)
        rig.notify()

    @staticmethod
    def _names(conductors: list[str]) -> list[str]:
        """`DI1` of `IO.DI1`."""
        return [name.partition(".")[2] for name in conductors]
