"""Where a served port listens: the addresses of `dryrig serve --listen`."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass, replace

from ..errors import nearest
from .links import ServeError

LOOPBACK = "127.0.0.1"
SCHEMES = ("socket", "rfc2217")
_PORTS = 65536


@dataclass(frozen=True)
class Address:
    """A TCP address; `scheme` is pyserial's name of what is spoken there, port 0 any free port."""

    scheme: str
    host: str
    port: int

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{self.scheme}://{host}:{self.port}"

    @property
    def is_loopback(self) -> bool:
        """Whether only programs of this machine can reach it."""
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return self.host == "localhost"


def parse_address(text: str) -> Address:
    """`[socket://|rfc2217://][HOST:]PORT`; without a host, this machine only. Raises ServeError."""
    scheme, found, rest = text.rpartition("://")
    scheme = scheme.lower() if found else SCHEMES[0]
    if scheme not in SCHEMES:
        raise ServeError(
            f"address {text!r}: expected socket:// or rfc2217://{nearest(scheme, SCHEMES)}"
        )
    host, _, port = rest.rpartition(":")
    host = host.removeprefix("[").removesuffix("]") or LOOPBACK
    if not (port.isascii() and port.isdecimal() and int(port) < _PORTS):
        raise ServeError(
            f"address {text!r}: got port {port!r}, expected 0 to {_PORTS - 1}, "
            f"as {LOOPBACK}:4001 or rfc2217://{LOOPBACK}:4001 (0: any free port)"
        )
    return Address(scheme, host, int(port))


def addresses(
    card: str | None,
    hands: str | None = None,
    teacher: str | None = None,
    io: str | None = None,
) -> dict[str, Address]:
    """The address of each role that listens at one.

    Where only the card's is said, the others take the ports after it; beyond this
    machine they are heard only where that is said of them. Raises ServeError.
    """
    said = {"card": card, "hands": hands, "teacher": teacher, "io": io}
    found = {role: parse_address(text) for role, text in said.items() if text is not None}
    if (first := found.get("card")) is not None:
        host = first.host if first.is_loopback else LOOPBACK
        for step, role in enumerate(said):
            port = first.port + step if first.port else 0
            found.setdefault(role, replace(first, host=host, port=port))
    for role, address in found.items():
        if address.port >= _PORTS:
            raise ServeError(
                f"the {role} port would be at {address.port}, past {_PORTS - 1}: "
                f"give --{role}-listen, or a lower port"
            )
        for other, same in found.items():
            if other != role and same.port == address.port != 0:
                raise ServeError(f"{address}: address of both the {role} and the {other} port")
    return {role: found[role] for role in said if role in found}
