"""A run told as a plain timeline: what it began with, what was said, what the card saw, the end.

For readers: what repeats is told once, and what is true of the arm stands beside what the card
says of it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import groupby
from typing import TYPE_CHECKING

from ..sim.clock import seconds
from ..sim.rig import TOUCHING_M
from .run_file import REPLY

if TYPE_CHECKING:
    from ..sim.rig import Rig
    from .run_file import Notes
    from .station import Station

_Told = tuple[int, int, str]
MOST_LINES = 60
# From so many on, questions that differ by a number in front are told once.
_LEAST_POLLS = 4
_NUMBER = re.compile(r"^(\w+ <- \D*)\d+")
_NEAR_STOP_DEG = 0.5
_WORDS = {
    "REST": "comes to rest",
    "RISE": "switch input rises",
    "FALL": "switch input falls",
    "INDEX": "index",
    "HALT": "halts on its edge",
    "FOLL": "following error beyond its limit",
    "STOP": "the stop circuit opens",
    "CLOS": "the stop circuit closes",
    "LOW": "the motor supply is low",
    "SUPP": "the motor supply is back",
    "BOOT": "the card starts anew, or falls into reset",
}


def tell(notes: Notes) -> str:
    """The story of a run so far, times in s of rig time; long ones lose their middle."""
    station = notes.station
    rig = station.rig
    names = [joint.name for joint in rig.scene.joint]
    told = [
        (action.tick, 1, _said(action.role, action.what, action.data))
        for action in notes.actions
        if action.what != REPLY
    ]
    told += [
        (each.tick, 0, f"{'card' if each.axis is None else names[each.axis]}: {_WORDS[each.what]}")
        for each in rig.card.happened
    ]
    told.sort(key=lambda entry: entry[:2])
    lines = []
    for alike in _alike(told):
        texts = list(dict.fromkeys(text for _, _, text in alike))
        more = len(alike) - 1
        again = f"  ({more} times more)" if more else ""
        if len(texts) > 1:
            again = f"  ({more} more like it, until {seconds(alike[-1][0]):.4f} s)"
        lines.append(f"{seconds(alike[0][0]):10.4f} s  {texts[0]}{again}")
    if len(lines) > MOST_LINES:
        cut = len(lines) - MOST_LINES
        lines[MOST_LINES // 3 : MOST_LINES // 3 + cut] = [f"              ... {cut} lines ..."]
    end = f"{seconds(rig.now):10.4f} s  "
    began = ", ".join([notes.scene_name, f"seed {rig.seed}", *notes.begun_with])
    last = notes.ended if notes.ended is not None else standing(station)
    return "\n".join([f"    0.0000 s  {began}", *lines, *(end + line for line in last)])


def _alike(told: list[_Told]) -> Iterator[list[_Told]]:
    """What repeats, in one piece: also a poll, alike but for the number that a host begins with."""
    for _, group in groupby(told, key=lambda entry: _NUMBER.sub(r"\1#", entry[2])):
        entries = list(group)
        if len(entries) >= _LEAST_POLLS:
            yield entries
        else:
            for _, same in groupby(entries, key=lambda entry: entry[2]):
                yield list(same)


def standing(station: Station) -> tuple[str, ...]:
    """How each joint stands now, a line each, what touches, and which faults are in."""
    rig = station.rig
    lines = [_joint(rig, axis, deg) for axis, deg in enumerate(rig.truth_deg())]
    # Where something touches the engine is at work; looking then moves nothing.
    if rig.motion.engine and (least := rig.closest()) and least[0] < TOUCHING_M:
        lines.append(f"{least[1]} TOUCH")
    return (*lines, f"faults in: {', '.join(station.injector.listed()) or 'none'}")


def _joint(rig: Rig, axis: int, deg: float) -> str:
    joint, switch = rig.scene.joint[axis], rig.switches[axis]
    where = [f"{joint.name} stands at {round(deg, 2) + 0.0:.2f} {joint.unit}"]  # no -0.00
    if min(abs(deg - stop) for stop in joint.stops_deg) < _NEAR_STOP_DEG:
        where.append("AT ITS HARD STOP")
    if switch.pressed:
        where.append("on its switch")
    if rig.level(axis) != switch.pressed:
        where.append(f"which the input reads as {rig.level(axis)}")
    where.append(f"steps {rig.card.steps(axis)}, counts {rig.card.count(axis)}")
    where.append("drive on" if rig.card.enabled(axis) else "drive off")
    if rig.card.moving(axis):
        where.append("pulses going out")
    return ", ".join(where)


def _said(role: str, what: str, data: bytes) -> str:
    if what != "send":
        return f"{role} {what}"
    return f"{role} <- {data.decode('latin-1').strip()[:120]!r}"
