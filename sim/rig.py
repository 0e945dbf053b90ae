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
from .cable import Cable
from .card import Card
from .clearance import Clearance
from .clock import EventQueue, Timer
from .counting import Counting
from .drive import Drive
from .driving import Driving
from .encoder import Counter
from .gauges import Gauges
from .gripper import Gripper
from .hands import Hands
from .harness import Harness
from .heating import Heating
from .individual import Individual, draw_individual, draw_scene, drawn_figures
from .io_card import IoCard
from .io_harness import SERVO
from .looked import Looked
from .meter import Meter, chassis_cable
from .motion import Motion
from .netlist import CHASSIS
from .parts import Parts
from .pins import InputPin
from .regeneration import Regeneration
from .start import check_start, find_start
from .switch import Switch
from .trace import Trace
from .transmission import Transmission
from .wired import Wired, card_inputs

TOUCHING_M = 5e-4


def _never() -> bool:
    return False


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
        self.heating = Heating(self)
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
        self.wired = Wired(self)
        self.motion = Motion(
            scene,
            self.individual,
            self.body,
            self.clearance,
            self.drives,
            self.gears,
            self.switches,
            self.wired.moved_switch,
            self._moved,
        )
        self.pins = card_inputs(scene, seed)
        self.chassis = chassis_cable(scene, seed)
        self.cables: dict[str, Cable] = {**self.pins, CHASSIS: self.chassis}
        self.counting = Counting(self, self._flipped)
        self.counters = self.counting.counters
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

    def close(self) -> None:
        """Give the physics client back; the rig is of no use afterwards."""
        self.body.close()

    # --- time ------------------------------------------------------------------------------

    def at(self, tick: int, callback: Callable[[], None]) -> Timer:
        """Run a callback at a tick; one in the past runs at once when time next moves."""
        return self._queue.at(max(tick, self.now), callback)

    def pending(self) -> bool:
        """Whether anything is going to happen by itself."""
        if self.due is not None:
            self.fit_due()
        return bool(self._queue.next_tick() < 1 << 62 or self.motion.next_tick() < 1 << 62)

    def advance(self, until: int) -> None:
        """Do everything due up to and including `until`."""
        self.run_until(_never, until)

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
            self.wired.set_contact(name, level)

    def order_current(self, axis: int, share: float) -> None:
        """Let a drive give this share of its set current."""
        self.motion.settle(self.now)
        self.drives[axis].ordered_current = share
        self.heating.note()
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
        return self.wired.levels[axis]

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
        self.meter.fit(parts)
        self.harness.fit(parts)
        for pin in self.pins.values():
            pin.fit(parts)
        self.counting.fit(parts)
        for number, drive in enumerate(self.drives):
            drive.fit(parts, self.scene.drive.standstill_current, self.now)
            self.gears[number].fit(parts, self.motion.shaft[number])
            self.switches[number].fit(parts)
        self.driving.watch_standstill()
        self.wired.all_changed()
        self.heating.note()
        if self.gripper is not None:
            self.gripper.fit(parts)
        for number, switch in enumerate(self.switches):
            place = self.motion.positions(self.now)[number]
            switch.move_cam(self.scene.joint[number].from_si(place))
            self.wired.moved_switch(number)
        self.motion.changed(self.now)

    def cut_out(self, number: int, hot: bool) -> None:
        """A drive has become too hot to go on, or has cooled."""
        self.catch_up()
        self.drives[number].hot = hot
        place = f"{self.scene.joint[number].name}.OPTO0V"
        self.driving.refresh(self.harness.circuit.island_of[place])
        self.trace.solved()
        self.notify()

    def supply_changed(self) -> None:
        """The 24 V supply switch was thrown."""
        self.catch_up()
        self.wired.all_changed()

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

    def _flipped(self, number: int, channel: int, level: int) -> None:
        """A counter's floating pin crossed a threshold."""
        self.trace.flipped(number, channel, level)

    def set_stop(self, pressed: bool) -> None:
        """A person pushes the STOP button in, or pulls it out."""
        self.catch_up()
        self.harness.press_stop(pressed)
        self.wired.all_changed()

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
