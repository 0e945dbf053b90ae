"""A station with the arm at rest, spoken to without a transport: what was sent, what came back."""

from __future__ import annotations

from dryrig.protocol.port import Port
from dryrig.protocol.station import Station
from dryrig.sim.clock import TICKS_PER_S

REST = (0.0, 60.0, -90.0, 0.0, 30.0, 0.0)


def send(port: Port, text: str) -> str:
    """Send a line; what has come by then."""
    port.write(text.encode() + b"\n")
    return port.take(1 << 20).decode()


def run(station: Station, seconds: float) -> None:
    """Let rig time pass."""
    station.rig.advance(station.rig.now + round(seconds * TICKS_PER_S))
