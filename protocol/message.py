"""Program messages: one line into units, one unit's data into elements."""

from __future__ import annotations

import re
from functools import lru_cache

from .status import ScpiError

_WHITE = bytes([32] * 32 + list(range(32, 256)))
_NOT_PLAIN = re.compile("[^ -~]")


@lru_cache(64)  # a program sends the same again and again, and a line has up to 64 KiB
def units_of(line: bytes) -> tuple[str, ...]:
    """The message units of a line, without empty ones. Raises ScpiError -101.

    IEEE 488.2 counts every control character but newline as white space.
    """
    text = line.translate(_WHITE).decode("latin-1")
    bad = _NOT_PLAIN.search(text)
    if bad is not None:
        raise ScpiError(-101, f"byte {ord(bad.group())} in a message; plain ASCII only")
    return tuple(unit for unit in split_units(text) if unit and not unit.isspace())


def split_units(line: str) -> list[str]:
    """The message units of a line, split at semicolons outside strings."""
    return _split(line, ";")


def split_data(data: str) -> list[str]:
    """The data elements of a unit, split at commas outside strings and parentheses.

    Raises ScpiError: -151 string without its end, -171 parentheses that do not match, -103 text
    after a string or an expression, -109 an empty element.
    """
    if not data:
        return []
    elements = [element.strip() for element in _split(data, ",")]
    for element in elements:
        _check(element)
    return elements


def _split(text: str, separator: str) -> list[str]:
    if separator not in text:
        return [text]
    parts: list[str] = []
    start = 0
    quote = ""
    depth = 0
    for index, char in enumerate(text):
        if quote:
            # A doubled quote closes and opens again: no special case needed.
            if char == quote:
                quote = ""
        elif char in "\"'":
            quote = char
        elif char == "(":
            depth += 1
        elif char == ")":
            depth -= 1
        elif char == separator and (depth <= 0 or separator == ";"):
            parts.append(text[start:index])
            start = index + 1
            depth = 0
    parts.append(text[start:])
    return parts


def _check(element: str) -> None:
    if not element:
        raise ScpiError(-109, "nothing stands before or after a comma")
    if element[0] in "\"'":
        quote = element[0]
        inner = element[1:].replace(quote * 2, "")
        if quote not in inner:
            raise ScpiError(-151, f"{element[:30]}: the closing {quote} is missing")
        if not inner.endswith(quote) or inner.count(quote) > 1:
            raise ScpiError(-103, f"{element[:30]}: expected a comma after the string")
    elif element[0] == "(":
        if ")" not in element:
            raise ScpiError(-171, f"{element[:30]}: the closing parenthesis is missing")
        if element.index(")") != len(element) - 1:
            raise ScpiError(-103, f"{element[:30]}: expected a comma after the parenthesis")
