"""Rig time for programs that sleep: `time.sleep` and the clocks of `time`, while a block lasts.

For in-process rigs, whose time moves only inside calls: without this a host that sleeps and
then looks finds the arm where it was. Opt-in, and undone at the end of the block.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from ..sim.clock import TICKS_PER_S, ticks
from ..sim.rig import Rig
from .direct import DirectRig
from .in_process import CALL_TICKS, Serial

_NS_PER_TICK = 1e9 / TICKS_PER_S
_CLOCKS = ("monotonic", "perf_counter", "time")


@contextmanager
def rig_time(of: Serial | DirectRig | Rig) -> Iterator[None]:
    """While the block lasts, this thread's `time.sleep` lets rig time pass and waits for nothing,
    and `time.monotonic`, `perf_counter`, `time` (and their `_ns` forms) go on in rig time.

    Reading a clock costs 100 µs of rig time, as a call of a port does, so that a loop on a clock
    ends. Names bound before (`from time import sleep`) and waits that are not `time.sleep`
    (`threading`, `select`, `asyncio`) are not reached. Other threads keep the wall clock.
    """
    rig = _rig_of(of)
    owner = threading.get_ident()
    begin = rig.now
    real = {name: getattr(time, name) for name in ("sleep", *_names())}

    def here() -> bool:
        return threading.get_ident() == owner

    def sleep(seconds: float) -> None:
        if not here():
            real["sleep"](seconds)
        elif seconds < 0:
            raise ValueError("sleep length must be non-negative")
        else:
            rig.advance(rig.now + max(ticks(seconds), CALL_TICKS))

    def clock(name: str) -> Callable[[], Any]:
        original, start_ns = real[name], real[f"{name.removesuffix('_ns')}_ns"]()
        whole = name.endswith("_ns")

        def read() -> Any:
            if not here():
                return original()
            rig.advance(rig.now + CALL_TICKS)
            now_ns = start_ns + round((rig.now - begin) * _NS_PER_TICK)
            return now_ns if whole else now_ns / 1e9

        return read

    patched: dict[str, Callable[..., Any]] = {name: clock(name) for name in _names()}
    patched["sleep"] = sleep
    try:
        for name, function in patched.items():
            setattr(time, name, function)
        yield
    finally:
        for name, function in real.items():
            setattr(time, name, function)


def _names() -> tuple[str, ...]:
    return (*_CLOCKS, *(f"{name}_ns" for name in _CLOCKS))


def _rig_of(of: Serial | DirectRig | Rig) -> Rig:
    if isinstance(of, Serial):
        return of.station.rig
    if isinstance(of, DirectRig):
        return of.seen
    return of
