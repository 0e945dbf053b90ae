"""What follows a change of the circuit: levels at the card's inputs, drives, the card's own supply.

A contact, a switch of a supply or a part changes; everything that hangs on its island, or on the
rails if they moved, is looked at anew.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from ..scenes import Scene
from .circuit import RAILS, RAILS_MOVED_V, Island
from .clock import Timer, ticks
from .netlist import STOP_INPUT, input_pins
from .pick_up import pick_up
from .pins import InputPin
from .solved import Solved
from .switch import AT_REST, IN_TRANSIT, PRESSED

if TYPE_CHECKING:
    from .rig import Rig


def card_inputs(scene: Scene, seed: int) -> dict[str, InputPin]:
    """The card's inputs for encoders and switches, by pin."""
    card = scene.card
    return {
        name: InputPin(
            name,
            seed,
            farad=card.input_farad,
            low_v=card.input_low_v,
            high_v=card.input_high_v,
            hum_a=card.hum_a,
            hum_hz=scene.supplies.mains_hz,
            drift_a=card.input_wander_a,
            chopper_hz=scene.drive.chopper_hz,
            chopper_v=scene.supplies.v24.volts,
        )
        for joint in scene.joint
        for name in input_pins(joint.name)
    }


class Wired:
    """The consequences of a rig's circuit; `levels` are those of the switch inputs, by joint."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._float_timers: dict[str, Timer] = {}
        self._card_fed = True
        self.levels = [0] * len(rig.scene.joint)
        self._in_transit = [False] * len(rig.scene.joint)

    def set_contact(self, name: str, setting: int) -> None:
        """Set a contact or output, then look at everything that hangs on its island."""
        rig = self._rig
        if rig.harness.settings[name] == setting:
            return
        rig.catch_up()
        island = rig.harness.circuit.island_of_choice[name]
        if rig.harness.set(name, setting) and self._rails_moved():
            self.all_changed()
        else:
            self._refresh(island)
        self._watch_card_supply()
        rig.trace.solved()

    def moved_switch(self, joint: int) -> None:
        """A lever moved: the contacts break now and make after their transfer time."""
        rig = self._rig
        switch, name = rig.switches[joint], f"{rig.scene.joint[joint].name}.SW"
        wanted = PRESSED if switch.pressed else AT_REST
        now = rig.harness.settings[name]
        if self._in_transit[joint] or now == wanted or switch.holds(now):
            return
        self._in_transit[joint] = True
        self.set_contact(name, IN_TRANSIT)

        def make() -> None:
            rig.harness.made[name] += 1
            if rig.harness.parts.parameter(name, "film_ohm"):
                rig.fit(rig.harness.parts)
            self._in_transit[joint] = False
            self.set_contact(name, PRESSED if switch.pressed else AT_REST)
            for part, again in switch.bounces():
                rig.at(rig.now + ticks(part), lambda: self._rattle(joint, IN_TRANSIT))
                rig.at(rig.now + ticks(again), lambda: self._rattle(joint, wanted))

        rig.at(rig.now + ticks(rig.scene.switch.transfer_s), make)

    def _rattle(self, joint: int, setting: int) -> None:
        """A contact bounces, unless its lever has moved on meanwhile."""
        rig = self._rig
        wanted = PRESSED if rig.switches[joint].pressed else AT_REST
        if not self._in_transit[joint] and setting in (IN_TRANSIT, wanted):
            self.set_contact(f"{rig.scene.joint[joint].name}.SW", setting)

    def all_changed(self) -> None:
        """The rails or parts changed: look at everything."""
        rig = self._rig
        self._seen_rails = rig.harness.circuit.known_v.copy()
        rig.driving.fit()
        self.choppers_changed()
        for island in rig.harness.circuit.islands:
            self._refresh(island)
        low = rig.harness.circuit.known_v[0] < rig.scene.drive.undervoltage_v
        if low != rig.card.supply_low:
            rig.card.motor_supply(bool(low))
        self._watch_card_supply()
        rig.trace.solved()

    def _rails_moved(self) -> bool:
        rig = self._rig
        return bool(abs(rig.harness.circuit.known_v - self._seen_rails).max() > RAILS_MOVED_V)

    def _refresh(self, island: Island) -> None:
        rig = self._rig
        if STOP_INPUT in island.index:
            self._follow_stop()
        pins = [pin for pin in island.nodes if pin in rig.pins]
        for number, joint in enumerate(rig.scene.joint):
            switch_pin, *channels = input_pins(joint.name)
            if any(channel in pins for channel in channels):
                rig.counting.refit(number)
                rig.trace.fitted(number)
            if switch_pin in pins:
                self._follow(number, switch_pin, rig.harness.look(switch_pin))
        self._refresh_io(island)
        if island.leds or any(choice.name.endswith(".DRIVE") for choice in island.choices):
            rig.driving.refresh(island)

    def _refresh_io(self, island: Island) -> None:
        rig = self._rig
        if rig.io is not None and rig.io.concerned(island):
            rig.io.refresh()
            if rig.gripper is not None:
                rig.gripper.refresh()

    def _watch_card_supply(self) -> None:
        """Let a card that hangs on the 5 V rail fall into reset while that is too low."""
        rig = self._rig
        least_v = rig.harness.parts.parameter("CARD", "reset_v")
        fed = float(rig.harness.circuit.known_v[RAILS.index("RAIL.5V")]) >= least_v
        if fed != self._card_fed:
            self._card_fed = fed
            # Its outputs change with it: not in the middle of a change of the circuit.
            rig.at(rig.now, lambda: rig.card.restart(self._card_fed))

    def choppers_changed(self) -> None:
        """Motors may have got current, or lost it: what their leads couple into inputs follows."""
        rig = self._rig
        for number, joint in enumerate(rig.scene.joint):
            chopped = rig.drives[number].live
            switch_pin, *channels = input_pins(joint.name)
            told = [rig.pins[channel].beside(chopped) for channel in channels]
            if any(told):
                rig.counting.refit(number)
                rig.trace.fitted(number)
            if rig.pins[switch_pin].beside(chopped):
                self._follow(number, switch_pin, rig.harness.look(switch_pin))

    def _follow(self, number: int, name: str, solved: Solved) -> None:
        """Let a switch input follow its circuit."""
        rig = self._rig
        pin = rig.pins[name]
        ohm = solved.source_ohm(name)
        shared = pick_up(rig.cables, solved, name) if pin.floats(ohm) else None
        pin.drive(rig.now, solved.volt(name), ohm, shared)
        self.follow_pin(name, lambda level: self._switch_edge(number, level))
        self._switch_edge(number, pin.level)

    def follow_pin(self, name: str, on_level: Callable[[int], None] | None) -> None:
        """Queue the next crossing of a floating or slow input, if it has one."""
        rig = self._rig
        timer = self._float_timers.pop(name, None)
        if timer is not None:
            timer.cancel()
        if on_level is None:
            return
        pin = rig.pins[name]
        crossing = pin.next_crossing(rig.now)
        if crossing is None:
            return
        tick, level = crossing

        def cross() -> None:
            if level != pin.level:
                pin.level = level
                rig.motion.settle(rig.now)
                on_level(level)
            self.follow_pin(name, on_level)

        self._float_timers[name] = rig.at(tick, cross)

    def _switch_edge(self, number: int, level: int) -> None:
        rig = self._rig
        if self.levels[number] == level:
            return
        self.levels[number] = level
        rig.trace.edge(f"{rig.scene.joint[number].name}.SW", level)
        rig.card.edge(number, level)

    def _follow_stop(self) -> None:
        """Let the card's stop input follow its circuit; between the thresholds it stays."""
        rig = self._rig
        volts = rig.harness.look(STOP_INPUT).volt(STOP_INPUT)
        limit = rig.scene.card.input_low_v if rig.card.stop_open else rig.scene.card.input_high_v
        is_open = bool(volts > limit)
        if is_open != rig.card.stop_open:
            rig.card.stop_circuit(is_open)
