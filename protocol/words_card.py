"""What the controller card understands: pins, steps and counts, no degrees."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..errors import CardBusy
from ..sim.axis import (
    ACCELERATION_LIMITS,
    CURRENT_LIMITS,
    DEFAULT_ACCELERATION,
    DEFAULT_RATE,
    RATE_LIMITS,
)
from ..sim.card import Card
from .scpi import Channels, Command, Words, each
from .status import ScpiError
from .values import Choice, Number, Switched, real
from .words_common import common
from .words_homing import (
    HOMING,
    OPERATION_BITS,
    QUESTIONABLE_BITS,
    event_lines,
    operation,
    questionable,
)

if TYPE_CHECKING:
    from .dialect import ScpiDialect

COUNT_LIMIT = 2**31 - 1


def _all_still(card: Card, axes: list[int]) -> None:
    """All or none: refuse before the first axis has started."""
    for axis in axes:
        if card.moving(axis):
            raise CardBusy(f"axis {axis + 1} is moving: wait for *OPC? or ABORt it first")


def _enable(session: ScpiDialect, on: bool, axes: list[int]) -> None:
    for axis in axes:
        session.rig.card.enable(axis, on)


def _set_current(session: ScpiDialect, share: float, axes: list[int]) -> None:
    for axis in axes:
        session.rig.card.set_current(axis, share)


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


def _jog(session: ScpiDialect, steps_per_s: float, axes: list[int]) -> None:
    card = session.rig.card
    if 0 < abs(steps_per_s) < RATE_LIMITS[0]:
        raise ScpiError(-222, f"STEP:JOG {steps_per_s:g}: 0, or {RATE_LIMITS[0]:g} steps/s or more")
    for axis in axes:
        card.must_jog(axis, steps_per_s)
    for axis in axes:
        card.jog(axis, steps_per_s)


def _load(session: ScpiDialect, steps: float, axes: list[int]) -> None:
    for axis in axes:
        session.rig.card.load(axis, int(steps))


def _start(session: ScpiDialect) -> None:
    if not session.rig.card.start_loaded():
        raise ScpiError(-211, "no move is loaded: STEP:LOAD first")


def _preset_steps(session: ScpiDialect, count: float, axes: list[int]) -> None:
    for axis in axes:
        session.rig.card.preset_steps(axis, int(count))


def _preset_count(session: ScpiDialect, count: float, axes: list[int]) -> None:
    for axis in axes:
        session.rig.card.preset_count(axis, int(count))


def _abort(session: ScpiDialect, axes: list[int]) -> None:
    for axis in axes:
        session.rig.card.abort(axis)


_COUNT = (Number("count", "", -COUNT_LIMIT, COUNT_LIMIT, whole=True),)
_ANY = Channels.ANY

CARD = Words(
    role="card",
    pending=lambda session: any(
        session.rig.card.moving(axis) for axis in range(session.rig.card.axes)
    ),
    events=lambda session: session.rig.card.events,
    reset=lambda session: session.rig.card.reset(),
    operation=operation,
    questionable=questionable,
    lines=event_lines,
    commands=(
        *common(
            "stops all axes, drives off, all settings as at power-up, no halt armed, no move "
            "loaded; counters stay",
            operation=OPERATION_BITS,
            questionable=QUESTIONABLE_BITS,
        ),
        Command(
            "DRIVe:ENABle",
            "the ENABLE output of the drive",
            do=_enable,
            ask=each(lambda card, axis: str(int(card.enabled(axis)))),
            takes=(Switched(),),
            channels=_ANY,
            replies="0|1",
            caution="Off lets a limp link fall: support it first. On may move a joint by up to "
            "two full steps.",
        ),
        Command(
            "DRIVe:CURRent",
            "the share of its set current that the drive gives; less of it, less torque at a stop",
            do=_set_current,
            ask=each(lambda card, axis: real(card.current(axis))),
            takes=(Number("share", "", *CURRENT_LIMITS, default=1.0),),
            channels=_ANY,
            replies="share",
            caution="With too little of it a raised link sinks: support it first.",
        ),
        Command(
            "STEP:RATE",
            "the rate that a motion climbs to",
            do=_set_rate,
            ask=each(lambda card, axis: real(card.rate(axis))),
            takes=(Number("rate", "steps/s", *RATE_LIMITS, default=DEFAULT_RATE),),
            channels=_ANY,
            replies="steps/s",
        ),
        Command(
            "STEP:ACCeleration",
            "the ramp up and down",
            do=_set_acceleration,
            ask=each(lambda card, axis: real(card.acceleration(axis))),
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
            "STEP:JOG",
            "runs at this rate, with sign, or changes to it on the run, by the ramp; 0 slows down "
            "to rest; -221 for an axis that makes a move or runs the other way",
            do=_jog,
            takes=(Number("rate", "steps/s", -RATE_LIMITS[1], RATE_LIMITS[1]),),
            channels=_ANY,
            caution="As STEP:RUN: nothing but a halt, an ABORt or a stop ends it.",
        ),
        Command(
            "STEP:LOAD",
            "keeps a move of so many steps ready; 0 or ABORt takes it away",
            do=_load,
            ask=each(lambda card, axis: str(card.axis[axis].loaded)),
            takes=(Number("steps", "", -COUNT_LIMIT, COUNT_LIMIT, whole=True),),
            channels=_ANY,
            replies="steps",
        ),
        Command(
            "*TRG",
            "starts all loaded moves at one instant; -211 if there is none, -221 if one of their "
            "axes is moving",
            do=_start,
            caution="Moves the arm: nobody in reach, the stop circuit proved and in hand.",
        ),
        Command("STEP:STARt", "the same as *TRG", do=_start),
        Command(
            "STEP:COUNt",
            "the counter of steps commanded; setting it moves nothing",
            do=_preset_steps,
            ask=each(lambda card, axis: str(card.steps(axis))),
            takes=_COUNT,
            channels=_ANY,
            replies="steps",
        ),
        Command(
            "STEP:MOVing",
            "whether pulses are still going out",
            ask=each(lambda card, axis: str(int(card.moving(axis)))),
            channels=_ANY,
            replies="0|1",
        ),
        Command(
            "ABORt",
            "decelerates to a stop, and takes loaded moves away",
            do=_abort,
            channels=_ANY,
            caution="A command on a serial line is no emergency stop.",
        ),
        Command(
            "ENCoder:COUNt",
            "the quadrature counter (X4)",
            do=_preset_count,
            ask=each(lambda card, axis: str(card.count(axis))),
            takes=_COUNT,
            channels=_ANY,
            replies="counts",
        ),
        Command(
            "SWITch:LEVel",
            "the switch input: 1 = 3.3 V, pressed on a sound arm",
            ask=each(lambda card, axis: str(card.level(axis))),
            channels=_ANY,
            replies="0|1",
        ),
        *HOMING,
    ),
)
