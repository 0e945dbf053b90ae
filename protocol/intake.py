"""How the bytes of a served port's host reach it: as they come, or in lockstep."""

from __future__ import annotations

from typing import Protocol

from ..sim.clock import ticks
from ..sim.serial_line import frame_ticks
from .port import BAUD, Port

OUTPUT_LIMIT = 64 * 1024
BYTE_TICKS = frame_ticks(BAUD)
# A host that sends faster than the line carries is held up, as by a real one.
LINE_LIMIT = 4096
# No command of the default grammar waits longer.
LONGEST_WAIT_S = 600.0


class Intake(Protocol):
    """Takes bytes for a port."""

    def ready(self, port: Port) -> bool:
        """Whether bytes can be taken now."""
        ...

    def feed(self, port: Port, data: bytes) -> None:
        """Take bytes."""
        ...


class AsTheyCome:
    """Bytes belong to the rig time at which they are read; somebody else moves time.

    When 64 KiB of replies wait for a host that sends more without reading, they are thrown away;
    otherwise both would wait for ever.
    """

    def ready(self, port: Port) -> bool:
        """Whether the line can take more."""
        return port.on_the_line < LINE_LIMIT

    def feed(self, port: Port, data: bytes) -> None:
        """Take bytes."""
        if len(port.output) >= OUTPUT_LIMIT:
            port.lose_replies()
        port.write(data)


class Lockstep:
    """Bytes move time, and nothing else does: each costs `byte_ticks`, or its time on the line.

    A command that waits (`*OPC?`, `*WAI`, `WAIT?`, a meter reading) runs the rig to its end before
    the next byte counts, of whatever port it is. So rig time depends on the order of the bytes
    alone. A host that does not read is not read either, and loses nothing.
    """

    def __init__(self, byte_ticks: int = BYTE_TICKS) -> None:
        self.byte_ticks = byte_ticks

    def ready(self, port: Port) -> bool:
        """Whether there is room for replies."""
        return len(port.output) < OUTPUT_LIMIT

    def feed(self, port: Port, data: bytes) -> None:
        """Take bytes, one after the other."""
        rig = port.rig
        port.note("send", data)
        for value in data:
            if port.uart is None:  # otherwise the line takes its own time
                rig.advance(rig.now + self.byte_ticks)
            port.receive(bytes((value,)))
            if port.busy:
                rig.run_until(lambda: not port.busy, rig.now + ticks(LONGEST_WAIT_S))
