"""Finding a grammar for the card's port: one that comes along, an installed one, or a class.

A grammar is named `NAME[,parameter=value...]`: `modbus,address=7` or `pennant:Pennant`. A package
offers one by an entry point in the group `dryrig.grammars`.
"""

from __future__ import annotations

import importlib
import inspect
import os
import pkgutil
import re
import sys
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from importlib.metadata import entry_points
from typing import TYPE_CHECKING, Any, TypeVar

from ..errors import DryrigError, nearest
from .dialect import Dialect

if TYPE_CHECKING:
    from ..sim.rig import Rig

GROUP = "dryrig.grammars"
DEFAULT = "scpi"
_SHIPPED = {"modbus": f"{__package__}.modbus:ModbusDialect"}
_METHODS = ("receive", "poll", "forget", "replies_lost")

T = TypeVar("T")


class GrammarError(DryrigError, ValueError):
    """A grammar that cannot be found, has another shape than a `Dialect`, or failed at work."""


@dataclass(frozen=True)
class Grammar:
    """A grammar by name; called with a rig and `wake_at` it makes a `Dialect` for a port."""

    name: str
    make: Callable[..., Any]
    options: dict[str, object] = field(default_factory=dict)

    def __call__(self, rig: Rig, wake_at: Callable[[int], None]) -> Dialect:
        """Raises GrammarError when what is made is no `Dialect`."""
        try:
            made = self.make(rig, wake_at, **self.options)
        except ValueError as error:
            raise GrammarError(f"grammar {self.name!r}: {error}") from error
        except Exception as error:
            failure = _failure("when it was made", error)
            raise GrammarError(f"grammar {self.name!r} {failure}") from error
        _check_methods(self.name, made, type(made).__name__)
        return _Guarded(self.name, made)


class _Guarded(Dialect):
    """Says which grammar went wrong, where, when one raises or returns no bytes."""

    def __init__(self, name: str, dialect: Dialect) -> None:
        self._name = name
        self._dialect = dialect

    @property
    def busy(self) -> bool:
        return bool(self._do("busy", lambda: self._dialect.busy))

    def receive(self, data: bytes) -> bytes:
        return self._bytes("receive", lambda: self._dialect.receive(data))

    def poll(self) -> bytes:
        return self._bytes("poll", self._dialect.poll)

    def forget(self) -> None:
        self._do("forget", self._dialect.forget)

    def replies_lost(self) -> None:
        self._do("replies_lost", self._dialect.replies_lost)

    def _bytes(self, method: str, action: Callable[[], object]) -> bytes:
        reply = self._do(method, action)
        if not isinstance(reply, (bytes, bytearray)):
            raise GrammarError(
                f"grammar {self._name!r}: {method} returned a {type(reply).__name__}, "
                'expected bytes (b"" for no reply)'
            )
        return bytes(reply)

    def _do(self, method: str, action: Callable[[], T]) -> T:
        try:
            return action()
        except Exception as error:
            failure = _failure(f"in {method}", error)
            raise GrammarError(f"grammar {self._name!r} {failure}") from error


def find_grammar(text: str) -> Grammar | None:
    """The grammar of that name; None for the default one, `scpi`.

    Modules are looked for in the current folder too. Raises GrammarError.
    """
    name, *parameters = text.split(",")
    if name == DEFAULT:
        if parameters:
            raise GrammarError(f"grammar {text!r}: {DEFAULT} has no parameters")
        return None
    options = dict(_option(text, parameter) for parameter in parameters)
    if ":" in name:
        if not {"", os.getcwd()} & set(sys.path):
            sys.path.append(os.getcwd())  # an installed command does not look there by itself
        make = _from_module(text, name)
    elif name in _SHIPPED:
        make = _from_module(text, _SHIPPED[name])
    else:
        make = _from_entry_point(text, name)
    _check_factory(text, make, options)
    return Grammar(text, make, options)


def grammar_name(factory: Callable[..., Any]) -> str:
    """The name by which `find_grammar` finds a factory, if it can."""
    if isinstance(factory, Grammar):
        return factory.name
    named = factory if hasattr(factory, "__qualname__") else type(factory)
    return f"{named.__module__}:{named.__qualname__}"


