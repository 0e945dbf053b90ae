"""What goes over the wire: grammars, status model, the ports in process and served.

Light on purpose: pyserial imports this package for every `dryrig://` URL, the plant comes later.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .dialect import Dialect, ScpiDialect
    from .port import Port
    from .reference import words_reference
    from .served import ServeError, serve
    from .station import Station

__all__ = [
    "Dialect",
    "Port",
    "ScpiDialect",
    "ServeError",
    "Station",
    "serve",
    "words_reference",
]

_LAZY = {
    "Dialect": ".dialect",
    "Port": ".port",
    "ScpiDialect": ".dialect",
    "ServeError": ".served",
    "Station": ".station",
    "serve": ".served",
    "words_reference": ".reference",
}


def __getattr__(name: str) -> Any:
    if name in _LAZY:
        return getattr(import_module(_LAZY[name], __name__), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
