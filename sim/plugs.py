"""The plugs at the parts of each joint. A hand pulls them: a state of the harness, not a fault.

A plug that is out leaves its conductors ending in the air, each at a terminal of its own
(`PLUG.J5.SW.COM`); the part's pin keeps its name (`J5.SW.COM`).
"""

from __future__ import annotations

from collections.abc import Iterable

from ..errors import UnknownPlug, nearest
from ..scenes import WIRES

LOOSE = "PLUG."
"""What the name of a loose end begins with."""
SOCKETS = ("INPUTS", "DRIVE", "MOTOR", "ENC", "SW")
"""Sockets of a joint: the drive's inputs, its supply, the motor, the encoder, the switch."""


def _socket(pin: str) -> str:
    """`ENC` for `ENC.A`; the drive's inputs have names without a part."""
    part, dot, _ = pin.partition(".")
    return part if dot else "INPUTS"


class Plugs:
    """Which plugs are out, for joints of these names."""

    def __init__(self, joints: Iterable[str]) -> None:
        self._socket_of = {
            f"{joint}.{pin}": f"{joint}.{_socket(pin)}" for joint in joints for pin in WIRES
        }
        self.names = list(dict.fromkeys(self._socket_of.values()))
        self._out: set[str] = set()

    @property
    def out(self) -> list[str]:
        """The plugs that are out, joint by joint."""
        return [name for name in self.names if name in self._out]

    def put(self, name: str, inserted: bool) -> None:
        """Put a plug in or pull it. Raises `UnknownPlug` with the nearest name."""
        if name not in self.names:
            raise UnknownPlug(
                f"no plug {name!r}: expected a joint and one of {', '.join(SOCKETS)}, "
                f"like 'J5.SW'{nearest(name, self.names)}"
            )
        (self._out.discard if inserted else self._out.add)(name)

    def end(self, conductor: str, pin: str) -> str:
        """The node at which a conductor that leads to a part's pin ends now."""
        return f"{LOOSE}{conductor}" if self._socket_of[pin] in self._out else pin
