"""A person at the bench: what anybody would do with an arm to see which row of a table it is.

All goes over the card's and the hands' ports; nothing here knows of the plant.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import serial

from dryrig.scenes import Joint, load_scene

JOINTS: dict[int, Joint] = dict(enumerate(load_scene("heron").joint, 1))
POSE_DEG = {1: -150.0, 2: 60.0, 3: 10.0, 4: 0.0, 5: 30.0, 6: 0.0}
"""Where the arm stands when nothing else is said: J1 and J3 within 25 deg of their switches."""
TURN_DEG, JOG_DEG, SEARCH_DEG, LEAVE_DEG = 10.0, 6.0, 57.0, 57.0
SETTLE_S = 0.2
_bench = itertools.count()


class Bench:
    """An arm with faults, and both ports of it."""

    def __init__(
        self, faults: tuple[str, ...], seed: int, pose_deg: Mapping[int, float], scene: str
    ) -> None:
        pose = ",".join(str(deg) for deg in (POSE_DEG | dict(pose_deg)).values())
        url = f"dryrig://{scene}?rig=row{next(_bench)}&seed={seed}&start={pose}"
        url += "".join(f"&fault={fault}" for fault in faults)
        self.haste = 1.0
        """What accelerations are multiplied by."""
        self._card = serial.serial_for_url(url, timeout=200)
        self._hands = serial.serial_for_url(f"{url}&port=hands", timeout=200)

    def close(self) -> None:
        self._card.close()
        self._hands.close()

    @staticmethod
    def _ask(port: Any, line: str) -> list[str]:
        port.write(line.encode() + b"\n")
        return port.readline().decode().strip().replace(";", ",").split(",") if "?" in line else []

    def card(self, line: str) -> list[str]:
        return self._ask(self._card, line)

    def hands(self, line: str) -> list[str]:
        return self._ask(self._hands, line)

    def counts(self) -> dict[int, int]:
        return dict(enumerate(map(int, self.card("ENC:COUN? (@1:6)")), 1))

    def eyes_deg(self) -> dict[int, float]:
        return dict(enumerate(map(float, self.hands("LOOK? (@1:6)")), 1))

    def level(self, joint: int) -> int:
        return int(self.card(f"SWIT:LEV? (@{joint})")[0])

    def volts(self, red: str, black: str = "RAIL.0V") -> float:
        return float(self.hands(f'MEAS:VOLT:DC? "{red}","{black}"')[0])

    def ohms(self, red: str, black: str) -> float:
        return float(self.hands(f'MEAS:RES? "{red}","{black}"')[0])

    def held(self, red: str, rail: str) -> bool:
        """Whether a terminal stays where it is when 10 kohm pulls it to a rail: no float does."""
        before = self.volts(red)
        self.hands(f'CLIP "{red}","{rail}"')
        after = self.volts(red)
        self.hands("CLIP:OFF")
        return abs(after - before) < 0.1

    def wait(self, seconds: float) -> None:
        end = float(self.card("CLOC:TIME?")[0]) + seconds
        while (left := end - float(self.card("CLOC:TIME?")[0])) > 1e-4:
            self.card(f"WAIT? {left:.5f}")

    def turn(self, joint: int, deg: float) -> str:
        self.hands(f"TURN {deg},(@{joint})")
        return self.hands(f"*OPC?;:FEEL? (@{joint})")[1]

    def motors(self, *joints: int) -> None:
        self.hands("SUPP:MOT ON")
        self.card(f"DRIV:ENAB ON,(@{_list(joints)})")
        self.wait(SETTLE_S)

    def start(self, moves: Mapping[int, float], deg_s: float | None = None) -> None:
        """Start moves, degrees of each joint, at the speed of its fast search unless said."""
        units = []
        for number, deg in moves.items():
            joint = JOINTS[number]
            scale = abs(joint.steps_per_deg)
            rate, acceleration = deg_s or joint.home.fast_deg_s, joint.home.acceleration_deg_s2
            self.card(f"STEP:RATE {rate * scale:.1f},(@{number})")
            self.card(f"STEP:ACC {self.haste * acceleration * scale:.1f},(@{number})")
            units.append(f"STEP:MOVE {round(deg * scale) * joint.direction},(@{number})")
        self.card(";:".join(units))

    def move(self, moves: Mapping[int, float], deg_s: float | None = None) -> Moved:
        """Moves until nothing moves any more."""
        eyes, counts = self.eyes_deg(), self.counts()
        self.start(moves, deg_s)
        self.card("*OPC?")
        self.wait(SETTLE_S)
        at, now = self.eyes_deg(), self.counts()
        return Moved(
            {joint: at[joint] - eyes[joint] for joint in at},
            {joint: now[joint] - counts[joint] for joint in now},
            at,
        )

    def search(
        self, edge: str, moves: Mapping[int, float], deg_s: float | None = None
    ) -> tuple[dict[int, Latch], Moved]:
        """Moves that an edge of the joint's own switch halts; they end at the latest when done."""
        self.card(f"HALT:EDGE {edge},(@{_list(moves)})")
        moved = self.move(moves, deg_s)
        values = [float(value) for value in self.card(f"HALT:LATC? (@{_list(moves)})")]
        self.card(f"HALT:EDGE OFF,(@{_list(moves)})")
        found = {
            joint: Latch(bool(values[4 * n]), int(values[4 * n + 1]), int(values[4 * n + 2]))
            for n, joint in enumerate(moves)
        }
        return found, moved

    def gauge_deg(self, joint: int) -> float | None:
        """J1 by its witness mark, all others by level; None outside the mark's window."""
        value = float(self.hands(f"MARK? (@{joint})" if joint == 1 else f"LEV? (@{joint})")[0])
        return None if value > 1e30 else value


