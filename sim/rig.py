"""The rig: one arm, its harness and its card, and the only owner of rig time.

Everything that changes the plant (bytes, hands, faults, the clock) is applied here, at a tick,
between two events. Between events nothing moves except by `Motion`'s own account.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from ..closing import Closing
from ..errors import SceneError
from ..scenes import Scene
from .base import Base
from .body import Body
from .card import Card
from .circuit import RAILS, RAILS_MOVED_V, Island
from .clearance import Clearance
from .clock import EventQueue, Timer, ticks
from .counting import Counting
from .drive import Drive
from .driving import Driving
from .encoder import Counter
from .gauges import Gauges
from .gripper import Gripper
from .hands import Hands
from .harness import STOP_INPUT, Harness, Solved, input_pins
from .individual import Individual, draw_individual, draw_scene, drawn_figures
from .io_card import IoCard
from .io_harness import SERVO
from .looked import Looked
from .meter import Meter
from .motion import Motion
from .parts import Parts
from .pick_up import pick_up
from .pins import InputPin
from .regeneration import Regeneration
from .start import check_start, find_start
from .switch import AT_REST, IN_TRANSIT, PRESSED, Switch
from .trace import Trace
from .transmission import Transmission

TOUCHING_M = 5e-4


class Rig(Closing):
    """One simulated arm on one simulated card.

    `start_pose_deg` (one angle a joint, deg) replaces the pose the seed would draw; `parts` (from
    `Parts.to_dict`) replaces the drawn conductors. Raises `ValueError` for a bad pose and
    `SceneError` for a URDF that does not fit the scene.
    """

    body = Looked[Body]()
    base = Looked[Base]()
    harness = Looked[Harness]()
    drives = Looked[list[Drive]]()
    driving = Looked[Driving]()
    gears = Looked[list[Transmission]]()
    switches = Looked[list[Switch]]()
    motion = Looked[Motion]()
    pins = Looked[dict[str, InputPin]]()
    counting = Looked[Counting]()
    counters = Looked[list[Counter]]()
    card = Looked[Card]()
    io = Looked[IoCard | None]()
    gripper = Looked[Gripper | None]()
    trace = Looked[Trace]()

    def __init__(
        self,
        scene: Scene,
        seed: int = 0,
        *,
        start_pose_deg: Sequence[float] | None = None,
        parts: dict[str, Any] | None = None,
    ) -> None:
        self.scene, self.seed, self.now = draw_scene(scene, seed), seed, 0
        self.due: Parts | None = None
        scene = self.scene
        self.individual = draw_individual(scene, seed, start_pose_deg)
        self.listeners: list[Callable[[], None]] = []
        self.trace = Trace(self)
        self.body = Body(
            scene,
            base_tilt_rad=self.individual.base_tilt_rad,
            friction_n_m=self.individual.friction_n_m,
        )
        self.base = Base(self.body, scene.gauges.hand.torque_n_m)
        self.clearance = Clearance(self.body)
        try:
            self.individual = self._place(start_pose_deg)
        except (ValueError, SceneError):
            self.body.close()
            raise
        self._queue = EventQueue()
        self.harness = Harness(scene, self.individual, seed)
        self.drives = [
            Drive(joint, holding)
            for joint, holding in zip(scene.joint, self.individual.holding_n_m, strict=True)
        ]
        self.driving = Driving(self)
        self.gears = [
            Transmission(joint, friction, phase)
            for joint, friction, phase in zip(
                scene.joint,
                self.individual.friction_n_m,
                self.individual.rotor_phase_rad,
                strict=True,
            )
        ]
        self.switches = self._make_switches()
        self.motion = Motion(
            scene,
            self.individual,
            self.body,
            self.clearance,
            self.drives,
            self.gears,
            self.switches,
            self.moved_switch,
            self._moved,
        )
        self.pins = self._make_pins()
        self._float_timers: dict[str, Timer] = {}
        self.counting = Counting(self, self._flipped)
        self.counters = self.counting.counters
        self._card_fed = True
        self._levels = [0] * len(scene.joint)
        self._in_transit = [False] * len(scene.joint)
        self.card = Card(
            self, len(scene.joint), scene.card.direction_lead_s, scene.card.counter_bits
        )
        self.io = None if scene.io is None else IoCard(self, scene.io)
        self.gripper = None
        if self.io is not None and scene.gripper is not None:
            self.gripper = Gripper(self, self.io, scene.gripper)
        self.hands = Hands(self)
        self.gauges = Gauges(self)
        self.meter = Meter(self, seed)
        self.regeneration = Regeneration(self)
        for joint, switch in enumerate(self.switches):
            self.harness.set(f"{scene.joint[joint].name}.SW", int(switch.pressed))
        self.fit(self.harness.parts)
        for counter in self.counters:
            counter.count = 0
        if parts is not None:
            self.fit(Parts.from_dict(parts))

    def _place(self, start_pose_deg: Sequence[float] | None) -> Individual:
        if start_pose_deg is not None:
            check_start(self.scene, self.clearance, start_pose_deg)
            return self.individual
        pose = find_start(self.scene, self.clearance, self.seed)
        return replace(self.individual, start_pose_deg=pose)

    def _make_switches(self) -> list[Switch]:
        return [
            Switch(
                f"{joint.name}.SW",
                self.seed,
                end_sign=joint.end_sign,
                operating_deg=self.individual.switch_deg[number],
                differential_deg=self.individual.differential_deg[number],
                repeat_deg=self.scene.switch.repeat_deg,
            )
            for number, joint in enumerate(self.scene.joint)
        ]

    def _make_pins(self) -> dict[str, InputPin]:
        card = self.scene.card
        return {
            name: InputPin(
                name,
                self.seed,
                farad=card.input_farad,
                low_v=card.input_low_v,
                high_v=card.input_high_v,
                hum_a=card.hum_a,
                hum_hz=self.scene.supplies.mains_hz,
                drift_a=card.input_wander_a,
                chopper_hz=self.scene.drive.chopper_hz,
                chopper_v=self.scene.supplies.v24.volts,
            )
            for joint in self.scene.joint
            for name in input_pins(joint.name)
        }

    def close(self) -> None:
        """Give the physics client back; the rig is of no use afterwards."""
        self.body.close()

    # --- time ------------------------------------------------------------------------------

    def at(self, tick: int, callback: Callable[[], None]) -> None:
        """Run a callback at a tick; one in the past runs at once when time next moves."""
        self._queue.at(max(tick, self.now), callback)

    def pending(self) -> bool:
        """Whether anything is going to happen by itself."""
        if self.due is not None:
            self.fit_due()
        return bool(self._queue.next_tick() < 1 << 62 or self.motion.next_tick() < 1 << 62)

    def advance(self, until: int) -> None:
        """Do everything due up to and including `until`."""
        self.run_until(lambda: False, until)

    def run_until(self, predicate: Callable[[], bool], limit: int) -> bool:
        """Advance to `limit`, or to the first event after which `predicate` holds (then True)."""
        while True:
            if predicate():
                return True
            if self.due is not None:
                self.fit_due()
            queued, moved = self._queue.next_tick(), self.motion.next_tick()
            due = min(queued, moved)
            if due > limit:
                break
            if moved <= queued:
                if not self.motion.engine:
                    self.now = moved
                self.motion.proceed(min(limit, queued))
                self.now = max(self.now, self.motion.tick)
            else:
                self.now = max(self.now, queued)
                self._queue.pop()()
        self.now = max(self.now, limit)
        return False

    def notify(self) -> None:
        """Tell whoever waits that something happened."""
        for listener in list(self.listeners):
            listener()

    # --- what the card needs ---------------------------------------------------------------

    def output(self, axis: int, pin: str, level: int) -> None:
        """Put a card output (`DIR`, `ENA`) to a level."""
        name = f"{self.scene.joint[axis].name}.{pin}"
        if self.harness.settings[name] != level:
            self.trace.edge(name, level)
            self.set_contact(name, level)

    def order_current(self, axis: int, share: float) -> None:
        """Let a drive give this share of its set current."""
        self.motion.settle(self.now)
        self.drives[axis].ordered_current = share
        self.motion.changed(self.now)

    def read_counts(self, axes: Sequence[int]) -> list[int]:
        """Joints' counters now."""
        return self.counting.read(axes)

    def count_about(self, axis: int) -> tuple[int, int] | None:
        """A joint's counter to within so many counts, where that is cheap to tell."""
        return self.counting.about(axis)

    def preset_count(self, axis: int, value: int) -> None:
        """Load a joint's counter."""
        self.counters[axis].count += value - self.read_counts([axis])[0]

    def watch_index(self, axis: int, on: bool) -> None:
        """Tell the card of a joint's next index, or no more."""
        self.counting.watch_index(axis, on)

    def level(self, axis: int) -> int:
        """A switch input's level now."""
        if self.due is not None:
            self.fit_due()
        return self._levels[axis]

    def motion_changed(self) -> None:
        """A pulse generator changed its mind."""
        self.motion.settle(self.now)
        self.trace.pulsed()
        self.driving.watch_standstill()
        self.motion.changed(self.now)

    # --- parts and contacts ----------------------------------------------------------------

    def fit_soon(self, parts: Parts) -> None:
        """Take other parts at this tick, before time moves on or anybody looks at the rig."""
        self.due = parts

    def fit_due(self) -> None:
        """Take the parts that are due, if they are other parts than those it has."""
        parts, self.due = self.due, None
        if parts is not None and parts != self.harness.parts:
            self.fit(parts)

    def fit(self, parts: Parts) -> None:
        """Take other parts: conductors, bridges, parameters. The arm stays where it is."""
        self.catch_up()
        self.body.carry(parts.parameter("TOOL", "kg"))
        self.base.fit(parts)
        self.regeneration.fit(parts)
        self.harness.fit(parts)
        for pin in self.pins.values():
            pin.fit(parts)
        self.counting.fit(parts)
        for number, drive in enumerate(self.drives):
            drive.fit(parts, self.scene.drive.standstill_current, self.now)
            self.gears[number].fit(parts, self.motion.shaft[number])
            self.switches[number].fit(parts)
        self.driving.watch_standstill()
        self._refresh_all()
        if self.gripper is not None:
            self.gripper.fit(parts)
        for number, switch in enumerate(self.switches):
            place = self.motion.positions(self.now)[number]
            switch.move_cam(self.scene.joint[number].from_si(place))
            self.moved_switch(number)
        self.motion.changed(self.now)

    def supply_changed(self) -> None:
        """The 24 V supply switch was thrown."""
        self.catch_up()
        self._refresh_all()

    def moved_switch(self, joint: int) -> None:
        """A lever moved: the contacts break now and make after their transfer time."""
        switch, name = self.switches[joint], f"{self.scene.joint[joint].name}.SW"
        wanted = PRESSED if switch.pressed else AT_REST
        now = self.harness.settings[name]
        if self._in_transit[joint] or now == wanted or switch.holds(now):
            return
        self._in_transit[joint] = True
        self.set_contact(name, IN_TRANSIT)

        def make() -> None:
            self._in_transit[joint] = False
            self.set_contact(name, PRESSED if switch.pressed else AT_REST)
            for part, again in switch.bounces():
                self.at(self.now + ticks(part), lambda: self._rattle(joint, IN_TRANSIT))
                self.at(self.now + ticks(again), lambda: self._rattle(joint, wanted))

        self.at(self.now + ticks(self.scene.switch.transfer_s), make)

    def _rattle(self, joint: int, setting: int) -> None:
        """A contact bounces, unless its lever has moved on meanwhile."""
        wanted = PRESSED if self.switches[joint].pressed else AT_REST
        if not self._in_transit[joint] and setting in (IN_TRANSIT, wanted):
            self.set_contact(f"{self.scene.joint[joint].name}.SW", setting)

    def set_contact(self, name: str, setting: int) -> None:
        """Set a contact or output, then look at everything that hangs on its island."""
        if self.harness.settings[name] == setting:
            return
        self.catch_up()
        island = self.harness.circuit.island_of_choice[name]
        if self.harness.set(name, setting) and self._rails_moved():
            self._refresh_all()
        else:
            self._refresh(island)
        self._watch_card_supply()
        self.trace.solved()

    def _watch_card_supply(self) -> None:
        """Let a card that hangs on the 5 V rail fall into reset while that is too low."""
        least_v = self.harness.parts.parameter("CARD", "reset_v")
        fed = float(self.harness.circuit.known_v[RAILS.index("RAIL.5V")]) >= least_v
        if fed != self._card_fed:
            self._card_fed = fed
            # Its outputs change with it: not in the middle of a change of the circuit.
            self.at(self.now, lambda: self.card.restart(self._card_fed))

    def _rails_moved(self) -> bool:
        return bool(abs(self.harness.circuit.known_v - self._seen_rails).max() > RAILS_MOVED_V)

    def _refresh_all(self) -> None:
        self._seen_rails = self.harness.circuit.known_v.copy()
        self.driving.fit()
        self.choppers_changed()
        for island in self.harness.circuit.islands:
            self._refresh(island)
        low = self.harness.circuit.known_v[0] < self.scene.drive.undervoltage_v
        if low != self.card.supply_low:
            self.card.motor_supply(bool(low))
        self._watch_card_supply()
        self.trace.solved()

    def _refresh(self, island: Island) -> None:
        if STOP_INPUT in island.index:
            self._follow_stop()
        pins = [pin for pin in island.nodes if pin in self.pins]
        for number, joint in enumerate(self.scene.joint):
            switch_pin, *channels = input_pins(joint.name)
            if any(channel in pins for channel in channels):
                self.counting.refit(number)
                self.trace.fitted(number)
            if switch_pin in pins:
                self._follow(number, switch_pin, self.harness.look(switch_pin))
        self._refresh_io(island)
        if island.leds or any(choice.name.endswith(".DRIVE") for choice in island.choices):
            self.driving.refresh(island)

    def _refresh_io(self, island: Island) -> None:
        if self.io is not None and self.io.concerned(island):
            self.io.refresh()
            if self.gripper is not None:
                self.gripper.refresh()

    # --- encoders and inputs ---------------------------------------------------------------

    def catch_up(self) -> None:
        """Bring joints and counters up to now, before something changes for them."""
        self.motion.settle(self.now)
        self.counting.turn()

    def _moved(self) -> None:
        """The pose was committed."""
        self.now = max(self.now, self.motion.tick)
        self.counting.moved()
        self.regeneration.moved()

    def choppers_changed(self) -> None:
        """Motors may have got current, or lost it: what their leads couple into inputs follows."""
        for number, joint in enumerate(self.scene.joint):
            chopped = self.drives[number].live
            switch_pin, *channels = input_pins(joint.name)
            told = [self.pins[channel].beside(chopped) for channel in channels]
            if any(told):
                self.counting.refit(number)
                self.trace.fitted(number)
            if self.pins[switch_pin].beside(chopped):
                self._follow(number, switch_pin, self.harness.look(switch_pin))

    def _flipped(self, number: int, channel: int, level: int) -> None:
        """A counter's floating pin crossed a threshold."""
        self.trace.flipped(number, channel, level)

    def _follow(self, number: int, name: str, solved: Solved) -> None:
        """Let a switch input follow its circuit."""
        pin = self.pins[name]
        ohm = solved.source_ohm(name)
        shared = pick_up(self.pins, solved, name) if pin.floats(ohm) else None
        pin.drive(self.now, solved.volt(name), ohm, shared)
        self.follow_pin(name, lambda level: self._switch_edge(number, level))
        self._switch_edge(number, pin.level)

    def _follow_stop(self) -> None:
        """Let the card's stop input follow its circuit; between the thresholds it stays."""
        volts = self.harness.look(STOP_INPUT).volt(STOP_INPUT)
        limit = self.scene.card.input_low_v if self.card.stop_open else self.scene.card.input_high_v
        is_open = bool(volts > limit)
        if is_open != self.card.stop_open:
            self.card.stop_circuit(is_open)

    def set_stop(self, pressed: bool) -> None:
        """A person pushes the STOP button in, or pulls it out."""
        self.catch_up()
        self.harness.press_stop(pressed)
        self._refresh_all()

    def _switch_edge(self, number: int, level: int) -> None:
        if self._levels[number] == level:
            return
        self._levels[number] = level
        self.trace.edge(f"{self.scene.joint[number].name}.SW", level)
        self.card.edge(number, level)

    def follow_pin(self, name: str, on_level: Callable[[int], None] | None) -> None:
        """Queue the next crossing of a floating or slow input, if it has one."""
        timer = self._float_timers.pop(name, None)
        if timer is not None:
            timer.cancel()
        if on_level is None:
            return
        pin = self.pins[name]
        crossing = pin.next_crossing(self.now)
        if crossing is None:
            return
        tick, level = crossing

        def cross() -> None:
            if level != pin.level:
                pin.level = level
                self.motion.settle(self.now)
                on_level(level)
            self.follow_pin(name, on_level)

        self._float_timers[name] = self._queue.at(tick, cross)

    def pulse_duty(self) -> dict[str, float]:
        """The part of the time for which each output that pulses is high: STEP, the servo's."""
        duty = {}
        for joint, axis in zip(self.scene.joint, self.card.axis, strict=True):
            rate = axis.travel(self.now)[1]
            if rate > 0:
                duty[f"{joint.name}.STEP"] = min(1.0, rate * self.scene.card.pulse_s)
        if self.io is not None and self.io.pulses.running(self.now):
            duty[SERVO] = self.io.pulses.duty(self.now)
        return duty

    def drawn(self) -> dict[str, float]:
        """Every figure that the seed drew, by name; those of a scene's spreads by their path."""
        names = [joint.name for joint in self.scene.joint]
        return self.individual.figures(names) | drawn_figures(self.scene, self.seed)

    # --- truth -----------------------------------------------------------------------------

    def angles_rad(self) -> list[float]:
        """True joint angles now."""
        return list(self.motion.positions(self.now))

    def glance_deg(self, joint: int) -> float:
        """`truth_deg` of one joint, with nothing fitted first that is due: for gates."""
        motion: Motion = self.__dict__["motion"]
        return self.scene.joint[joint].from_si(motion.positions(self.now)[joint])

    def closest(self) -> tuple[float, str] | None:
        """The least gap between links, and with the table, in m (0.5 at most), and whose it is.

        None when nothing of this arm can touch anything.
        """
        least = self.clearance.least(self.angles_rad(), in_engine=self.motion.engine)
        return None if least is None else (least[0], self.clearance.named(least[1]))

    def touching(self) -> bool:
        """Whether a link touches another, or the table."""
        least = self.closest()
        return least is not None and least[0] < TOUCHING_M

    def truth_deg(self) -> tuple[float, ...]:
        """True joint angles now, deg; mm of a linear axis."""
        places = zip(self.scene.joint, self.angles_rad(), strict=True)
        return tuple(joint.from_si(place) for joint, place in places)