def _option(text: str, parameter: str) -> tuple[str, object]:
    name, equals, value = parameter.partition("=")
    if not equals or not name.isidentifier():
        raise GrammarError(f"grammar {text!r}: got {parameter!r}, expected parameter=value")
    for kind in (int, float):
        try:
            return name, kind(value)
        except ValueError:
            continue
    return name, value


def _from_entry_point(text: str, name: str) -> Callable[..., Any]:
    offered = {point.name: point for point in entry_points(group=GROUP)}
    if name not in offered:
        known = sorted({DEFAULT, *_SHIPPED, *offered})
        raise GrammarError(
            f"no grammar {name!r}: expected one of {', '.join(known)}, "
            f"or module:Class{nearest(name, known)}"
        )
    point = offered[name]
    return _from_module(text, f"{point.module}:{point.attr}")


def _from_module(text: str, name: str) -> Callable[..., Any]:
    if re.fullmatch(r"\w+(\.\w+)*:\w+", name) is None:
        raise GrammarError(f"grammar {text!r}: expected module:Class, such as pennant:Pennant")
    module_name, _, attribute = name.partition(":")
    try:
        module = importlib.import_module(module_name)
    except Exception as error:
        missing = error.name if isinstance(error, ModuleNotFoundError) else None
        if missing is None or not f"{module_name}.".startswith(f"{missing}."):
            raise GrammarError(
                f"grammar {text!r}: the module {module_name!r} {_failure('on import', error)}"
            ) from error
        modules = [each.name for each in pkgutil.iter_modules()]
        raise GrammarError(
            f"grammar {text!r}: no module {missing!r} in the current folder or on Python's "
            f"path{nearest(missing, modules)}"
        ) from None
    if not hasattr(module, attribute):
        names = [each for each in vars(module) if not each.startswith("_")]
        raise GrammarError(
            f"grammar {text!r}: the module {module_name!r} has no {attribute!r}"
            f"{nearest(attribute, names)}"
        )
    return getattr(module, attribute)  # type: ignore[no-any-return]


def _check_factory(text: str, make: object, options: dict[str, object]) -> None:
    if not callable(make):
        raise GrammarError(
            f"grammar {text!r}: found {make!r:.40}, expected a class with the methods of "
            "dryrig.protocol.Dialect"
        )
    if isinstance(make, type):
        _check_methods(text, make, make.__name__)
    try:
        signature = inspect.signature(make)
    except ValueError:
        return  # something built in, which shows when it is called
    parameters = list(signature.parameters.values())
    known = [
        each.name
        for place, each in enumerate(parameters)
        if each.kind == each.KEYWORD_ONLY or (each.kind == each.POSITIONAL_OR_KEYWORD and place > 1)
    ]
    any_name = any(each.kind == each.VAR_KEYWORD for each in parameters)
    for name in options:
        if name not in known and not any_name:
            raise GrammarError(
                f"grammar {text!r}: no parameter {name!r}: expected "
                f"{' or '.join(known) or 'none'}{nearest(name, known)}"
            )
    try:
        signature.bind(None, None, **options)
    except TypeError as error:
        raise GrammarError(
            f"grammar {text!r} cannot be called with a rig and wake_at: {error}"
        ) from None


def _check_methods(text: str, thing: object, name: str) -> None:
    missing = [method for method in _METHODS if not callable(getattr(thing, method, None))]
    if not hasattr(thing, "busy"):
        missing.append("busy")
    if missing:
        raise GrammarError(
            f"grammar {text!r}: {name} has no {', '.join(missing)}: "
            "make it a subclass of dryrig.protocol.Dialect"
        )
    receive = getattr(thing, "receive", None)
    if getattr(receive, "__func__", receive) is Dialect.receive:
        raise GrammarError(f"grammar {text!r}: {name} must write its own receive(self, data)")


def _failure(where: str, error: Exception) -> str:
    """`failed in receive: ValueError: ... (pennant.py, line 12)`, the deepest line of that file."""
    frames = [
        frame
        for frame in traceback.extract_tb(error.__traceback__)
        if os.path.dirname(frame.filename) not in _NOT_THEIRS and frame.filename[0] != "<"
    ]
    what = f"failed {where}: {type(error).__name__}: {error}"
    if not frames:
        return what
    last = [frame for frame in frames if frame.filename == frames[0].filename][-1]
    return f"{what} ({os.path.basename(last.filename)}, line {last.lineno})"


_NOT_THEIRS = (os.path.dirname(__file__), os.path.dirname(importlib.__file__))