def _list(joints: Any) -> str:
    return ",".join(str(joint) for joint in joints)


@dataclass(frozen=True)
class Moved:
    """By eye and by count, of every joint; and where they stand by eye."""

    eye_deg: Mapping[int, float]
    counts: Mapping[int, int]
    at_deg: Mapping[int, float]


@dataclass(frozen=True)
class Latch:
    hit: bool
    count: int
    step: int


@dataclass
class Homing:
    """What a plain two-stage homing met; stages that were not reached stay None."""

    already_on: bool
    left: tuple[Latch, Moved] | None = None
    fast: tuple[dict[int, Latch], Moved] | None = None
    released: bool | None = None
    backed: Moved | None = None
    slow: Latch | None = None
    gauge_deg: list[float | None] = field(default_factory=list)
    counts: list[int] = field(default_factory=list)


@dataclass
class Seen:
    """What the columns of the table ask for, up to the meter."""

    turned: list[tuple[str, Mapping[int, int]]]
    levels: dict[str, int]
    rail_3v3_v: dict[str, float]
    jogs: list[Moved]
    jogs_by_gauge_deg: list[float | None]
    feel: str
    drops_deg: float
    homing: list[Homing]


def _by_hand(bench: Bench, joint: int) -> list[tuple[str, Mapping[int, int]]]:
    bench.hands("SUPP:MOT OFF")
    bench.wait(SETTLE_S)
    turned = []
    for deg in (TURN_DEG, -TURN_DEG):
        before = bench.counts()
        felt = bench.turn(joint, deg)
        after = bench.counts()
        turned.append((felt, {number: after[number] - before[number] for number in after}))
    return turned


def _press(bench: Bench, joint: int) -> tuple[dict[str, int], dict[str, float]]:
    levels, rail = {"rest": bench.level(joint)}, {"rest": bench.volts("RAIL.3V3")}
    bench.hands(f"PRES (@{joint})")
    bench.wait(0.05)
    levels["pressed"], rail["pressed"] = bench.level(joint), bench.volts("RAIL.3V3")
    bench.hands(f"REL (@{joint})")
    bench.wait(0.05)
    levels["released"] = bench.level(joint)
    return levels, rail


