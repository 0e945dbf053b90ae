"""The second card: digital inputs and outputs, analog inputs and one servo output.

It knows volts at its own pins and nothing of what hangs on them. Numbers from 0.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..scenes import IO, IoPart
from .circuit import Island
from .clock import ticks
from .io_harness import SERVO
from .servo_pulses import ServoPulses

if TYPE_CHECKING:
    from .rig import Rig

WIDTH_LIMITS_S = (0.5e-3, 2.5e-3)
DEFAULT_WIDTH_S = 1.5e-3


class IoCard:
    """`events` counts what a program may wait for: edges of the digital inputs."""

    def __init__(self, rig: Rig, io: IoPart) -> None:
        self._rig, self._io = rig, io
        self.inputs = [f"{IO}.{name}" for name in io.named("DI")]
        self.outputs = [f"{IO}.{name}" for name in io.named("DO")]
        self.analogs = [f"{IO}.{name}" for name in io.named("AI")]
        self._pins = {f"CARD.{name}" for name in (*self.inputs, SERVO)} | {
            f"{IO}.{name}" for name in io.wires
        }
        self._levels = [0] * len(self.inputs)
        self._width_s, self._servo_on = DEFAULT_WIDTH_S, False
        self.pulses = ServoPulses()
        self.events = 0

    # --- outputs ---------------------------------------------------------------------------

    def set_output(self, number: int, on: bool) -> None:
        """Put a digital output to a level."""
        self._rig.wired.set_contact(self.outputs[number], int(on))
        self._rig.trace.edge(self.outputs[number], int(on))

    def output(self, number: int) -> bool:
        """What a digital output was put to."""
        return bool(self._rig.harness.settings[self.outputs[number]])

    @property
    def width_s(self) -> float:
        """Width of the servo's pulses."""
        return self._width_s

    @property
    def servo_on(self) -> bool:
        """Whether the servo output gives pulses."""
        return self._servo_on

    def set_width(self, width_s: float) -> None:
        """Another width, from the next frame on."""
        self._width_s = width_s
        self._change_pulses()

    def set_servo(self, on: bool) -> None:
        """Begin or end the pulse train."""
        self._servo_on = on
        self._change_pulses()

    def _change_pulses(self) -> None:
        self.pulses.change(self._rig.now, ticks(self._width_s) if self._servo_on else 0)
        if self._rig.gripper is not None:
            self._rig.gripper.listen()

    def reset(self) -> None:
        """Outputs off, no pulses, width as at power-up."""
        for number in range(len(self.outputs)):
            self.set_output(number, False)
        self._width_s = DEFAULT_WIDTH_S
        self.set_servo(False)

    # --- inputs ----------------------------------------------------------------------------

    def concerned(self, island: Island) -> bool:
        """Whether any of the pins or the cable's ends lie in an island."""
        return not self._pins.isdisjoint(island.index)

    def refresh(self) -> None:
        """The circuit around an input may have changed."""
        for number, name in enumerate(self.inputs):
            level = self._read(number)
            if level != self._levels[number]:
                self._levels[number] = level
                self._rig.trace.edge(name, level)
                self.events += 1
                self._rig.notify()

    def level(self, number: int) -> int:
        """A digital input's level now."""
        if self._rig.gripper is not None:
            self._rig.gripper.show()
        self.refresh()
        return self._levels[number]

    def _read(self, number: int) -> int:
        """Level by the volts now; undecided volts leave it as the other half of a pulse had it."""
        pin, now = f"CARD.{self.inputs[number]}", self._rig.now
        parts = self._rig.harness.parts
        stuck = round(parts.parameter(pin, "stuck"))
        if stuck:
            return stuck - 1
        shift_v = parts.parameter(pin, "shift_v")
        halves: tuple[bool, ...] = (False,)
        if self.pulses.running(now):
            halves = (True, False) if self.pulses.high(now) else (False, True)
        for high in halves:
            volts = self._volts(pin, high)
            if volts >= self._io.input_high_v + shift_v:
                return 1
            if volts <= self._io.input_low_v + shift_v:
                return 0
        return self._levels[number]

    def _volts(self, pin: str, high: bool) -> float:
        """Volts at a pin while the servo output is low or high."""
        harness = self._rig.harness
        harness.settings[SERVO] = int(high)
        volts = harness.look(pin).volt(pin)
        harness.settings[SERVO] = 0
        return volts

    def analog_v(self, number: int) -> float:
        """An analog input, averaged over a frame of the servo's pulses, in whole steps."""
        rig, pin = self._rig, f"CARD.{self.analogs[number]}"
        if rig.gripper is not None:
            rig.gripper.show()
        low_v, duty = self._volts(pin, False), self.pulses.duty(rig.now)
        volts = low_v + duty * (self._volts(pin, True) - low_v) if duty else low_v
        step_v = self._io.analog_full_v / (1 << self._io.analog_bits)
        most = (1 << self._io.analog_bits) - 1
        return min(max(round(volts / step_v), 0), most) * step_v
