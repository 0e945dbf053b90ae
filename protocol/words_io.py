"""What the second card understands: inputs, outputs, volts and a servo's pulses."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from ..sim.io_card import DEFAULT_WIDTH_S, WIDTH_LIMITS_S
from .scpi import Channels, Command, Words
from .values import Number, Switched, joined, real
from .words_common import common

if TYPE_CHECKING:
    from ..sim.io_card import IoCard
    from .dialect import ScpiDialect


def _card(session: ScpiDialect) -> IoCard:
    card = session.rig.io
    assert card is not None, "a station has this port only with a second card"
    return card


def _each(read: Callable[[IoCard, int], str]) -> Callable[[ScpiDialect, list[int]], str]:
    return lambda session, numbers: joined([read(_card(session), n) for n in numbers])


def _set_outputs(session: ScpiDialect, on: bool, numbers: list[int]) -> None:
    for number in numbers:
        _card(session).set_output(number, on)


def _set_width(session: ScpiDialect, width_s: float) -> None:
    _card(session).set_width(width_s)


def _set_servo(session: ScpiDialect, on: bool) -> None:
    _card(session).set_servo(on)


IO_WORDS = Words(
    role="io",
    pending=lambda _session: False,  # it gives pulses and hears nothing back
    events=lambda session: _card(session).events,
    reset=lambda session: _card(session).reset(),
    commands=(
        *common("all outputs off, no servo pulses, their width as at power-up"),
        Command(
            "INPut:LEVel",
            "a digital input; one on which nothing hangs reads 0",
            ask=_each(lambda card, number: str(card.level(number))),
            channels=Channels.ANY,
            count=lambda session: len(_card(session).inputs),
            replies="0|1",
        ),
        Command(
            "OUTPut:LEVel",
            "a digital output: 5 V or 0 V",
            do=_set_outputs,
            ask=_each(lambda card, number: str(int(card.output(number)))),
            takes=(Switched(),),
            channels=Channels.ANY,
            count=lambda session: len(_card(session).outputs),
            replies="0|1",
        ),
        Command(
            "ANALog:VOLTage",
            "an analog input, averaged over 20 ms",
            ask=_each(lambda card, number: real(card.analog_v(number))),
            channels=Channels.ANY,
            count=lambda session: len(_card(session).analogs),
            replies="V",
        ),
        Command(
            "SERVo:WIDTh",
            "width of the servo pulses, one every 20 ms; a new one counts from the next pulse on",
            do=_set_width,
            ask=lambda session: real(_card(session).width_s),
            takes=(Number("width", "s", *WIDTH_LIMITS_S, default=DEFAULT_WIDTH_S),),
            replies="s",
            caution="Moves the fingers while pulses are on: no hand between them.",
        ),
        Command(
            "SERVo:ENABle",
            "whether the servo output gives pulses; without any a servo goes limp",
            do=_set_servo,
            ask=lambda session: str(int(_card(session).servo_on)),
            takes=(Switched(),),
            replies="0|1",
            caution="Off drops what the gripper holds. On moves the fingers at once: no hand "
            "between them.",
        ),
    ),
)
