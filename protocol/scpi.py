"""How a command is declared, and the table that a role's declarations make."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import Enum
from functools import partial
from typing import TYPE_CHECKING, cast

from .headers import HeaderTable
from .message import split_data
from .status import ScpiError
from .values import Number, Parameter, is_limit, joined, parse_channels, real

if TYPE_CHECKING:
    from ..sim.card import Card
    from .dialect import ScpiDialect


@dataclass(frozen=True)
class Wait:
    """What a command returns when its answer takes rig time.

    `done` is asked after every event of the rig; at tick `until` the wait is over in any case.
    `then` is told whether time ran out and gives the reply, or None.
    """

    done: Callable[[], bool]
    until: int
    then: Callable[[bool], str | None]


Result = str | Wait | None


class Channels(Enum):
    """Whether a command ends in a channel list, and what leaving it out means."""

    NONE = ""
    ANY = "[,<channels>]"
    ONE = ",<channel>"


@dataclass(frozen=True)
class Command:
    """ONE declaration: header, parameters, command and query form, help.

    `do` is the command form and `ask` the query form; each gets the session, the values of
    `takes` or `asks` (None where an optional one is missing), and the axes from 0 if `channels`
    says so, of `count` channels in all.
    """

    header: str
    help: str
    do: Callable[..., Result] | None = None
    ask: Callable[..., Result] | None = None
    takes: tuple[Parameter, ...] = ()
    asks: tuple[Parameter, ...] = ()
    channels: Channels = Channels.NONE
    replies: str = ""
    caution: str = ""
    count: Callable[[ScpiDialect], int] = lambda session: session.axes

    def read(self, session: ScpiDialect, query: bool, data: str) -> Callable[[], Result]:
        """What is to be done, any number of times, by the data elements. Raises ScpiError."""
        handler = self.ask if query else self.do
        if handler is None:
            other = "no query form" if query else f"only a query form, {self.header}?"
            raise ScpiError(-113, f"{self.header} has {other}")
        elements = split_data(data)
        axes = self._axes(elements, self.count(session))
        if query and elements and (limit := self._limit(elements)) is not None:
            return lambda: limit
        values = self._values(self.asks if query else self.takes, elements)
        if axes is not None:
            values.append(axes)
        return partial(handler, session, *values)

    def _axes(self, elements: list[str], count: int) -> list[int] | None:
        if self.channels is Channels.NONE:
            return None
        if elements and elements[-1].startswith("("):
            axes = parse_channels(elements.pop(), count)
        elif self.channels is Channels.ONE:
            raise ScpiError(-109, f"{self.header}: ends with one channel, such as (@1)")
        else:
            axes = list(range(count))
        if self.channels is Channels.ONE and len(axes) != 1:
            raise ScpiError(-222, f"{self.header}: one channel at a time, such as (@1)")
        return axes

    def _limit(self, elements: list[str]) -> str | None:
        """What `STEP:RATE? MAX` asks for: a limit of the setting, the same for every channel."""
        setting = self.takes[0] if len(self.takes) == 1 and not self.asks else None
        if isinstance(setting, Number) and setting.limits and is_limit(elements[0]):
            if len(elements) > 1:
                raise ScpiError(-108, f"{self.header}: {elements[1][:30]} is one too many")
            value = cast("float", self._parsed(setting, elements[0]))
            return str(int(value)) if setting.whole else real(value)
        return None

    def _parsed(self, parameter: Parameter, element: str) -> object:
        try:
            return parameter.parse(element)
        except ScpiError as error:
            raise ScpiError(error.number, f"{self.header} {error.detail}") from None

    def _values(self, parameters: tuple[Parameter, ...], elements: list[str]) -> list[object]:
        if len(elements) > len(parameters):
            extra = elements[len(parameters)]
            if self.channels is not Channels.NONE and not parameters:
                raise ScpiError(-108, f"{self.header}: got {extra[:30]}, a channel list is (@1:6)")
            raise ScpiError(-108, f"{self.header}: {extra[:30]} is one too many")
        values: list[object] = []
        for index, parameter in enumerate(parameters):
            if index < len(elements):
                values.append(self._parsed(parameter, elements[index]))
            elif parameter.optional:
                values.append(None)
            else:
                raise ScpiError(-109, f"{self.header}: expected {parameter.shown}")
        return values


def each(read: Callable[[Card, int], str]) -> Callable[[ScpiDialect, list[int]], str]:
    """A query that reads one value of the card for each axis named."""

    def ask(session: ScpiDialect, axes: list[int]) -> str:
        card = session.rig.card
        return joined([read(card, axis) for axis in axes])

    return ask


@dataclass(frozen=True)
class Words:
    """Everything one role's port understands.

    `pending` tells whether an operation is under way (for `*OPC?` and `*WAI`), `events` counts
    what `WAIT?` wakes up for, `reset` is `*RST`. `operation` and `questionable` give the conditions
    of the two register groups; `lines` tells the events after one number, a line each.
    """

    role: str
    commands: tuple[Command, ...]
    pending: Callable[[ScpiDialect], bool]
    events: Callable[[ScpiDialect], int]
    reset: Callable[[ScpiDialect], None]
    operation: Callable[[ScpiDialect], int] = lambda _session: 0
    questionable: Callable[[ScpiDialect], int] = lambda _session: 0
    lines: Callable[[ScpiDialect, int], Sequence[str]] = lambda _session, _after: ()

    def table(self) -> HeaderTable[Command]:
        """The look-up of every accepted spelling."""
        return HeaderTable((command.header, command) for command in self.commands)
