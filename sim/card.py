"""A controller card without firmware: for each axis a pulse generator, a counter, a switch input.

It knows pins, steps and counts; degrees are somebody else's business. Whatever it does applies
at the rig's present tick.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from typing import Protocol

from ..errors import CardBusy
from . import profile as profiles
from .axis import (
    DEFAULT_ACCELERATION,
    DEFAULT_RATE,
    NO_LATCH,
    Axis,
    Edge,
    Latch,
)
from .clock import ticks
from .following import Following
from .happening import KEPT, Happened, Happening
from .profile import Profile


class Plant(Protocol):
    """What the card needs of the rig around it."""

    @property
    def now(self) -> int:
        """The present tick."""

    def output(self, axis: int, pin: str, level: int) -> None:
        """Put an output pin (`DIR`, `ENA`) to a level."""

    def order_current(self, axis: int, share: float) -> None:
        """Let the drive give this share of its set current."""

    def read_counts(self, axes: Sequence[int]) -> list[int]:
        """The counters' values at this tick."""

    def count_about(self, axis: int) -> tuple[int, int] | None:
        """A counter's value to within so many counts, where that is cheap to tell."""

    def preset_count(self, axis: int, value: int) -> None:
        """Load the counter."""

    def level(self, axis: int) -> int:
        """The switch input's level."""

    def watch_index(self, axis: int, on: bool) -> None:
        """Call `Card.index` at the next rise of an index, or no more."""

    def motion_changed(self) -> None:
        """A pulse generator started, slowed or ended."""

    def at(self, tick: int, callback: Callable[[], None]) -> None:
        """Run a callback at a tick."""

    def notify(self) -> None:
        """Something happened that a program may be waiting for."""


