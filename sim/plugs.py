"""The plugs at the parts of each joint. A hand pulls them: a state of the harness, not a fault.

A plug that is out leaves its conductors ending in the air, each at a terminal of its own
(`PLUG.J5.SW.COM`); the part's pin keeps its name (`J5.SW.COM`).
"""

from __future__ import annotations

from collections.abc import Iterable

from ..errors import UnknownPlug, nearest
from ..scenes import IO, STOP

LOOSE = "PLUG."
"""What the name of a loose end begins with."""
SOCKETS = ("INPUTS", "DRIVE", "MOTOR", "ENC", "SW")
"""Sockets of a joint: the drive's inputs, its supply, the motor, the encoder, the switch."""


def plug_of(conductor: str) -> str:
    """The plug at the part in which a conductor ends: `J5.SW` for `J5.SW.COM`.

    That of the drive's inputs (`J5.DIR`) is `J5.INPUTS`; the second card's cable has one, `IO`,
    and the STOP button one, `STOP`.
    """
    joint, _, pin = conductor.partition(".")
    part, dot, _ = pin.partition(".")
    return joint if joint in (IO, STOP) else f"{joint}.{part if dot else 'INPUTS'}"


class Plugs:
    """Which plugs are out, of those in which these conductors end."""

    def __init__(self, conductors: Iterable[str]) -> None:
        self._socket_of = {conductor: plug_of(conductor) for conductor in conductors}
        self.names = list(dict.fromkeys(self._socket_of.values()))
        self._out: set[str] = set()

    @property
    def out(self) -> list[str]:
        """The plugs that are out, joint by joint."""
        return [name for name in self.names if name in self._out]

    def put(self, name: str, inserted: bool) -> None:
        """Put a plug in or pull it. Raises `UnknownPlug` with the nearest name."""
        if name not in self.names:
            whole = " or ".join(repr(each) for each in (IO, STOP) if each in self.names)
            raise UnknownPlug(
                f"no plug {name!r}: expected a joint and one of {', '.join(SOCKETS)}, "
                f"like 'J5.SW', or {whole}{nearest(name, self.names)}"
            )
        (self._out.discard if inserted else self._out.add)(name)

    def end(self, conductor: str, pin: str) -> str:
        """The node at which a conductor that leads to a part's pin ends now."""
        return f"{LOOSE}{conductor}" if self._socket_of[pin] in self._out else pin
