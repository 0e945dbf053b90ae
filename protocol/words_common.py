"""Words that every port understands.

The mandated common commands of IEEE 488.2 and the two required SYSTem queries of SCPI-1999, as
the examples of the public repository j123b567/scpi-parser list them; `CLOCk` and `WAIT?` are ours.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from .. import __version__
from ..sim.clock import TICKS_PER_S, ticks
from .scpi import Command, Result, Wait
from .status import Event, ScpiError
from .values import Number

if TYPE_CHECKING:
    from ..sim.gripper import Gripper
    from .dialect import ScpiDialect

OPERATION_LIMIT_S = 120.0
WAIT_LIMIT_S = 600.0

_EVENT_BITS = ", ".join(f"{event.value} {event.name}" for event in Event)
_BYTE = (Number("mask", "", 0, 255, whole=True),)


def clock(session: ScpiDialect) -> str:
    """Rig time now, in seconds."""
    return f"{session.rig.now / TICKS_PER_S:.7f}"


def _identify(session: ScpiDialect) -> str:
    return f"Dryrig,{session.rig.scene.name} {session.words.role},0,{__version__}"


def _completion(session: ScpiDialect, reply: str | None) -> Wait:
    def then(timed_out: bool) -> str | None:
        if timed_out:
            session.status.post(-365, f"still moving after {OPERATION_LIMIT_S:g} s of rig time")
        return reply

    return Wait(
        done=lambda: not session.words.pending(session),
        until=session.rig.now + ticks(OPERATION_LIMIT_S),
        then=then,
    )


def _wait(session: ScpiDialect, limit_s: float) -> Wait:
    events = session.words.events
    seen = events(session)
    return Wait(
        done=lambda: events(session) != seen,
        until=session.rig.now + ticks(limit_s),
        then=lambda _timed_out: clock(session),
    )


def _clear(session: ScpiDialect) -> None:
    session.status.clear()
    session.completion_armed = False


def _reset(session: ScpiDialect) -> None:
    session.completion_armed = False
    session.words.reset(session)


def _arm_completion(session: ScpiDialect) -> None:
    session.completion_armed = True


def _set_event_enable(session: ScpiDialect, mask: float) -> None:
    session.status.event_enable = int(mask)


def _set_service_enable(session: ScpiDialect, mask: float) -> None:
    session.status.service_enable = int(mask)


def _events(session: ScpiDialect) -> str:
    session.notice_completion()
    return str(session.status.take_events())


def _status_byte(session: ScpiDialect) -> str:
    session.notice_completion()
    # On a serial line a reply leaves at once, so that only this message's replies can wait.
    byte = session.status.status_byte(message_available=session.has_reply)
    return str(byte)


def _next_error(session: ScpiDialect) -> Result:
    return session.status.next_error().reply()


COMMON: tuple[Command, ...] = (
    Command("*IDN", "who answers", ask=_identify, replies="maker,model,serial,version"),
    Command("*CLS", "empties the error queue and the event register", do=_clear),
    Command(
        "*OPC",
        f"bit 0 of the event register when all is done; as a query 1 then "
        f"(after {OPERATION_LIMIT_S:g} s of rig time at the latest, with error -365)",
        do=_arm_completion,
        ask=lambda session: _completion(session, "1"),
        replies="1",
    ),
    Command(
        "*WAI",
        "holds the next command until all is done, with the limit of *OPC?",
        do=lambda session: _completion(session, None),
    ),
    Command(
        "*ESE",
        "which event bits count in bit 5 of the status byte",
        do=_set_event_enable,
        ask=lambda session: str(session.status.event_enable),
        takes=_BYTE,
        replies="mask",
    ),
    Command(
        "*ESR",
        f"the event register, cleared by reading: {_EVENT_BITS}",
        ask=_events,
        replies="bits",
    ),
    Command(
        "*SRE",
        "which status bits count in bit 6 of the status byte",
        do=_set_service_enable,
        ask=lambda session: str(session.status.service_enable),
        takes=_BYTE,
        replies="mask",
    ),
    Command(
        "*STB",
        "the status byte: 4 error queue, 16 reply waits, 32 event, 64 summary",
        ask=_status_byte,
        replies="bits",
    ),
    Command("*TST", "self-test", ask=lambda session: "0", replies="0 = passed"),
    Command(
        "SYSTem:ERRor[:NEXT]",
        "the oldest error, taken from the queue",
        ask=_next_error,
        replies='number,"text;detail"',
    ),
    Command("SYSTem:VERSion", "the SCPI edition", ask=lambda session: "1999.0", replies="1999.0"),
    Command("CLOCk:TIME", "rig time since power-up", ask=clock, replies="s, 7 decimals"),
    Command(
        "WAIT",
        "waits for the next event (motion ended, halt, switch edge; a hand finished) or so long",
        ask=_wait,
        asks=(Number("time", "s", 0.0, WAIT_LIMIT_S),),
        replies="rig time, s",
    ),
)


def gripper_of(session: ScpiDialect) -> Gripper:
    """The rig's gripper. Raises ScpiError when it has none."""
    gripper = session.rig.gripper
    if gripper is None:
        raise ScpiError(-241, f"{session.rig.scene.name} has no gripper (table [gripper])")
    return gripper


def common(reset_help: str) -> tuple[Command, ...]:
    """The words of every port; `reset_help` says what `*RST` does on this one."""
    return (*COMMON, Command("*RST", reset_help, do=_reset))