def _home(bench: Bench, joints: tuple[int, ...]) -> Homing:
    """Leave the switch if it is on, fast to it, back off, slowly to it, away and to the gauge."""
    joint = joints[0]
    ends = {number: 1 if JOINTS[number].home.end == "positive" else -1 for number in joints}
    end, home = ends[joint], JOINTS[joint].home
    seen = Homing(bool(bench.level(joint)))
    if seen.already_on:
        latches, moved = bench.search("FALL", {joint: -end * LEAVE_DEG})
        seen.left = latches[joint], moved
        if not latches[joint].hit:
            return seen
    seen.fast = bench.search("RISE", {number: sign * SEARCH_DEG for number, sign in ends.items()})
    latch = seen.fast[0][joint]
    if not latch.hit:
        return seen
    seen.backed = bench.move({joint: _to(bench, joint, latch.step) - end * home.back_off_deg})
    seen.released = not bench.level(joint)
    if not seen.released:
        return seen
    seen.slow = bench.search("RISE", {joint: 2 * end * home.back_off_deg}, home.slow_deg_s)[0][
        joint
    ]
    if seen.slow.hit:
        # J1's mark is near its zero; a level may lie anywhere.
        away = -home.switch_deg if joint == 1 else -end * 10.0
        for deg in (_to(bench, joint, seen.slow.step) + away, -end * (3.0 if joint == 1 else 20.0)):
            bench.move({joint: deg})
            seen.gauge_deg.append(bench.gauge_deg(joint))
            seen.counts.append(bench.counts()[joint] - seen.slow.count)
        bench.move({joint: _to(bench, joint, seen.slow.step) - end * LEAVE_DEG / 3})
    return seen


def _to(bench: Bench, joint: int, step: int) -> float:
    """Degrees from here to a step."""
    at = int(bench.card(f"STEP:COUN? (@{joint})")[0])
    return (step - at) / JOINTS[joint].steps_per_deg


@contextmanager
def at_bench(
    faults: tuple[str, ...],
    seed: int = 3,
    pose_deg: Mapping[int, float] | None = None,
    scene: str = "heron",
) -> Iterator[Bench]:
    """A bench with an arm on it."""
    bench = Bench(faults, seed, pose_deg or {}, scene)
    try:
        yield bench
    finally:
        bench.close()


def _examine(
    bench: Bench,
    joints: tuple[int, ...],
    homings: int,
    feel: bool,
    jog_deg_s: float,
) -> Seen:
    joint = joints[0]
    turned = _by_hand(bench, joint)
    levels, rail = _press(bench, joint)
    bench.motors(*joints)
    jogs, gauges = [], [bench.gauge_deg(joint)]
    for deg in (JOG_DEG, -JOG_DEG):
        jogs.append(bench.move({joint: deg}, jog_deg_s))
        gauges.append(bench.gauge_deg(joint))
    by_gauge = [
        None if before is None or after is None else after - before
        for before, after in itertools.pairwise(gauges)
    ]
    felt, drops_deg = "", 0.0
    if feel:
        felt = bench.turn(joint, 2.0)
        bench.turn(joint, -2.0)
    homing = []
    for _ in range(homings):
        homing.append(_home(bench, joints))
        if homing[-1].slow is None or not homing[-1].slow.hit:
            break
    if not any(jog.eye_deg[joint] for jog in jogs):
        bench.card("DRIV:ENAB ON")
        bench.wait(SETTLE_S)
        before = bench.eyes_deg()[joint]
        bench.hands("STAND OFF")
        bench.wait(0.3)
        drops_deg = bench.eyes_deg()[joint] - before
        bench.hands("STAND ON")
    return Seen(turned, levels, rail, jogs, by_gauge, felt, drops_deg, homing)


@cache
def examine(
    faults: tuple[str, ...],
    joints: tuple[int, ...] = (3,),
    *,
    seed: int = 3,
    pose_deg: tuple[tuple[int, float], ...] = (),
    scene: str = "heron",
    homings: int = 2,
    feel: bool = True,
    jog_deg_s: float = 7.5,
    haste: float = 1.0,
) -> Seen:
    """The same person's examination of one arm, done once for each arm."""
    with at_bench(faults, seed, dict(pose_deg), scene) as bench:
        bench.haste = haste
        return _examine(bench, joints, homings, feel, jog_deg_s)
