"""The homing methods of CiA 402 / IEC 61800-7-201 that there are here, and those that are not.

Methods 1-6, 17-22, 33-35 and 37 are the standard's. Neither a hard stop nor a slow second search
of a limit switch is in it, so that -1 to -4 lie in the manufacturer's range (values from drive
manuals and from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Needs = Literal["limit switch", "home switch", "index", "hard stop", "nothing"]


@dataclass(frozen=True)
class Method:
    """One number of object 6098h.

    `side` is where its switch is pressed (-1: from its edge on towards negative positions), or
    the sense of the search where there is no switch. `edge` is the switch edge that is home, or
    that the index is counted from: FALL as the joint leaves the switch, RISE as it meets it.
    """

    number: int
    needs: Needs
    side: int
    edge: Literal["RISE", "FALL", ""]
    index: bool
    words: str


TWICE = "limit switch, where it is pressed: fast, back off, slowly again (common practice)"


def _table() -> dict[int, Method]:
    found = []
    for limit, side in (("negative", -1), ("positive", 1)):
        base = 1 if side < 0 else 2
        words = f"{limit} limit switch, where it lets go"
        found.append(Method(base, "limit switch", side, "FALL", True, f"first index past {words}"))
        found.append(Method(base + 16, "limit switch", side, "FALL", False, words))
    for first, side, name in ((3, 1, "positive"), (5, -1, "negative")):
        for number, edge, words in (
            (first, "FALL", "where it lets go"),
            (first + 1, "RISE", "where it is pressed"),
        ):
            where = f"{name} home switch, {words}"
            what: Literal["RISE", "FALL"] = "FALL" if edge == "FALL" else "RISE"
            found.append(
                Method(number, "home switch", side, what, True, f"first index past {where}")
            )
            found.append(Method(number + 16, "home switch", side, what, False, where))
    found += [
        Method(33, "index", -1, "", True, "next index in negative direction"),
        Method(34, "index", 1, "", True, "next index in positive direction"),
        Method(35, "nothing", 0, "", False, "present position (superseded by 37)"),
        Method(37, "nothing", 0, "", False, "present position"),
        Method(-1, "hard stop", -1, "", False, "negative hard stop, with limited current"),
        Method(-2, "hard stop", 1, "", False, "positive hard stop, with limited current"),
        Method(-3, "limit switch", -1, "RISE", False, f"negative {TWICE}"),
        Method(-4, "limit switch", 1, "RISE", False, f"positive {TWICE}"),
    ]
    return {
        method.number: method
        for method in sorted(found, key=lambda m: (m.number < 0, abs(m.number)))
    }


OWN = Method(0, "nothing", 0, "", False, "by a routine of the user's own")
"""For a joint that no method here has homed."""

METHODS = _table()
"""Every method there is here, by its number."""

REFUSED = {
    **dict.fromkeys(range(7, 15), "needs a home switch and a limit switch; a joint has one input"),
    **dict.fromkeys(range(23, 31), "needs a home switch and a limit switch; a joint has one input"),
    **dict.fromkeys((15, 16, 31, 32, 36), "is reserved in CiA 402"),
}
"""Numbers of the standard that are not to be had, and why."""


def methods_markdown() -> str:
    """The methods as a table, as README has it."""
    lines = ["| method | uses | home is |", "|---|---|---|"]
    lines += [f"| {m.number} | {m.needs} | {m.words} |" for m in METHODS.values()]
    return "\n".join(lines) + "\n"
