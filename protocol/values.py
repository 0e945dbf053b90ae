"""Data types of the grammar: what a parameter may be, how it is read, how replies are written.

Non-decimal numbers (`#H #Q #B`), MINimum/MAXimum/DEFault and channel lists follow IEEE 488.2 and
SCPI-1999 as the public repository j123b567/scpi-parser and the Agilent 3499A manual (page 115)
show them. Suffix multipliers are from memory.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

from .headers import short_form, spelling
from .status import ScpiError

NOT_A_NUMBER = "9.91E37"  # SCPI-1999's way to say that there is no value
INFINITY = "9.9E37"  # and that it is too great to be shown

_DECIMAL = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:\s*E\s*[+-]?\d+)?)\s*(.*)", re.I | re.S)
_OTHER_BASE = {"H": 16, "Q": 8, "B": 2}
_LIMITS = ("MIN", "MINIMUM", "MAX", "MAXIMUM", "DEF", "DEFAULT")
_MULTIPLIERS = {
    **{"EX": 1e18, "PE": 1e15, "T": 1e12, "G": 1e9, "MA": 1e6, "K": 1e3},
    **{"M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12, "F": 1e-15, "A": 1e-18},
}


def _suffixes(unit: str) -> dict[str, float]:
    """A suffix unit with every multiplier of IEEE 488.2; `MHZ` is the exception, mega."""
    found = {unit: 1.0, **{letters + unit: by for letters, by in _MULTIPLIERS.items()}}
    return found | ({"MHZ": 1e6} if unit == "HZ" else {})


_SUFFIXES: dict[str, dict[str, float]] = {
    "s": _suffixes("S"),
    "steps/s": _suffixes("HZ"),
    "deg": {"DEG": 1.0, "RAD": 180.0 / math.pi},
}
_USUAL = {"s": "S, MS, US", "steps/s": "HZ, KHZ", "deg": "DEG, RAD"}


class Parameter(Protocol):
    """One parameter of a command."""

    @property
    def optional(self) -> bool:
        """Whether it may be left out."""
        ...

    @property
    def shown(self) -> str:
        """Its place holder in the reference."""
        ...

    def parse(self, text: str) -> object:
        """The value of one program data element. Raises ScpiError."""
        ...


def is_limit(text: str) -> bool:
    """Whether this is MINimum, MAXimum or DEFault."""
    return text.upper() in _LIMITS


def _kind(text: str) -> str:
    if text[0] in "\"'":
        return "string"
    if text[0] == "(":
        return "expression"
    if text[0] == "#":
        return "number" if text[1:2].upper() in _OTHER_BASE else "block"
    if text[0].isdigit() or text[0] in "+-.":
        return "number"
    return "character"


_REFUSED = {"string": -158, "expression": -178, "number": -128, "block": -168, "character": -148}


def _refuse(text: str, expected: str) -> ScpiError:
    return ScpiError(_REFUSED[_kind(text)], f"{text[:40]}: expected {expected}")


@dataclass(frozen=True)
class Number:
    """A real number with a unit and a range.

    With `limits` off it takes no MINimum, MAXimum or DEFault: IEEE 488.2's own commands do not.
    """

    name: str
    unit: str
    low: float
    high: float
    default: float | None = None
    optional: bool = False
    whole: bool = False
    limits: bool = True

    @property
    def shown(self) -> str:
        """Place holder such as `<rate>`."""
        return f"<{self.name}>"

    @property
    def range_text(self) -> str:
        """`1 to 200000 steps/s`."""
        return f"{self.low:.10g} to {self.high:.10g} {self.unit}".rstrip()

    def parse(self, text: str) -> float:
        """The value, in `unit`; a whole number is rounded first, as IEEE 488.2 asks."""
        value = self._value(text)
        if self.whole:
            value = math.floor(value + 0.5) if math.isfinite(value) else value
        if not self.low <= value <= self.high:
            raise ScpiError(-222, f"{text[:30]}: {self.range_text}")
        return value

    def _value(self, text: str) -> float:
        kind = _kind(text)
        if kind == "character":
            return self._word(text.upper())
        if kind != "number":
            raise _refuse(text, f"a number, {self.range_text}")
        if text[0] == "#":
            try:
                return float(int(text[2:], _OTHER_BASE[text[1].upper()]))
            except ValueError:
                raise ScpiError(-121, f"{text[:40]}: not a number of that base") from None
        match = _DECIMAL.fullmatch(text)
        if match is None:
            raise ScpiError(-121, f"{text[:40]}: expected {self.range_text}")
        digits = re.sub(r"\s", "", match.group(1)).upper()
        mantissa, _, exponent = digits.partition("E")
        if len(mantissa.lstrip("+-0")) > 255:
            raise ScpiError(-124, f"{self.name}: more than 255 digits in a number")
        if len(exponent.lstrip("+-0")) > 5 or abs(int(exponent or 0)) > 32000:
            raise ScpiError(-123, f"{self.name}: an exponent of {exponent[:12]}")
        return float(digits) * self._multiplier(match.group(2).strip())

    def _multiplier(self, suffix: str) -> float:
        if not suffix:
            return 1.0
        if suffix.upper() == "E":
            raise ScpiError(-121, f"{self.name}: no digits in the exponent")
        if not suffix.isalpha():
            raise ScpiError(-121, f"{self.name}: {suffix[:20]!r} after a number")
        known = _SUFFIXES.get(self.unit)
        if known is None:
            raise ScpiError(-138, f"{suffix[:20]}: {self.name} is written without a unit")
        if len(suffix) > 12:
            raise ScpiError(-134, suffix[:20])
        if suffix.upper() not in known:
            raise ScpiError(-131, f"{suffix}: expected one of {_USUAL[self.unit]}")
        return known[suffix.upper()]

    def _word(self, word: str) -> float:
        if not self.limits:
            raise _refuse(word, f"a number, {self.range_text}")
        if word in ("MIN", "MINIMUM"):
            return self.low
        if word in ("MAX", "MAXIMUM"):
            return self.high
        if word in ("DEF", "DEFAULT"):
            if self.default is None:
                raise ScpiError(-224, f"{self.name} has no default: {self.range_text}")
            return self.default
        raise _refuse(word, f"a number, {self.range_text}")


@dataclass(frozen=True)
class Switched:
    """ON, OFF or a number, where anything but 0 is ON."""

    name: str = "bool"
    optional: bool = False

    @property
    def shown(self) -> str:
        """`ON|OFF`."""
        return "ON|OFF"

    def parse(self, text: str) -> bool:
        """True for ON."""
        kind = _kind(text)
        if kind == "number":
            return round(Number(self.name, "", -1e300, 1e300).parse(text)) != 0
        if kind != "character":
            raise _refuse(text, "ON, OFF, 1 or 0")
        if text.upper() not in ("ON", "OFF"):
            raise ScpiError(-224, f"{text[:40]}: expected ON, OFF, 1 or 0")
        return text.upper() == "ON"


@dataclass(frozen=True)
class Choice:
    """One of a few words, in long or short form; the value is the short form."""

    name: str
    words: tuple[str, ...]
    optional: bool = False

    @property
    def shown(self) -> str:
        """`POSitive|NEGative`."""
        return "|".join(spelling(word) for word in self.words)

    def parse(self, text: str) -> str:
        """The short form, upper case."""
        if _kind(text) != "character":
            raise _refuse(text, self.shown)
        if text.isalnum() and len(text) > 12:
            raise ScpiError(-144, f"{text[:20]}: at most 12 characters, expected {self.shown}")
        sent = text.upper()
        for word in self.words:
            if sent in (word.upper(), short_form(word)):
                return short_form(word)
        close = difflib.get_close_matches(sent, [word.upper() for word in self.words], n=1)
        hint = f" (did you mean {close[0]}?)" if close else ""
        raise ScpiError(-224, f"{text[:40]}: expected {self.shown}{hint}")


@dataclass(frozen=True)
class Text:
    """A string in single or double quotes; a quote inside is doubled."""

    name: str
    optional: bool = False

    @property
    def shown(self) -> str:
        """`"<fault>"`."""
        return f'"<{self.name}>"'

    def parse(self, text: str) -> str:
        """What stands between the quotes."""
        if _kind(text) != "string":
            raise _refuse(text, f'a string in quotes, such as "{text[:30]}"')
        quote = text[0]
        return text[1:-1].replace(quote * 2, quote)


def parse_channels(text: str, count: int) -> list[int]:
    """Indexes from 0 of a channel list such as `(@1:3,6)`, in the order written.

    Raises ScpiError -171 for what is not such a list, -222 outside 1 to `count`.
    """
    return list(_channels(text, count))


@lru_cache(maxsize=256)
def _channels(text: str, count: int) -> tuple[int, ...]:
    if _kind(text) != "expression":
        raise _refuse(text, "a channel list such as (@1:6)")
    match = re.fullmatch(r"\(\s*@\s*(.*?)\s*\)", text, re.S)
    if match is None:
        raise ScpiError(-171, f"{text[:40]}: a channel list is written (@1:6) or (@1,3)")
    indexes: list[int] = []
    for part in match.group(1).split(","):
        span = re.fullmatch(r"\s*(\d{1,6})\s*(?::\s*(\d{1,6})\s*)?", part)
        if span is None:
            raise ScpiError(-171, f"{text[:40]}: {part.strip()[:20]!r} is no channel")
        first = int(span.group(1))
        last = int(span.group(2) or first)
        for channel in (first, last):
            if not 1 <= channel <= count:
                raise ScpiError(-222, f"{text[:40]}: channels 1 to {count}")
        step = 1 if last >= first else -1
        indexes.extend(channel - 1 for channel in range(first, last + step, step))
    if len(indexes) > 4 * count:
        raise ScpiError(-222, f"{text[:30]}: at most {4 * count} channels in one list")
    return tuple(indexes)


def real(value: float) -> str:
    """A number as briefly as it can be written to nine digits, in upper case."""
    if math.isinf(value):
        return INFINITY if value > 0 else f"-{INFINITY}"
    return f"{value + 0.0:.9g}".upper()


def joined(values: Sequence[str]) -> str:
    """Several replies in one, comma-separated."""
    return ",".join(values)
