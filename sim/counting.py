"""Encoders to counters: which discs reach which inputs, what the pins do, and where the index is.

Inputs that charge slowly are followed quarter cycle by quarter cycle in time; all others by whole
cycles. While the card waits for an index, the motion is told between which angles none can come.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from .clock import NEVER, TICKS_PER_S
from .disc import STATES, TWO_PI, Disc
from .encoder import HOLD, Counter, Drives, Pins
from .harness import input_pins
from .motion import MOST_LAG_RAD
from .parts import Parts
from .pick_up import pick_up
from .pins import InputPin
from .pose import Wait
from .settling import Settling

if TYPE_CHECKING:
    from .rig import Rig

Places = tuple[Sequence[float], Sequence[float]]
_SETTLED = 8  # quarter cycles after which pins that hold repeat


class Counting:
    """All encoder inputs of a rig.

    `flipped(number, channel, level)` is told when a floating pin changed by itself.
    """

    def __init__(self, rig: Rig, flipped: Callable[[int, int, int], None]) -> None:
        self._rig, self._flipped = rig, flipped
        self._names = [joint.name for joint in rig.scene.joint]
        self._on_motor = [joint.encoder.mount == "motor" for joint in rig.scene.joint]
        self.discs = [self._disc(number, 0) for number in range(len(self._names))]
        shown = self.shown((rig.motion.position, rig.motion.shaft))
        self.counters = [Counter(number, quarter) for number, quarter in enumerate(shown)]
        self._watched: set[int] = set()
        self._slow: set[int] = set()
        self._behind = False  # the pose
        self._turned = 0
        self._from: list[float] = []
        self._rate: list[float] = []
        self._bits = [rig.scene.card.counter_bits] * len(self._names)

    def _disc(self, number: int, lines: float, index_turn: float = math.inf) -> Disc:
        own, joint = self._rig.individual, self._rig.scene.joint[number]
        counts, phase = joint.encoder.counts, own.encoder_phase[number]
        index = own.encoder_index[number]
        if math.isfinite(index_turn):
            at = joint.to_si(own.switch_deg[number])
            if self._on_motor[number]:
                at = own.rotor_phase_rad[number] + at * joint.direction * joint.ratio
            index = round((at / TWO_PI + index_turn) * counts + phase)
            index -= (index - own.encoder_index[number]) % 4
        return Disc(counts, phase, index % counts, lines)

    def fit(self, parts: Parts) -> None:
        """Take the parts' parameters; counters must have come up to now."""
        for number, name in enumerate(self._names):
            part = f"{name}.ENC"
            lines, turn = parts.parameter(part, "lines"), parts.parameter(part, "index_turn")
            self.discs[number] = self._disc(number, lines, turn)
            bits = round(parts.parameter(f"{name}.COUNTER", "bits"))
            self._bits[number] = bits or self._rig.scene.card.counter_bits

    def by_setting(self) -> dict[str, Disc]:
        """The discs by the names of their contacts' settings (`J1.ENC`)."""
        return {f"{name}.ENC": disc for name, disc in zip(self._names, self.discs, strict=True)}

    # --- discs -----------------------------------------------------------------------------

    def _angles(self, places: Places) -> list[float]:
        position, shaft = places
        motion = self._rig.motion
        return [
            motion.motor_rad(number, shaft[number]) if on_motor else position[number]
            for number, on_motor in enumerate(self._on_motor)
        ]

    def shown(self, places: Places) -> list[int]:
        """The quarter cycle every disc shows, for joint angles and shafts in rad."""
        return [self._shows(number, places) for number in range(len(self.discs))]

    def _shows(self, number: int, places: Places) -> int:
        position, shaft = places
        on_motor = self._on_motor[number]
        angle = self._rig.motion.motor_rad(number, shaft[number]) if on_motor else position[number]
        return self.discs[number].quarter(angle)

    def moved(self) -> None:
        """The pose was committed. Counters for which the way there makes no difference wait."""
        self._behind = True
        if self._watched or self._slow or not all(counter.plain for counter in self.counters):
            self.turn()

    def turn(self) -> None:
        """Let every counter follow its discs to the pose."""
        self._behind = False
        motion = self._rig.motion
        places = (motion.position, motion.shaft)
        shown = self.shown(places)
        for number, counter in enumerate(self.counters):
            if number in self._slow:
                counter.turn_slowly(self._passed(counter, places, motion.tick), motion.tick)
            else:
                counter.turn_to([shown[disc] for disc in counter.discs])
        if self._slow:
            self._begin_stretch(places, motion.tick)
        if self._watched:
            self._look_for_index()

    def _begin_stretch(self, places: Places, tick: int) -> None:
        self._turned, self._rate = tick, self._rates(tick)
        self._from = [
            disc.place(angle) for disc, angle in zip(self.discs, self._angles(places), strict=True)
        ]

    def _rates(self, tick: int) -> list[float]:
        """How fast fields would turn the discs, quarter cycles a second."""
        rates = []
        for number, (drive, gear) in enumerate(zip(self._rig.drives, self._rig.gears, strict=True)):
            rate = drive.field(tick)[1] if drive.energised else 0.0
            rate *= 1.0 if self._on_motor[number] else gear.to_joint
            rates.append(rate / TWO_PI * self.discs[number].counts)
        return rates

    def _passed(self, counter: Counter, places: Places, now: int) -> list[tuple[int, int, int]]:
        """Quarter cycles passed since the last turn: (tick, which disc, quarter cycle)."""
        angles, rates = self._angles(places), self._rates(now)
        length = now - self._turned
        found = []
        for which, number in enumerate(counter.discs):
            disc, start = self.discs[number], self._from[number]
            change = 0.0 if self._rig.motion.engine else rates[number] - self._rate[number]
            bend = 0.5 * change * length / TICKS_PER_S
            for share, quarter in disc.passed(start, disc.place(angles[number]), bend):
                found.append((self._turned + math.ceil(share * length), which, quarter))
        return sorted(found)

    # --- counts ----------------------------------------------------------------------------

    def read(self, numbers: Sequence[int]) -> list[int]:
        """These counters now, each as wide as it is (two's complement)."""
        rig = self._rig
        places = rig.motion.places(rig.now)
        counts = []
        for number in numbers:
            counter = self.counters[number]
            if number in self._slow:
                count = counter.count_slowly(self._passed(counter, places, rig.now), rig.now)
            else:
                count = counter.count_at([self._shows(disc, places) for disc in counter.discs])
            half = 1 << self._bits[number] - 1
            counts.append((count + half) % (2 * half) - half)
        return counts

    def about(self, number: int) -> tuple[int, int] | None:
        """A counter now to within so many counts, cheaply; None where only `read` tells.

        While a rotor follows its field it lags by no more than `MOST_LAG_RAD`, electrically, so
        that nothing needs to be asked of the mechanics.
        """
        rig, counter = self._rig, self.counters[number]
        source = counter.discs[0]
        if not (counter.plain and self._on_motor[source]) or number in self._slow:
            return None
        field = rig.motion.field(source, rig.now)
        if field is None:
            return None
        disc, motor_rad = self.discs[source], rig.motion.motor_rad(source, field)
        slack = math.ceil(disc.counts / TWO_PI * MOST_LAG_RAD / rig.drives[source].teeth) + 1
        return counter.count_at([disc.quarter(motor_rad)]), slack

    # --- inputs ----------------------------------------------------------------------------

    def show(self) -> list[int]:
        """Put every encoder's contacts as its disc stands now; the quarter cycle of each disc."""
        rig = self._rig
        shown = self.shown(rig.motion.places(rig.now))
        for name, disc, quarter in zip(self._names, self.discs, shown, strict=True):
            rig.harness.settings[f"{name}.ENC"] = disc.state(quarter)
        return shown

    def refit(self, number: int) -> None:
        """Find which discs reach a counter's pins and what the pins do in each of their states."""
        if self._behind:
            self.turn()
        rig, counter = self._rig, self.counters[number]
        harness, now = rig.harness, rig.now
        places = rig.motion.places(now)
        shown = self.show()
        pins = input_pins(self._names[number])[1:]
        counter.settle(now)
        sources = self._sources(number, pins)
        readings = self._readings(sources, pins)
        present = tuple(self.discs[source].state(shown[source]) for source in sources)
        for source, state in zip(sources, present, strict=True):
            harness.settings[f"{self._names[source]}.ENC"] = state
        slow: dict[int, tuple[Settling, Drives]] = {}
        table: dict[tuple[int, ...], Pins] = {}
        levels = (*counter.levels, counter.index_level)
        for channel, name in enumerate(pins):
            pin = rig.pins[name]
            rows = {states: row[channel] for states, row in readings.items()}
            if not pin.floating:
                pin.level = levels[channel]
            volts, ohm = rows[present]
            if any(pin.slow(source) for _, source in rows.values()):
                kept = counter.slow.get(channel)
                settling = kept[0] if kept else Settling(*pin.thresholds, pin.level, volts)
                slow[channel] = (
                    settling,
                    {
                        states: (reading[0], pin.tau_ticks(reading[1]))
                        for states, reading in rows.items()
                    },
                )
            shared = pick_up(rig.pins, harness.look(name), name) if pin.floats(ohm) else None
            pin.drive(now, volts, ohm, shared)
            follow = None if channel in slow else self._follower(number, channel)
            rig.follow_pin(name, follow)
        for states, row in readings.items():
            a, b, z = (self._level(rig.pins[name], *row[c]) for c, name in enumerate(pins))
            table[states] = a, b, z
        positions = [shown[disc] for disc in sources]
        mapping = [self.discs[disc] for disc in sources]
        counter.fit(tuple(sources), table, positions, mapping, slow, now)
        self._note_slow(number, places)
        if number in self._watched:
            self._aim(number)

    def _follower(self, number: int, channel: int) -> Callable[[int], None]:
        def follow(level: int) -> None:
            self.counters[number].pin(channel, level, self._rig.now)
            self._flipped(number, channel, level)
            if channel == 2 and number in self._watched:
                self._look_for_index()

        return follow

    def _note_slow(self, number: int, places: Places) -> None:
        if self.counters[number].slow:
            self._slow.add(number)
            self._begin_stretch(places, self._rig.now)
        else:
            self._slow.discard(number)

    @staticmethod
    def _level(pin: InputPin, volts: float, ohm: float) -> int:
        low, high = pin.thresholds
        if pin.floats(ohm) or low < volts < high:
            return HOLD
        return int(volts >= high)

    def _sources(self, number: int, pins: Sequence[str]) -> list[int]:
        """Discs whose state makes any difference at these pins; its own if none does."""
        circuit = self._rig.harness.circuit
        islands = {id(circuit.island_of[pin]) for pin in pins}
        found = [
            disc
            for disc, name in enumerate(self._names)
            if id(circuit.island_of_choice.get(f"{name}.ENC")) in islands
            and self._reaches(disc, pins)
        ]
        return found or [number]

    def _reaches(self, disc: int, pins: Sequence[str]) -> bool:
        settings, name = self._rig.harness.settings, f"{self._names[disc]}.ENC"
        kept = settings[name]
        seen = {
            tuple(round(volts, 3) for volts, _ in row)
            for row in self._readings([disc], pins).values()
        }
        settings[name] = kept
        return len(seen) > 1

    def _readings(
        self, sources: Sequence[int], pins: Sequence[str]
    ) -> dict[tuple[int, ...], list[tuple[float, float]]]:
        """Volts and source resistance at pins for each combination of the discs' states."""
        harness, found = self._rig.harness, {}
        for states in itertools.product(range(STATES), repeat=len(sources)):
            for disc, state in zip(sources, states, strict=True):
                harness.settings[f"{self._names[disc]}.ENC"] = state
            solved = {id(isle): harness.look(pin) for pin, isle in self._islands(pins)}
            found[states] = [
                (solved[id(isle)].volt(pin), solved[id(isle)].source_ohm(pin))
                for pin, isle in self._islands(pins)
            ]
        return found

    def _islands(self, pins: Sequence[str]) -> list[tuple[str, object]]:
        return [(pin, self._rig.harness.circuit.island_of[pin]) for pin in pins]

    # --- index -----------------------------------------------------------------------------

    def watch_index(self, number: int, on: bool) -> None:
        """Tell the card of the next rise of a joint's index, or no more."""
        if on:
            self._rig.catch_up()
            self._watched.add(number)
        else:
            self._watched.discard(number)
        self.counters[number].watch(on)
        self.counters[number].index_rises = 0
        self._aim(number)

    def _look_for_index(self) -> None:
        for number in sorted(self._watched):
            if self.counters[number].index_rises:
                self._rig.card.index(number)
            else:
                self._aim(number)
                due = self.counters[number].due()
                if due < NEVER:
                    self._rig.at(due, lambda number=number: self._settled(number))  # type: ignore[misc]

    def _settled(self, number: int) -> None:
        """A slow input was due to change its level."""
        self._rig.catch_up()
        self.counters[number].settle(self._rig.now)
        if number in self._watched and self.counters[number].index_rises:
            self._rig.card.index(number)

    def _aim(self, number: int) -> None:
        """Tell the motion between which angles a watched counter's index cannot rise."""
        motion, counter = self._rig.motion, self.counters[number]
        if number not in self._watched:
            motion.wait(number, None)
            return
        source = counter.discs[0]
        bounds = [-math.inf, math.inf]
        fine = len(counter.discs) > 1
        if not fine:
            for end, sense in enumerate((-1, 1)):
                quarter = self._next_rise(counter, self.discs[source], sense)
                if quarter is not None:
                    bounds[end] = self.discs[source].entry_rad(quarter, sense)
        on_motor, gear = self._on_motor[source], self._rig.gears[source]
        if on_motor:
            bounds = sorted((angle - gear.phase_rad) / gear.to_motor for angle in bounds)
        motion.wait(number, Wait(source, on_motor, bounds[0], bounds[1], fine))

    @staticmethod
    def _next_rise(counter: Counter, disc: Disc, sense: int) -> int | None:
        """The next quarter cycle that comes out, in this sense, in which Z rises.

        Between one index and the next the pins repeat every cycle, so two cycles from here and
        those around the next index show it.
        """
        here, z = counter.positions[0], counter.index_level
        past = here + sense * (_SETTLED + 1)
        ahead = (disc.index - past) * sense % disc.per_turn
        around = past + sense * ahead
        ways = (
            range(here + sense, past, sense),
            range(around - sense * _SETTLED, around + sense * (_SETTLED + 1), sense),
        )
        for way in ways:
            for quarter in way:
                pin = counter.table[(disc.state(quarter),)][2]
                if pin != HOLD:
                    if pin > z and (quarter - here) * sense > 0:
                        return quarter
                    z = pin
        return None
