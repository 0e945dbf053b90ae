"""A command that is stopped by a signal ends in an orderly way."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import NoReturn


class Stopped(BaseException):
    """A signal asked for the end. Its argument is the signal's name."""


@contextmanager
def stoppable() -> Iterator[None]:
    """Turn the first SIGINT, SIGTERM or SIGHUP into Stopped; let what follows it finish."""
    numbers = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)

    def stop(number: int, _frame: FrameType | None) -> NoReturn:
        for each in numbers:
            signal.signal(each, signal.SIG_IGN)
        raise Stopped(signal.Signals(number).name)

    before = {number: signal.signal(number, stop) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
