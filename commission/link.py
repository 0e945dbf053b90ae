"""Link: the card answers, always alike, reports errors, and its clock runs."""

from __future__ import annotations

from .errors import CardError, GarbledReply, NoAnswer
from .findings import Check, Kind, Symptom, judged
from .station import Station

# Enough bytes to meet a fault of one in a thousand with a few per cent of luck left.
REPEATS = 20
PAUSE_S = 0.1
OUT_OF_RANGE = -222


def check_link(station: Station) -> Check:
    """Identify repeatedly, provoke one error, watch the clock."""
    card = station.card
    station.progress("link: identify, error queue, clock")
    problems = []
    identity = card.identify()
    try:
        answers = [card.identify() for _ in range(REPEATS)]
    except (NoAnswer, GarbledReply, CardError) as error:
        problems.append(str(error))
    else:
        odd = [answer for answer in answers if answer != identity]
        if odd:
            problems.append(f"{len(odd)} of {REPEATS} repeats differ, e.g. {odd[0]!r}")
    if not problems:
        problems += _error_queue(station) + _clock(station)
    evidence = f"identifies as {identity!r}"
    if not problems:
        evidence += f", {REPEATS} times alike; reports a wrong setting; clock runs"
    evidence = "; ".join((evidence, *problems))
    symptoms = [Symptom(Kind.LINK, None)] if problems else []
    return judged("link", None, symptoms, evidence)


def _error_queue(station: Station) -> list[str]:
    """A rate of zero must be refused, and the refusal told, once."""
    try:
        station.card.line.ask("STEP:RATE 0,(@1)")
    except CardError as error:
        if error.number == OUT_OF_RANGE:
            return []
        return [f"a step rate of 0 is refused with {error.number}, not {OUT_OF_RANGE}"]
    return ["a step rate of 0 is accepted: wrong settings go unreported"]


def _clock(station: Station) -> list[str]:
    before_s = station.card.clock_s()
    station.card.pause(PAUSE_S)
    passed_s = station.card.clock_s() - before_s
    return [] if passed_s >= PAUSE_S else [f"the clock moved {passed_s:.4f} s in {PAUSE_S} s"]
