"""What the controller card understands: pins, steps and counts, no degrees."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from ..errors import CardBusy
from ..sim.card import (
    ACCELERATION_LIMITS,
    DEFAULT_ACCELERATION,
    DEFAULT_RATE,
    RATE_LIMITS,
    Card,
    Edge,
)
from ..sim.clock import TICKS_PER_S
from .scpi import Channels, Command, Words
from .values import Choice, Number, Switched, joined, real
from .words_common import common

if TYPE_CHECKING:
    from .dialect import ScpiDialect

COUNT_LIMIT = 2**31 - 1

_EDGES: dict[str, Edge | None] = {"RISE": "RISE", "FALL": "FALL", "IND": "INDEX", "OFF": None}
_EDGE_NAMES = {edge: name for name, edge in _EDGES.items()}


def _each(read: Callable[[Card, int], str]) -> Callable[[ScpiDialect, list[int]], str]:
    def ask(session: ScpiDialect, axes: list[int]) -> str:
        card = session.rig.card
        return joined([read(card, axis) for axis in axes])

    return ask


def _all_still(card: Card, axes: list[int]) -> None:
    """All or none: refuse before the first axis has started."""
    for axis in axes:
        if card.moving(axis):
            raise CardBusy(f"axis {axis + 1} is moving: wait for *OPC? or ABORt it first")


def _enable(session: ScpiDialect, on: bool, axes: list[int]) -> None:
    for axis in axes:
        session.rig.card.enable(axis, on)


def _set_rate(session: ScpiDialect, steps_per_s: float, axes: list[int]) -> None:
    for axis in axes:
        session.rig.card.set_rate(axis, steps_per_s)


def _set_acceleration(session: ScpiDialect, steps_per_s2: float, axes: list[int]) -> None:
    for axis in axes:
        session.rig.card.set_acceleration(axis, steps_per_s2)


def _move(session: ScpiDialect, steps: float, axes: list[int]) -> None:
    card = session.rig.card
    _all_still(card, axes)
    for axis in axes:
        card.move(axis, int(steps))


def _run(session: ScpiDialect, sense: str, axes: list[int]) -> None:
    card = session.rig.card
    _all_still(card, axes)
    for axis in axes:
        card.run(axis, 1 if sense == "POS" else -1)


def _preset_steps(session: ScpiDialect, count: float, axes: list[int]) -> None:
    for axis in axes:
        session.rig.card.preset_steps(axis, int(count))


def _preset_count(session: ScpiDialect, count: float, axes: list[int]) -> None:
    for axis in axes:
        session.rig.card.preset_count(axis, int(count))


def _abort(session: ScpiDialect, axes: list[int]) -> None:
    for axis in axes:
        session.rig.card.abort(axis)


def _arm_halt(session: ScpiDialect, edge: str, axes: list[int]) -> None:
    for axis in axes:
        session.rig.card.arm_halt(axis, _EDGES[edge])


def _latch(card: Card, axis: int) -> str:
    latch = card.latch(axis)
    return f"{int(latch.hit)},{latch.count},{latch.step},{latch.tick / TICKS_PER_S:.7f}"


_COUNT = (Number("count", "", -COUNT_LIMIT, COUNT_LIMIT, whole=True),)
_ANY = Channels.ANY

CARD = Words(
    role="card",
    pending=lambda session: any(
        session.rig.card.moving(axis) for axis in range(session.rig.card.axes)
    ),
    events=lambda session: session.rig.card.events,
    reset=lambda session: session.rig.card.reset(),
    commands=(
        *common(
            "stops all axes, drives off, rate and acceleration "
            "as at power-up, no halt armed; counters stay"
        ),
        Command(
            "DRIVe:ENABle",
            "the ENABLE output of the drive",
            do=_enable,
            ask=_each(lambda card, axis: str(int(card.enabled(axis)))),
            takes=(Switched(),),
            channels=_ANY,
            replies="0|1",
            caution="Off lets a limp link fall: support it first. On may move a joint by up to "
            "two full steps.",
        ),
        Command(
            "STEP:RATE",
            "the rate that a motion climbs to",
            do=_set_rate,
            ask=_each(lambda card, axis: real(card.rate(axis))),
            takes=(Number("rate", "steps/s", *RATE_LIMITS, default=DEFAULT_RATE),),
            channels=_ANY,
            replies="steps/s",
        ),
        Command(
            "STEP:ACCeleration",
            "the ramp up and down",
            do=_set_acceleration,
            ask=_each(lambda card, axis: real(card.acceleration(axis))),
            takes=(
                Number(
                    "acceleration", "steps/s2", *ACCELERATION_LIMITS, default=DEFAULT_ACCELERATION
                ),
            ),
            channels=_ANY,
            replies="steps/s2",
        ),
        Command(
            "STEP:MOVE",
            "moves by so many steps from here, at once; -221 if an axis named is moving",
            do=_move,
            takes=(Number("steps", "", -COUNT_LIMIT, COUNT_LIMIT, whole=True),),
            channels=_ANY,
            caution="Moves the arm: nobody in reach, the stop circuit proved and in hand.",
        ),
        Command(
            "STEP:RUN",
            "runs until halted or aborted; -221 if an axis named is moving",
            do=_run,
            takes=(Choice("sense", ("POSitive", "NEGative")),),
            channels=_ANY,
            caution="Runs into the hard stop if nothing halts it: prove switch and sense first.",
        ),
        Command(
            "STEP:COUNt",
            "the counter of steps commanded; setting it moves nothing",
            do=_preset_steps,
            ask=_each(lambda card, axis: str(card.steps(axis))),
            takes=_COUNT,
            channels=_ANY,
            replies="steps",
        ),
        Command(
            "STEP:MOVing",
            "whether pulses are still going out",
            ask=_each(lambda card, axis: str(int(card.moving(axis)))),
            channels=_ANY,
            replies="0|1",
        ),
        Command(
            "ABORt",
            "decelerates to a stop",
            do=_abort,
            channels=_ANY,
            caution="A command on a serial line is no emergency stop.",
        ),
        Command(
            "HALT:EDGE",
            "halts an axis, decelerating, at the next such edge of its own switch input, or at "
            "the next rise of its encoder's index; one shot",
            do=_arm_halt,
            ask=_each(lambda card, axis: _EDGE_NAMES[card.halt_edge(axis)]),
            takes=(Choice("edge", ("RISE", "FALL", "INDex", "OFF")),),
            channels=_ANY,
            replies="RISE|FALL|IND|OFF",
        ),
        Command(
            "HALT:LATCh",
            "what was latched at that edge",
            ask=_each(_latch),
            channels=_ANY,
            replies="for each axis: hit 0|1,count,step,time s",
        ),
        Command(
            "ENCoder:COUNt",
            "the quadrature counter (X4)",
            do=_preset_count,
            ask=_each(lambda card, axis: str(card.count(axis))),
            takes=_COUNT,
            channels=_ANY,
            replies="counts",
        ),
        Command(
            "SWITch:LEVel",
            "the switch input: 1 = 3.3 V, pressed on a sound arm",
            ask=_each(lambda card, axis: str(card.level(axis))),
            channels=_ANY,
            replies="0|1",
        ),
    ),
)
