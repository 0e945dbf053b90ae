"""What a Modbus client can read and write, declared once; README's table is made from it.

Addresses are those on the wire, from 0. The value of axis `a` (1, 2, ...) stands at `base + a`,
one of 32 bits at `base + 2a` and the address after it, high word first.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

from ..sim.axis import ACCELERATION_LIMITS, RATE_LIMITS, Edge
from ..sim.card import Card
from ..sim.clock import TICKS_PER_S

if TYPE_CHECKING:
    from .modbus import ModbusDialect

COUNT_LIMIT = 2**31 - 1
_EDGES: tuple[Edge | None, ...] = (None, "RISE", "FALL", "INDEX")
_MOVES = "Moves the arm: nobody in reach, the stop circuit proved and in hand."
_RUNS = "Runs into the hard stop if nothing halts it: prove switch and sense first."


class Table(Enum):
    """The four tables of the Modbus data model, with the functions that reach them."""

    COIL = "coil (01, 05, 0F)"
    DISCRETE = "discrete input (02)"
    HOLDING = "holding register (03, 06, 10)"
    INPUT = "input register (04)"


@dataclass(frozen=True)
class Entry:
    """ONE declaration: where it stands, what it is, how it is read and written.

    `read` and `write` get the dialect and the axis from 0 (0 where `each` is off); `low` and
    `high` bound what can be written. With `at_rest` a write other than 0 is refused while the
    axis moves. `words` is 2 for a value of 32 bits.
    """

    table: Table
    base: int
    name: str
    help: str
    read: Callable[[ModbusDialect, int], int]
    write: Callable[[ModbusDialect, int, int], None] | None = None
    low: int = 0
    high: int = 1
    unit: str = ""
    words: int = 1
    each: bool = True
    at_rest: bool = False
    caution: str = ""

    def address(self, axis: int) -> int:
        """Where the value of an axis (from 0) begins."""
        return self.base + self.words * (axis + 1) if self.each else self.base

    @property
    def places(self) -> str:
        """The same for a reader: `100 + 2a`."""
        if not self.each:
            return str(self.base)
        return f"{self.base} + {'2a' if self.words == 2 else 'a'}"


def _zero(_dialect: ModbusDialect, _axis: int) -> int:
    return 0


def _on(action: Callable[[ModbusDialect, int], None]) -> Callable[[ModbusDialect, int, int], None]:
    """A coil that acts when 1 is written and takes no notice of a 0."""

    def write(dialect: ModbusDialect, axis: int, value: int) -> None:
        if value:
            action(dialect, axis)

    return write


def _set_distance(dialect: ModbusDialect, axis: int, steps: int) -> None:
    dialect.distance[axis] = steps


def _nanoseconds(tick: int) -> int:
    return round(tick % TICKS_PER_S * 1e9 / TICKS_PER_S)


def _any_moving(dialect: ModbusDialect, _axis: int) -> int:
    return int(any(map(dialect.card.moving, range(dialect.card.axes))))


def _edge(card: Card, axis: int) -> int:
    return _EDGES.index(card.halt_edge(axis))


def _counter(
    base: int,
    name: str,
    help_: str,
    read: Callable[[Card, int], int],
    write: Callable[[Card, int, int], None],
) -> Entry:
    return Entry(
        Table.HOLDING,
        base,
        name,
        help_,
        lambda dialect, axis: read(dialect.card, axis),
        lambda dialect, axis, value: write(dialect.card, axis, value),
        low=-COUNT_LIMIT,
        high=COUNT_LIMIT,
        words=2,
    )


def _latched(base: int, name: str, help_: str, unit: str, read: Callable[..., int]) -> Entry:
    return Entry(
        Table.INPUT,
        base,
        name,
        help_,
        lambda dialect, axis: read(dialect.card.latch(axis)),
        unit=unit,
        words=2,
    )


ENTRIES: tuple[Entry, ...] = (
    Entry(
        Table.COIL,
        0,
        "reset",
        "1 stops all axes, drives off, rate and acceleration as at power-up, no halt armed; "
        "counters stay; reads 0",
        _zero,
        _on(lambda dialect, _axis: dialect.reset()),
        each=False,
        caution="A drive that is off lets a limp link fall: support it first.",
    ),
    Entry(
        Table.COIL,
        100,
        "enable",
        "the ENABLE output of the drive",
        lambda dialect, axis: int(dialect.card.enabled(axis)),
        lambda dialect, axis, value: dialect.card.enable(axis, bool(value)),
        caution="Off lets a limp link fall: support it first. On may move a joint by up to two "
        "full steps.",
    ),
    Entry(
        Table.COIL,
        200,
        "move",
        "1 moves by the distance; reads 0",
        _zero,
        _on(lambda dialect, axis: dialect.card.move(axis, dialect.distance[axis])),
        at_rest=True,
        caution=_MOVES,
    ),
    Entry(
        Table.COIL,
        300,
        "run positive",
        "1 runs until halted or aborted; reads 0",
        _zero,
        _on(lambda dialect, axis: dialect.card.run(axis, 1)),
        at_rest=True,
        caution=_RUNS,
    ),
    Entry(
        Table.COIL,
        400,
        "run negative",
        "1 runs until halted or aborted; reads 0",
        _zero,
        _on(lambda dialect, axis: dialect.card.run(axis, -1)),
        at_rest=True,
        caution=_RUNS,
    ),
    Entry(
        Table.COIL,
        500,
        "abort",
        "1 decelerates to a stop; reads 0",
        _zero,
        _on(lambda dialect, axis: dialect.card.abort(axis)),
        caution="A bit on a serial line is no emergency stop.",
    ),
    Entry(Table.DISCRETE, 0, "any moving", "whether any axis moves", _any_moving, each=False),
    Entry(
        Table.DISCRETE,
        100,
        "switch",
        "the switch input: 1 = 3.3 V, pressed on a sound arm",
        lambda dialect, axis: dialect.card.level(axis),
    ),
    Entry(
        Table.DISCRETE,
        200,
        "moving",
        "whether pulses are still going out",
        lambda dialect, axis: int(dialect.card.moving(axis)),
    ),
    Entry(
        Table.DISCRETE,
        300,
        "latched",
        "whether the edge that the axis was armed for has come",
        lambda dialect, axis: int(dialect.card.latch(axis).hit),
    ),
    Entry(
        Table.HOLDING,
        100,
        "rate",
        "the rate that a motion climbs to",
        lambda dialect, axis: round(dialect.card.rate(axis)),
        lambda dialect, axis, value: dialect.card.set_rate(axis, float(value)),
        low=int(RATE_LIMITS[0]),
        high=int(RATE_LIMITS[1]),
        unit="steps/s",
        words=2,
    ),
    Entry(
        Table.HOLDING,
        200,
        "acceleration",
        "the ramp up and down",
        lambda dialect, axis: round(dialect.card.acceleration(axis)),
        lambda dialect, axis, value: dialect.card.set_acceleration(axis, float(value)),
        low=int(ACCELERATION_LIMITS[0]),
        high=int(ACCELERATION_LIMITS[1]),
        unit="steps/s2",
        words=2,
    ),
    Entry(
        Table.HOLDING,
        300,
        "distance",
        "what the coil `move` moves by, from where the axis is; 0 at power-up",
        lambda dialect, axis: dialect.distance[axis],
        _set_distance,
        low=-COUNT_LIMIT,
        high=COUNT_LIMIT,
        unit="steps",
        words=2,
    ),
    _counter(
        400,
        "steps",
        "the counter of steps commanded; setting it moves nothing",
        lambda card, axis: card.steps(axis),
        lambda card, axis, value: card.preset_steps(axis, value),
    ),
    _counter(
        500,
        "counts",
        "the quadrature counter (X4)",
        lambda card, axis: card.count(axis),
        lambda card, axis, value: card.preset_count(axis, value),
    ),
    Entry(
        Table.HOLDING,
        600,
        "halt edge",
        "halts the axis, decelerating, at the next edge of its own switch input (1 rise, 2 fall) "
        "or the next rise of its encoder's index (3); one shot; 0 is off",
        lambda dialect, axis: _edge(dialect.card, axis),
        lambda dialect, axis, value: dialect.card.arm_halt(axis, _EDGES[value]),
        high=3,
    ),
    Entry(
        Table.INPUT,
        0,
        "time, s",
        "rig time since power-up, whole seconds",
        lambda dialect, _axis: dialect.rig.now // TICKS_PER_S,
        unit="s",
        words=2,
        each=False,
    ),
    Entry(
        Table.INPUT,
        2,
        "time, ns",
        "the rest of it",
        lambda dialect, _axis: _nanoseconds(dialect.rig.now),
        unit="ns",
        words=2,
        each=False,
    ),
    Entry(
        Table.INPUT,
        4,
        "axes",
        "how many axes there are",
        lambda dialect, _axis: dialect.card.axes,
        each=False,
    ),
    _latched(100, "latched count", "the encoder at that edge", "", lambda latch: latch.count),
    _latched(200, "latched step", "the step counter at that edge", "", lambda latch: latch.step),
    _latched(
        300,
        "latched time, s",
        "rig time of that edge, whole seconds",
        "s",
        lambda latch: latch.tick // TICKS_PER_S,
    ),
    _latched(
        400, "latched time, ns", "the rest of it", "ns", lambda latch: _nanoseconds(latch.tick)
    ),
)


def modbus_reference() -> str:
    """A markdown table of everything a Modbus client can read and write."""
    lines = ["| table | address | name | what it is | range |", "|---|---|---|---|---|"]
    for entry in ENTRIES:
        caution = f" **Caution:** {entry.caution}" if entry.caution else ""
        lines.append(
            f"| {entry.table.value} | {entry.places} | {entry.name} | {entry.help}{caution} "
            f"| {_range(entry)} |"
        )
    return "\n".join(lines) + "\n"


def _range(entry: Entry) -> str:
    if entry.table in (Table.COIL, Table.DISCRETE):
        return ""
    written = f"{entry.low} to {entry.high} {entry.unit}" if entry.write else entry.unit
    return written.strip()
