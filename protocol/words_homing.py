"""Words of the card for routines that home: halts, latches, following error, one look at all.

"Following error": CiA 402 / IEC 61800-7-201. What a card can know comes from its own steps and
counts; the words are ours.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..sim.axis import Edge
from ..sim.card import Card
from ..sim.clock import TICKS_PER_S
from ..sim.following import DEFAULT_LIMIT
from ..sim.happening import Happened
from .scpi import Channels, Command, each
from .values import Choice, Number, Switched, joined, real

if TYPE_CHECKING:
    from .dialect import ScpiDialect

WAITING = 1 << 5  # OPERation: waiting for trigger
MOVING = 1 << 8  # from bit 8 on the designer's
ARMED = 1 << 9
LOW_VOLTS = 1 << 0  # QUEStionable: voltage
FOLLOWING = 1 << 9  # from bit 9 on the designer's
STOP_OPEN = 1 << 10
OPERATION_BITS = f"{WAITING} a loaded move waits for *TRG, {MOVING} moving, {ARMED} halt edge armed"
QUESTIONABLE_BITS = (
    f"{LOW_VOLTS} motor supply low at the card's rail, {FOLLOWING} following error beyond its "
    f"limit, {STOP_OPEN} stop circuit open"
)

_EDGES: dict[str, Edge | None] = {"RISE": "RISE", "FALL": "FALL", "IND": "INDEX", "OFF": None}
_EDGE_NAMES = {edge: name for name, edge in _EDGES.items()}
_SAID: dict[Happened, str] = {"INDEX": "IND"}
_LIMIT_COUNTS = 1e6
_SCALE_LIMIT = 1000.0


def operation(session: ScpiDialect) -> int:
    """The OPERation condition of the card."""
    bits = 0
    for part in session.rig.card.axis:
        if part.profile is not None:
            bits |= MOVING
        if part.edge is not None:
            bits |= ARMED
        if part.loaded:
            bits |= WAITING
    return bits


def questionable(session: ScpiDialect) -> int:
    """The QUEStionable condition of the card; looks at the following errors first."""
    card = session.rig.card
    card.following.check()
    bits = FOLLOWING if any(card.following.beyond) else 0
    if card.supply_low:
        bits |= LOW_VOLTS
    if card.stop_open:
        bits |= STOP_OPEN
    return bits


def event_lines(session: ScpiDialect, after: int) -> list[str]:
    """A line for each event later than that number (the last 256 of them)."""
    lines = []
    for event in session.rig.card.happened:
        if event.number > after:
            axis = 0 if event.axis is None else event.axis + 1
            what = _SAID.get(event.what, event.what)
            lines.append(f"EVEN {what},{axis},{event.tick / TICKS_PER_S:.7f}")
    return lines


def _arm_halt(session: ScpiDialect, edge: str, axes: list[int]) -> None:
    for axis in axes:
        session.rig.card.arm_halt(axis, _EDGES[edge])


def _latch(card: Card, axis: int) -> str:
    latch = card.latch(axis)
    return f"{int(latch.hit)},{latch.count},{latch.step},{latch.tick / TICKS_PER_S:.7f}"


def _group(session: ScpiDialect, on: bool, axes: list[int]) -> None:
    for axis in axes:
        session.rig.card.axis[axis].grouped = on


def _stop_halts(session: ScpiDialect, on: bool) -> None:
    session.rig.card.stop_halts = on


def _set_scale(session: ScpiDialect, counts_per_step: float, axes: list[int]) -> None:
    for axis in axes:
        session.rig.card.following.set_scale(axis, counts_per_step)


def _set_limit(session: ScpiDialect, counts: float, axes: list[int]) -> None:
    for axis in axes:
        session.rig.card.following.limit[axis] = counts


def _following_halts(session: ScpiDialect, on: bool, axes: list[int]) -> None:
    for axis in axes:
        session.rig.card.following.halts[axis] = on


def _zero_following(session: ScpiDialect, axes: list[int]) -> None:
    for axis in axes:
        session.rig.card.following.keep(axis, 0.0)


def _error_counts(card: Card, axis: int) -> str:
    return real(card.following.error_counts(axis))


def _mask(flags: list[bool]) -> int:
    return sum(1 << number for number, flag in enumerate(flags) if flag)


def _flagged(session: ScpiDialect, axes: list[int]) -> str:
    session.sense()
    return joined([str(int(session.rig.card.following.beyond[axis])) for axis in axes])


def _summary(session: ScpiDialect) -> str:
    session.sense()
    card, status = session.rig.card, session.status
    axes = range(card.axes)
    values = (
        _mask([part.profile is not None for part in card.axis]),
        _mask([bool(card.level(axis)) for axis in axes]),
        _mask([part.edge is not None for part in card.axis]),
        _mask([part.latch.hit for part in card.axis]),
        status.questionable.condition,
        status.error_count,
    )
    return joined([str(value) for value in values])


_ANY = Channels.ANY

HOMING: tuple[Command, ...] = (
    Command(
        "HALT:EDGE",
        "halts an axis, decelerating, at the next such edge of its own switch input, or at "
        "the next rise of its encoder's index; one shot",
        do=_arm_halt,
        ask=each(lambda card, axis: _EDGE_NAMES[card.halt_edge(axis)]),
        takes=(Choice("edge", ("RISE", "FALL", "INDex", "OFF")),),
        channels=_ANY,
        replies="RISE|FALL|IND|OFF",
    ),
    Command(
        "HALT:LATCh",
        "what was latched at that edge",
        ask=each(_latch),
        channels=_ANY,
        replies="for each axis: hit 0|1,count,step,time s",
    ),
    Command(
        "HALT:GROup",
        "whether an axis belongs to the group: what halts one of it, an edge or a following "
        "error, halts all of it",
        do=_group,
        ask=each(lambda card, axis: str(int(card.axis[axis].grouped))),
        takes=(Switched(),),
        channels=_ANY,
        replies="0|1",
    ),
    Command(
        "HALT:STOP",
        "whether the opening of the stop circuit also ends the pulses; on at power-up",
        do=_stop_halts,
        ask=lambda session: str(int(session.rig.card.stop_halts)),
        takes=(Switched(),),
        replies="0|1",
        caution="It is the circuit that stops the arm, by taking the power away: this word only "
        "keeps the step counters near the truth.",
    ),
    Command(
        "FOLLowing:SCALe",
        "watches the following error: counts for each step, with sign, from here on; 0 ends it",
        do=_set_scale,
        ask=each(lambda card, axis: real(card.following.scale[axis])),
        takes=(Number("scale", "", -_SCALE_LIMIT, _SCALE_LIMIT, default=0.0),),
        channels=_ANY,
        replies="counts/step",
    ),
    Command(
        "FOLLowing:LIMit",
        "the following error that is flagged (looked at every 25 ms of a motion, and when asked)",
        do=_set_limit,
        ask=each(lambda card, axis: real(card.following.limit[axis])),
        takes=(Number("limit", "", 1.0, _LIMIT_COUNTS, default=DEFAULT_LIMIT),),
        channels=_ANY,
        replies="counts",
    ),
    Command(
        "FOLLowing:HALT",
        "whether an axis is halted, decelerating, when it is flagged",
        do=_following_halts,
        ask=each(lambda card, axis: str(int(card.following.halts[axis]))),
        takes=(Switched(),),
        channels=_ANY,
        replies="0|1",
    ),
    Command(
        "FOLLowing:ERRor",
        "how far the counts are ahead of the steps times the scale",
        ask=each(_error_counts),
        channels=_ANY,
        replies="counts",
    ),
    Command(
        "FOLLowing:FLAG",
        "whether the following error is beyond its limit",
        ask=_flagged,
        channels=_ANY,
        replies="0|1",
    ),
    Command(
        "FOLLowing:ZERO",
        "takes the present following error for none",
        do=_zero_following,
        channels=_ANY,
    ),
    Command(
        "STOP:LEVel",
        "the stop input: 0 = 0 V, circuit closed; 1 = open (STOP is in, or a wire is off), and the "
        "drives have no power",
        ask=lambda session: str(int(session.rig.card.stop_open)),
        replies="0|1",
    ),
    Command(
        "SUMMary",
        "all of it in one short line to poll; an axis is a bit, axis 1 the lowest",
        ask=_summary,
        replies="moving,switch levels,edges armed,edges hit,QUEStionable condition,errors queued",
    ),
)
