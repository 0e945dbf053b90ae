"""Whether a commissioning keeps its word: held against what the plant knows and nobody asked.

Each arm has a fault, or none. A run must end; an arm that passed must stand where it is said to; no
joint may be driven into a hard stop for longer than the routine states; and nobody may ask the
teacher.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass, field

from ..commission.diagnosis import Ranker
from ..commission.errors import CommissionError
from ..commission.hand import PortHand
from ..commission.homing import PRESS_LIMIT_S
from ..commission.result import Result
from ..commission.run import commission
from ..faults import parse_fault
from ..protocol.lease import Lease
from ..protocol.url import parse_url
from ..scenes import load_scene, scene_path
from ..sim.clock import TICKS_PER_S
from ..sim.rig import Rig
from .commissioned import address
from .executor import in_processes
from .watching import RanTooLong, pressed_s, time_limit

LIMIT_S = 1200.0
"""Rig time after which a commissioning counts as hanging: five times that of a sound arm."""
BEYOND_DEG = 0.2
"""How much further off than its stated bound a joint of a passed arm may be."""
HUNG = "hung"


@dataclass(frozen=True)
class Held:
    """One commissioning, held against the truth.

    `result` is None when it hung. `off_deg`: how far a joint of a passed arm stands beyond its
    stated bound; negative when within. `pressed`: seconds at a hard stop under pulses, by joint.
    """

    fault: str
    seed: int
    result: Result | None
    off_deg: float
    pressed: dict[str, float]
    teacher_bytes: int
    rig_time_s: float

    @property
    def verdict(self) -> str:
        """What the commissioning said, or that it hung."""
        return HUNG if self.result is None else self.result.verdict

    @property
    def pressed_s(self) -> float:
        """The longest that any joint pressed a hard stop, s."""
        return max(self.pressed.values())

    @property
    def wrongs(self) -> list[str]:
        """What must not be, in words."""
        found = []
        if self.result is None:
            found.append(f"was not at its end after {LIMIT_S:.0f} s of rig time")
        if self.off_deg > BEYOND_DEG:
            found.append(f"passed with a joint {self.off_deg:.2f} deg beyond its stated bound")
        found += [
            f"{joint} pressed a hard stop for {held_s:.2f} s, longer than {PRESS_LIMIT_S:g} s"
            for joint, held_s in self.pressed.items()
            if held_s > PRESS_LIMIT_S
        ]
        if self.teacher_bytes:
            found.append(f"{self.teacher_bytes} bytes went to the teacher")
        return found


def held_to_truth(scene: str, seed: int, fault: str = "", ranker: Ranker | None = None) -> Held:
    """Commission one arm, sound for the empty fault, and look on. Raises DryrigError."""
    url = address(scene, seed, fault)
    lease = Lease(parse_url(f"{url}&port=teacher"))  # looks on; its log must stay empty
    rig = lease.station.rig
    rig.trace.start()
    result = None
    try:
        with closing(PortHand.open(f"{url}&port=hands")) as hand, time_limit(rig, LIMIT_S):
            result = commission(url, hand, scene_path(scene), ranker=ranker)
    except RanTooLong:
        pass
    except CommissionError as error:  # the ports themselves: that is an end too
        result = Result("could not run", scene, reason=str(error))
    try:
        return Held(
            fault=fault,
            seed=seed,
            result=result,
            off_deg=-math.inf if result is None else _beyond(result, scene, rig),
            pressed=pressed_s(rig),
            teacher_bytes=lease.station.ports["teacher"].received_count,
            rig_time_s=rig.now / TICKS_PER_S,
        )
    finally:
        lease.release()


def _beyond(result: Result, scene: str, rig: Rig) -> float:
    """Furthest that a joint of a passed arm is beyond gauge and switch."""
    if result.verdict != "pass":
        return -math.inf
    repeat_deg = load_scene(scene).switch.repeat_deg
    return max(
        abs(one.angle_deg - truth) - one.gauge_accuracy_deg - repeat_deg
        for one, truth in zip(result.joints, rig.truth_deg(), strict=True)
        if one.angle_deg is not None
    )


@dataclass
class Tally:
    """All that a study held against the truth."""

    held: list[Held] = field(default_factory=list)

    @property
    def wrong(self) -> list[Held]:
        """Those of which something is to be said."""
        return [one for one in self.held if one.wrongs]


def _hold(task: tuple[str, int, str]) -> Held:
    scene, seed, fault = task
    return held_to_truth(scene, seed, fault)


def study_truth(
    scene: str,
    faults: Sequence[str],
    *,
    seed: int = 300,
    processes: int | None = None,
    done: Callable[[Held], None] = lambda _held: None,
) -> Tally:
    """One arm a fault, with seeds from `seed` on, in the order of `faults`.

    `done` is told each as it comes. Raises FaultError for a fault that cannot be read.
    """
    for fault in faults:
        parse_fault(fault)
    tasks = [(scene, seed + number, fault) for number, fault in enumerate(faults)]
    held: dict[str, Held] = {}
    for task, one in in_processes(_hold, tasks, processes):
        held[task[2]] = one
        done(one)
    return Tally([held[fault] for fault in faults])
