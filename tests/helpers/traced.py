"""A rig to be traced, and what happens to it meanwhile."""

from __future__ import annotations

import itertools
from collections.abc import Callable

from dryrig.faults.inject import Injector
from dryrig.scenes import load_scene
from dryrig.sim.clock import TICKS_PER_S
from dryrig.sim.encoder import x4
from dryrig.sim.rig import Rig

SCENE = load_scene("heron")
POSE = [0, 60, -60, 0, 10, -150]
JOINTS = range(6)
S = TICKS_PER_S


def moves(rig: Rig, go: Callable[[int], None], end: int = 6 * S) -> None:
    """A move of every joint, then J6 onto its switch, which halts it; `go` runs to a tick."""
    card = rig.card
    for axis in JOINTS:
        card.enable(axis, True)
    go(S // 2)
    for axis in JOINTS:
        card.set_rate(axis, 2500)
        card.move(axis, 2400 if axis % 2 else -2400)
    go(min(end, 3 * S))
    if end > 3 * S:
        card.arm_halt(5, "RISE")
        card.run(5, -1)
        go(end)


def slips(rig: Rig, go: Callable[[int], None]) -> None:
    """A shoulder too weak for its arm, without a stand: the engine steps."""
    Injector(rig).insert("weak@J2.MOTOR,current=0.2")
    rig.hands.set_stand(False)
    for axis in JOINTS:
        rig.card.enable(axis, True)
    go(S // 4)
    rig.card.move(1, 900)
    go(2 * S)


def led(rig: Rig, go: Callable[[int], None]) -> None:
    """Hands turn a joint and press a switch, with the motor supply off."""
    rig.hands.set_motor_supply(False)
    rig.hands.turn(3, 20.0)
    rig.hands.press(4)
    go(3 * S)
    rig.hands.turn(3, -7.0)
    go(5 * S)


def levels(rig: Rig, joint: int) -> list[tuple[int, int, int]]:
    """Ticks at which A or B changed, and both levels from then on."""
    a, b = (rig.trace.signals().wave(f"J{joint + 1}.ENC.{channel}") for channel in "AB")
    now = {"A": int(a.values[0]), "B": int(b.values[0])}
    found = [(int(a.ticks[0]), now["A"], now["B"])]
    changes = sorted(
        [(int(tick), "A", int(level)) for tick, level in zip(a.ticks, a.values, strict=True)][1:]
        + [(int(tick), "B", int(level)) for tick, level in zip(b.ticks, b.values, strict=True)][1:]
    )
    for tick, group in itertools.groupby(changes, key=lambda change: change[0]):
        now |= {channel: level for _, channel, level in group}
        found.append((tick, now["A"], now["B"]))
    return found


def counted(rig: Rig, joint: int) -> int:
    """X4 count of the traced pins."""
    pins = [(a, b) for _, a, b in levels(rig, joint)]
    return sum(x4(before, after) for before, after in itertools.pairwise(pins))
