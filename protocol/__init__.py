"""What goes over the wire: grammars, status model, the ports in process and served.

Light on purpose: pyserial imports this package for every `dryrig://` URL, the plant comes later.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .dialect import Dialect, ScpiDialect
    from .grammars import GrammarError, find_grammar
    from .modbus_map import modbus_reference
    from .port import Port
    from .reference import words_reference
    from .served import ServeError, serve
    from .station import Station

__all__ = [
    "Dialect",
    "GrammarError",
    "Port",
    "ScpiDialect",
    "ServeError",
    "Station",
    "find_grammar",
    "modbus_reference",
    "serve",
    "words_reference",
]

_LAZY = {
    "Dialect": ".dialect",
    "GrammarError": ".grammars",
    "Port": ".port",
    "ScpiDialect": ".dialect",
    "ServeError": ".served",
    "Station": ".station",
    "find_grammar": ".grammars",
    "modbus_reference": ".modbus_map",
    "serve": ".served",
    "words_reference": ".reference",
}


def __getattr__(name: str) -> Any:
    if name in _LAZY:
        return getattr(import_module(_LAZY[name], __name__), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
