"""Command headers: long and short forms, optional nodes, the path of a compound message.

Short-form rule: Keithley 2000 user manual, page 4-35 (four letters or fewer: no short form;
else the first four, or three when the fourth is a vowel). Path rule: Keysight N3301A, page 18
(after `;` the next header starts where the last colon was); common commands neither use nor
change it (Hioki 3541).
"""

from __future__ import annotations

import difflib
import itertools
import re
from collections.abc import Iterable
from typing import Generic, TypeVar

from .status import ScpiError

MNEMONIC_LIMIT = 12
KNOWN_HINTS = 256
_NODE = re.compile(r"\[:([A-Za-z]+)\]|:?([A-Za-z]+)")
_SENT = re.compile(r"\s*(\*[A-Za-z]+|:?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*)(\??)")

T = TypeVar("T")


def short_form(word: str) -> str:
    """The short form of a keyword, in upper case."""
    word = word.upper()
    if len(word) <= 4:
        return word
    return word[:3] if word[3] in "AEIOUY" else word[:4]


def spelling(word: str) -> str:
    """A keyword with its short form in capitals, as manuals print it."""
    short = short_form(word)
    return short + word[len(short) :].lower()


def accepted(header: str) -> list[str]:
    """Every upper-case spelling of a declared header such as `SYSTem:ERRor[:NEXT]`."""
    if header.startswith("*"):
        return [header.upper()]
    choices: list[list[str]] = []
    for optional, fixed in _NODE.findall(header):
        word = (optional or fixed).upper()
        forms = [word] if short_form(word) == word else [word, short_form(word)]
        choices.append([":" + form for form in forms] + ([""] if optional else []))
    return ["".join(parts).lstrip(":") for parts in itertools.product(*choices)]


def split_header(unit: str) -> tuple[str, bool, str]:
    """Header in upper case, whether it is a query, and the rest of a message unit.

    Raises ScpiError -101, -111 or -112.
    """
    match = _SENT.match(unit)
    if match is None:
        raise ScpiError(-101, f"a header cannot start with {unit.strip()[:12]!r}")
    header, query = match.group(1).upper(), bool(match.group(2))
    rest = unit[match.end() :]
    if rest and not rest[0].isspace():
        raise ScpiError(-111, f"{header}: expected a space after the header, got {rest[0]!r}")
    for word in header.lstrip("*:").split(":"):
        if len(word) > MNEMONIC_LIMIT:
            raise ScpiError(-112, f"{word[:20]}: at most {MNEMONIC_LIMIT} characters")
    return header, query, rest.strip()


class HeaderTable(Generic[T]):
    """Finds what a header stands for, in any accepted spelling."""

    def __init__(self, declared: Iterable[tuple[str, T]]) -> None:
        self._found: dict[str, T] = {}
        self._plain: dict[str, str] = {}
        self._usual: list[str] = []
        self._hints: dict[str, str] = {}
        for header, thing in declared:
            forms = accepted(header)
            # All long and all short: near enough for a hint.
            self._usual += dict.fromkeys((forms[0], forms[-1]))
            for form in forms:
                if form in self._found:
                    raise ValueError(f"{header}: another declaration already answers to {form}")
                self._found[form] = thing
                self._plain[form] = header

    def find(self, header: str, path: str) -> tuple[T, str]:
        """What `header` (upper case) means after `path`, and the path it leaves behind.

        Raises ScpiError -113 (with the nearest declared header) or -114.
        """
        if header.startswith("*"):
            thing = self._found.get(header)
            if thing is None:
                raise self._undefined(header, header)
            return thing, path
        full = header[1:] if header.startswith(":") else path + header
        thing = self._found.get(full)
        if thing is None:
            bare = re.sub(r"\d+(?=:|$)", "", full)
            if bare == full or bare not in self._found:
                raise self._undefined(header, full)
            # A missing suffix means 1, so that 1 may be written; no word here has a second.
            if re.sub(r"(?<!\d)1(?=:|$)", "", full) != bare:
                raise ScpiError(-114, f"{full}: {self._plain[bare]} takes no numeric suffix")
            thing = self._found[bare]
        return thing, full[: full.rfind(":") + 1]

    def _undefined(self, header: str, full: str) -> ScpiError:
        root = header.lstrip(":")
        if root in self._found:
            return ScpiError(
                -113, f"{full}: after a semicolon write :{root}, a colon starts from the root"
            )
        close = self._nearest(full[:60])
        if not close and root != full:
            close = self._nearest(root[:60])
        hint = f": did you mean {self._plain[close]}?" if close else ""
        return ScpiError(-113, full[:60] + hint)

    def _nearest(self, header: str) -> str:
        # It takes half a millisecond: a host that floods the port with one wrong word pays once.
        if header not in self._hints:
            if len(self._hints) == KNOWN_HINTS:
                self._hints.clear()
            close = difflib.get_close_matches(header, self._usual, n=1, cutoff=0.5)
            self._hints[header] = close[0] if close else ""
        return self._hints[header]
