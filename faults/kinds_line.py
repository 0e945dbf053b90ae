"""Kinds of fault on the serial line between host and card: filters, not parts."""

from __future__ import annotations

from collections.abc import Mapping

from . import line
from .gates import Parameter
from .kind import Kind

_WAY = Parameter(0.0, 0.0, 2.0, "0: both ways, 1: to the card, 2: to the host", whole=True)
_TO_HOST = Parameter(2.0, 1.0, 2.0, "1: to the card, 2: to the host", whole=True)
_PER = Parameter(1e-3, 0.0, 1.0, "of the bytes, by chance")
_TWICE = "A program that repeats a move after a lost reply moves twice."
_MODEL = "IEC 61508-2 table A.1, communication: "


def _line(
    name: str,
    act: line.Filter,
    parameters: Mapping[str, Parameter],
    *,
    what: str,
    shows: str,
    look: str,
    mistaken: str,
    model: str,
    caution: str = _TWICE,
    variants: tuple[str, ...] = (),
    way: Parameter = _WAY,
) -> Kind:
    return Kind(
        name,
        "line",
        what=what,
        shows=shows,
        look=look,
        mistaken=mistaken,
        caution=caution,
        model=f"{_MODEL}{model} (value from memory)",
        line=act,
        parameters={**parameters, "way": way},
        variants=variants,
    )


KINDS = (
    _line(
        "drop",
        line.drop,
        {"per": _PER},
        what="Bytes get lost on the serial line.",
        shows="Missing or garbled replies, unknown commands in the error queue.",
        look="Repeat one query many times; compare replies.",
        mistaken="A program that falls over; a wrong baud rate.",
        model="no transmission",
    ),
    _line(
        "double",
        line.double,
        {"per": _PER},
        what="Bytes come twice: a bad adapter or driver, an echo.",
        shows="Digits too many: numbers ten times too large, unknown commands.",
        look="Repeat one query many times; compare replies; send a long number and ask it back.",
        mistaken="Noise; a program that sends twice.",
        model="wrong data, repetition",
        caution="A doubled digit makes a move ten times as long: bound every move.",
    ),
    _line(
        "noise",
        line.noise,
        {"per": _PER},
        what="Interference turns bits over: a cable beside motor leads, no common 0 V.",
        shows="Wrong characters now and then; numbers that differ by one digit.",
        look="Repeat one query many times; again with the drives off.",
        mistaken="Lost bytes; a wrong baud rate, which spoils every byte.",
        model="wrong data",
        caution="A digit that changed is still a number: bound every move.",
    ),
    _line(
        "delay",
        line.delay,
        {"s": Parameter(0.2, 1e-4, 60.0, "s")},
        what="Bytes come late: a buffering adapter, a network on the way.",
        shows="All is right and slow; with a short time-out, replies are one question behind.",
        look="Time one query; number the questions and match the replies.",
        mistaken="A slow card; a program that reads the reply before.",
        model="delay",
        caution="A stop on a slow line comes late: it is no emergency stop.",
        variants=("s=20",),
    ),
    _line(
        "behind",
        line.behind,
        {},
        what="A converter on the line came to hold a reply back, and is one behind ever since.",
        shows="Each question gets the reply to the one before: plausible nonsense.",
        look="Ask who it is, then something else: does its name come again? Echo a known number.",
        mistaken="A card that counts wrongly; a program that mixes up its axes.",
        model="wrong sequence",
        way=_TO_HOST,
        caution="A program that believes the last level or count moves too far: bound every move.",
    ),
    _line(
        "stall",
        line.stall,
        {"per": _PER, "s": Parameter(2.0, 1e-3, 600.0, "s")},
        what="Now and then the line stands still, and then goes on: flow control, a busy host.",
        shows="A reply that takes seconds, then all is well.",
        look="Time many queries: most fast, a few very slow.",
        mistaken="A card that hangs; lost bytes, which never come.",
        model="delay",
        caution="A stop may be what is held up: it is no emergency stop.",
    ),
    _line(
        "baud",
        line.baud,
        {"ratio": Parameter(2.0, 0.05, 20.0, "card's rate over the host's")},
        what="Host and card are set to different rates.",
        shows="Nothing but rubbish, or nothing at all, from the first byte on.",
        look="The settings at both ends; one known character and what comes of it.",
        mistaken="Noise, which leaves most bytes right; crossed lines, which are silent.",
        model="wrong data",
        caution="Rubbish may be a command: drives off while rates are tried.",
        variants=("ratio=0.5", "ratio=1.06"),
    ),
    _line(
        "cut",
        line.cut,
        {},
        what="The serial cable is out, or one of its lines is broken.",
        shows="No reply. With one line only: commands act and nothing comes back, or the reverse.",
        look="Does the card do what it is told, though it is silent? Continuity of the cable.",
        mistaken="A dead card; another port; a wrong baud rate.",
        model="no transmission",
        variants=("way=1", "way=2"),
    ),
)
"""In the order in which they are listed."""