class Card:
    """The card's side of the wire, axis numbers from 0."""

    def __init__(
        self, plant: Plant, axes: int, direction_lead_s: float = 10e-6, counter_bits: int = 32
    ) -> None:
        self._plant = plant
        self._lead = ticks(direction_lead_s)
        self.axes = axes
        self.axis = [Axis() for _ in range(axes)]
        self._enabled = [False] * axes
        self._current = [1.0] * axes
        self.events = 0
        self.happened: deque[Happening] = deque(maxlen=KEPT)
        self.following = Following(self, plant, axes, counter_bits)
        self.stop_open = self.supply_low = False
        self.stop_halts = True
        self.alive = True
        self.restarts = 0

    def enable(self, axis: int, on: bool) -> None:
        """Put the ENABLE output of an axis high (on) or low."""
        self._enabled[axis] = on
        self._plant.output(axis, "ENA", int(on))

    def enabled(self, axis: int) -> bool:
        """Whether the ENABLE output is high."""
        return self._enabled[axis]

    def set_current(self, axis: int, share: float) -> None:
        """Share of its set current that the drive of an axis gives from now on."""
        if share != self._current[axis]:
            self._current[axis] = share
            self._plant.order_current(axis, share)

    def current(self, axis: int) -> float:
        """That share."""
        return self._current[axis]

    def set_rate(self, axis: int, steps_per_s: float) -> None:
        """Rate of the moves and runs that start from now on."""
        self.axis[axis].rate = steps_per_s

    def rate(self, axis: int) -> float:
        """Steps per second."""
        return self.axis[axis].rate

    def set_acceleration(self, axis: int, steps_per_s2: float) -> None:
        """Acceleration of the moves, runs and halts that start from now on."""
        self.axis[axis].acceleration = steps_per_s2

    def acceleration(self, axis: int) -> float:
        """Steps per second squared."""
        return self.axis[axis].acceleration

    def move(self, axis: int, steps: int) -> None:
        """Start a relative move; 0 steps is no move. Raises `CardBusy` while the axis moves."""
        self._must_rest(axis)
        part = self.axis[axis]
        if steps != 0:
            now = self._plant.now
            first = now + self._lead
            profile = profiles.move(now, abs(steps), part.rate, part.acceleration, first)
            self._begin(axis, profile, 1 if steps > 0 else -1)

    def run(self, axis: int, sign: int) -> None:
        """Run until halted or aborted. Raises `CardBusy` while the axis moves."""
        self._must_rest(axis)
        part, now = self.axis[axis], self._plant.now
        profile = profiles.run(now, part.rate, part.acceleration, now + self._lead)
        self._begin(axis, profile, sign)

    def jog(self, axis: int, steps_per_s: float) -> None:
        """Run at this rate, signed, or change to it while running; 0 slows down to rest.

        Raises `CardBusy` while the axis makes a move, is coming to rest, or runs the other way.
        """
        part, now = self.axis[axis], self._plant.now
        profile = part.profile
        if steps_per_s == 0:
            self.abort(axis)
            return
        rate, sign = abs(steps_per_s), 1 if steps_per_s > 0 else -1
        if profile is None:
            first = now + self._lead
            self._begin(axis, profiles.run(now, rate, part.acceleration, first), sign)
            return
        self.must_jog(axis, steps_per_s)
        part.profile = profiles.change(profile, now, rate, part.acceleration)
        self._plant.motion_changed()

    def must_jog(self, axis: int, steps_per_s: float) -> None:
        """Raises `CardBusy` when `jog` could not do this now."""
        part = self.axis[axis]
        if part.profile is None or steps_per_s == 0:
            return
        if part.profile.total is not None:
            raise CardBusy(f"axis {axis + 1} is moving and will stop: wait for *OPC? first")
        if part.sign * steps_per_s < 0:
            raise CardBusy(f"axis {axis + 1} runs the other way: jog at 0 and wait for *OPC? first")

    def load(self, axis: int, steps: int) -> None:
        """Keep a move ready for `start_loaded`; 0 steps takes it away."""
        self.axis[axis].loaded = steps

    def start_loaded(self) -> bool:
        """Start every move kept ready, at this one tick; False when there is none.

        Raises `CardBusy`, and starts nothing, when one of their axes moves.
        """
        ready = [number for number, part in enumerate(self.axis) if part.loaded]
        for axis in ready:
            self._must_rest(axis)
        for axis in ready:
            steps, self.axis[axis].loaded = self.axis[axis].loaded, 0
            self.move(axis, steps)
        return bool(ready)

    def _must_rest(self, axis: int) -> None:
        if self.moving(axis):
            raise CardBusy(f"axis {axis + 1} is moving: wait for *OPC? or abort it first")

    def _begin(self, axis: int, profile: Profile, sign: int) -> None:
        self._plant.output(axis, "DIR", int(sign > 0))
        self.axis[axis].begin(profile, sign)
        self._watch_end(axis, profile)
        self._plant.motion_changed()
        self.following.watch()

    def _watch_end(self, axis: int, profile: Profile) -> None:
        if profile.total is None:
            return

        def ended() -> None:
            if self.axis[axis].profile is profile:
                self.axis[axis].finish(profile.end)
                self._plant.motion_changed()
                self.happen("REST", axis)

        self._plant.at(profile.end, ended)

    def abort(self, axis: int) -> None:
        """Slow down to rest."""
        part = self.axis[axis]
        part.loaded = 0
        if part.profile is None:
            return
        part.profile = profiles.stop(part.profile, self._plant.now, part.acceleration)
        self._watch_end(axis, part.profile)
        self._plant.motion_changed()

    def moving(self, axis: int) -> bool:
        """Whether the pulse generator runs."""
        return self.axis[axis].profile is not None

    def steps(self, axis: int) -> int:
        """The commanded step counter."""
        return self.axis[axis].steps(self._plant.now)

    def preset_steps(self, axis: int, value: int) -> None:
        """Load the step counter."""
        error = self.following.error_counts(axis)
        self.axis[axis].preset(self._plant.now, value)
        self.following.keep(axis, error)

    def count(self, axis: int) -> int:
        """The encoder counter."""
        return self._plant.read_counts([axis])[0]

    def preset_count(self, axis: int, value: int) -> None:
        """Load the encoder counter."""
        error = self.following.error_counts(axis)
        self._plant.preset_count(axis, value)
        self.following.keep(axis, error)

    def arm_halt(self, axis: int, edge: Edge | None) -> None:
        """Halt at the next such edge of the axis's own switch or index; None disarms."""
        part = self.axis[axis]
        if "INDEX" in (edge, part.edge):
            self._plant.watch_index(axis, edge == "INDEX")
        part.edge = edge
        if edge is not None:
            self.axis[axis].latch = NO_LATCH

    def halt_edge(self, axis: int) -> Edge | None:
        """The edge an axis waits for."""
        return self.axis[axis].edge

    def latch(self, axis: int) -> Latch:
        """What the last armed edge caught."""
        return self.axis[axis].latch

    def level(self, axis: int) -> int:
        """The switch input's level, 0 or 1."""
        return self._plant.level(axis)

    def edge(self, axis: int, level: int) -> None:
        """The switch input changed to `level` (the rig calls this at the tick of the edge)."""
        what: Edge = "RISE" if level else "FALL"
        self._note(what, axis)
        if self.axis[axis].edge == what:
            self._catch(axis)
        self._plant.notify()

    def index(self, axis: int) -> None:
        """The index input rose while it was watched (called at that tick)."""
        if self.axis[axis].edge == "INDEX":
            self._plant.watch_index(axis, False)
            self._note("INDEX", axis)
            self._catch(axis)
            self._plant.notify()

    def _catch(self, axis: int) -> None:
        part, now = self.axis[axis], self._plant.now
        part.edge = None
        part.latch = Latch(True, self.count(axis), part.steps(now), now)
        self._note("HALT", axis)
        self.halt(axis)

    def halt(self, axis: int) -> None:
        """Slow down to rest; an axis of the group takes the whole group along."""
        self.abort(axis)
        if self.axis[axis].grouped:
            for number, part in enumerate(self.axis):
                if part.grouped and number != axis:
                    self.abort(number)

    def stop_circuit(self, is_open: bool) -> None:
        """The stop input changed (the rig calls this at its tick).

        The pulses end too if `stop_halts`; what takes the power away is the circuit, not the card.
        """
        self.stop_open = is_open
        if is_open and self.stop_halts:
            for number in range(self.axes):
                self.abort(number)
        self.happen("STOP" if is_open else "CLOS", None)

    def motor_supply(self, low: bool) -> None:
        """The motor supply, as the card sees it on its rail, fell below its limit or is back."""
        self.supply_low = low
        self.happen("LOW" if low else "SUPP", None)

    def reset(self) -> None:
        """Power-up state of outputs and settings; counters stay as they are."""
        for number in range(self.axes):
            self.abort(number)
        self._forget()

    def restart(self, alive: bool = True) -> None:
        """Fall into reset, at once: all as at power-up, counters too; `alive` when it runs again.

        A pulse train ends between two pulses, so a joint that moves is not slowed down.
        """
        now, self.alive = self._plant.now, alive
        self.restarts += 1
        for part in self.axis:
            if part.profile is not None:
                part.finish(now)
        self._forget()
        for number, part in enumerate(self.axis):
            self._plant.output(number, "DIR", 0)
            part.preset(now, 0)
            self._plant.preset_count(number, 0)
        self._plant.motion_changed()
        self.happen("BOOT", None)

    def _forget(self) -> None:
        """Drives off, settings as at power-up, nothing armed, loaded or watched."""
        for number, part in enumerate(self.axis):
            self.enable(number, False)
            self.set_current(number, 1.0)
            part.rate, part.acceleration = DEFAULT_RATE, DEFAULT_ACCELERATION
            self.arm_halt(number, None)
            part.latch = NO_LATCH
            part.grouped, part.loaded = False, 0
        self.following.reset()
        self.stop_halts = True

    def happen(self, what: Happened, axis: int | None) -> None:
        """Note an event, and tell whoever waits."""
        self._note(what, axis)
        self._plant.notify()

    def _note(self, what: Happened, axis: int | None) -> None:
        self.events += 1
        self.happened.append(Happening(self.events, what, axis, self._plant.now))
