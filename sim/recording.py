"""One recording of a trace: what was kept while it ran, and the signals worked out from it."""

from __future__ import annotations

from collections.abc import Sized
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from .clock import TICKS_PER_S, ticks
from .crossings import Crossings, crossings
from .gripper import Path
from .io_harness import SERVO
from .moves import Moves, Stretches
from .node_volts import NodeVolts, Solution
from .pin_edges import Fit, Flip, pin_edges
from .serial_line import PINS as LINE
from .serial_line import Frames, edges
from .step_pulses import Phase, step_pulses
from .wave import Floats, Ints, Wave, wave

if TYPE_CHECKING:
    from .rig import Rig

PINS = ("ENA", "DIR", "STEP", "DRIVE", "SW", "ENC.A", "ENC.B", "ENC.Z")
"""Digital signals of a joint: the card's pins, and whether the drive is energised (`DRIVE`)."""
SHAFTS = ("ANGLE_DEG", "SHAFT_DEG", "TORQUE_N_M")
"""Joint angle, motor shaft angle at the motor, torque at the joint that the drive gives."""
SLIDES = ("PLACE_MM", "SHAFT_DEG", "FORCE_N")
"""The same of a linear axis."""
USUAL_VOLTS = ("{}.DIR", "{}.ENA", "CARD.{}.SW.COM", "{}.ENC.5V", "{}.DRIVE.24V")
"""Terminals of a joint whose volts are among the usual signals, besides the rails."""
GAP = "GRIPPER.GAP_MM"
"""The gap between the gripper's fingers."""
SAMPLE_S = 0.01
"""Angles are given this often within a stretch of motion, besides its ends."""


@dataclass
class Recording:
    """What was kept from tick `began` on; lists by joint."""

    began: int
    moves: Moves
    levels: dict[str, list[tuple[int, int]]]
    phases: list[list[Phase]]
    fits: list[list[Fit]]
    flips: list[list[Flip]]
    solutions: list[Solution] = field(default_factory=list)
    grips: list[Path] = field(default_factory=list)
    frames: dict[str, list[Frames]] = field(default_factory=lambda: {wire: [] for wire in LINE})

    def size(self) -> tuple[int, ...]:
        """Grows with everything that is kept."""
        lists: list[Sized] = [*self.levels.values(), *self.phases, *self.fits, *self.flips]
        lists += [self.grips, *self.frames.values()]
        return (len(self.moves), len(self.solutions), sum(len(kept) for kept in lists))


class Signals:
    """The signals of a recording up to tick `until`, by name, each worked out when asked for."""

    def __init__(self, rig: Rig, recording: Recording, moves: Moves, until: int) -> None:
        self._rig, self._recording, self._moves, self._until = rig, recording, moves, until
        self._joints = [joint.name for joint in rig.scene.joint]
        self._terminals = {f"{name}_V": name for name in rig.harness.terminals()}
        self._waves: dict[str, Wave] = {}

    @property
    def digital(self) -> list[str]:
        """Names of all pins of the arm and its cards, but those of the serial line."""
        pins = [f"{joint}.{pin}" for joint in self._joints for pin in PINS]
        io = self._rig.io
        return pins if io is None else [*pins, SERVO, *io.outputs, *io.inputs]

    @property
    def usual(self) -> list[str]:
        """Names of what is saved unless somebody asks for something else."""
        rails = [name for name in self._terminals if name.startswith("RAIL.")]
        volts = [f"{name.format(j)}_V" for j in self._joints for name in USUAL_VOLTS]
        return [*self.digital, *LINE, *self._analog, *rails, *volts]

    @property
    def names(self) -> list[str]:
        """All there is: pins, angles and torques, volts of every terminal."""
        return [*self.digital, *LINE, *self._analog, *self._terminals]

    @property
    def _analog(self) -> list[str]:
        shafts = [
            f"{joint.name}.{what}"
            for joint in self._rig.scene.joint
            for what in (SLIDES if joint.kind == "linear" else SHAFTS)
        ]
        return shafts if self._rig.gripper is None else [*shafts, GAP]

    def wave(self, name: str) -> Wave:
        """One of `names`."""
        began = self._recording.began
        if name not in self._waves:
            joint, _, what = name.partition(".")
            if name in self._terminals:
                tick, volts = self._volts.of(self._rig.harness.node(self._terminals[name]))
                self._waves[name] = wave(name, "V", began, tick, volts)
            elif name in LINE:
                tick, level = edges(self._recording.frames[name], began)
                shown = tick <= self._until
                self._waves[name] = wave(name, "", began, tick[shown], level[shown])
            elif name == GAP:
                self._waves[name] = self._gap()
            elif name == SERVO and self._rig.io is not None:
                tick, level = self._rig.io.pulses.edges(began, self._until)
                self._waves[name] = wave(name, "", began, tick, level)
            elif name in self._analog:
                self._waves[name] = self._shaft(name, self._joints.index(joint), what)
            elif what == "STEP":
                self._waves[name] = self._step(name, self._joints.index(joint))
            elif what.startswith("ENC."):
                self._encoder(joint)
            else:
                tick, level = np.array(self._recording.levels[name], dtype=np.int64).T
                self._waves[name] = wave(name, "", began, tick, level)
        return self._waves[name]

    def _step(self, name: str, axis: int) -> Wave:
        width = ticks(self._rig.scene.card.pulse_s)
        tick, level = step_pulses(self._recording.phases[axis], self._until, width)
        start = np.array([self._recording.began])
        return Wave(name, "", np.append(start, tick), np.append(0, level))

    def _gap(self) -> Wave:
        """The gap at both ends of every motion of the fingers, and between them."""
        tick, gap, sample = [], [], ticks(SAMPLE_S)
        for (begin, first, end, last), then in zip(
            self._recording.grips, [*self._recording.grips[1:], None], strict=True
        ):
            until = min(end, self._until if then is None else then[0])
            at = np.append(np.arange(begin, until, sample), until)
            tick.append(at)
            gap.append(first + (last - first) * (at - begin) / max(end - begin, 1))
        began = self._recording.began
        return wave(GAP, "mm", began, np.concatenate(tick), np.concatenate(gap))

    def _encoder(self, joint: str) -> None:
        number, recording = self._joints.index(joint), self._recording
        fits, flips = recording.fits[number], recording.flips[number]
        tick, levels = pin_edges(fits, flips, self._discs, self._stretches.begin)
        for channel, pin in enumerate(("ENC.A", "ENC.B", "ENC.Z")):
            name = f"{joint}.{pin}"
            self._waves[name] = wave(name, "", recording.began, tick, levels[:, channel])

    def _shaft(self, name: str, joint: int, what: str) -> Wave:
        moved, began = self._stretches, self._recording.began
        if what in ("TORQUE_N_M", "FORCE_N"):
            unit = "N·m" if what == "TORQUE_N_M" else "N"
            return wave(name, unit, began, moved.end, moved.torque[:, joint])
        tick, place = _samples(moved, joint + len(self._joints) * (what == "SHAFT_DEG"))
        if what == "PLACE_MM":
            return wave(name, "mm", began, tick, 1000.0 * place)
        return wave(name, "deg", began, tick, np.degrees(place))

    @cached_property
    def _stretches(self) -> Stretches:
        return self._moves.stretches()

    @cached_property
    def _discs(self) -> list[Crossings]:
        found = []
        rig, start = self._rig, self._moves.start
        for number, joint in enumerate(rig.scene.joint):
            on_motor = joint.encoder.mount == "motor"
            found.append(
                crossings(
                    self._stretches,
                    start_rad=start[number + len(self._joints) * on_motor],
                    column=number + len(self._joints) * on_motor,
                    counts=joint.encoder.counts,
                    phase=rig.individual.encoder_phase[number],
                )
            )
        return found

    @cached_property
    def _volts(self) -> NodeVolts:
        discs = {f"{j}.ENC": disc for j, disc in zip(self._joints, self._discs, strict=True)}
        return NodeVolts(self._recording.solutions, discs)


def _samples(moved: Stretches, column: int) -> tuple[Ints, Floats]:
    """Ticks and angles (rad): ends of all stretches, and samples inside those that last."""
    sample = ticks(SAMPLE_S)
    number = (moved.end - moved.begin) // sample + 1
    row = np.repeat(np.arange(len(number)), number)
    nth = np.arange(len(row)) - np.repeat(np.cumsum(number) - number, number)
    tick = moved.begin[row] + nth * sample
    length = (moved.end - moved.begin) / TICKS_PER_S
    share = np.divide(nth * SAMPLE_S, length[row], out=np.zeros(len(row)), where=length[row] > 0)
    bend = 0.5 * moved.acceleration[:, column] * length**2
    way = moved.last[:, column] - moved.first[:, column]
    angle = moved.first[row, column] + way[row] * share + bend[row] * (share**2 - share)
    # Friction holds a shaft until the parabola has caught up with it.
    ends = np.sort([moved.before[:, column], moved.last[:, column]], axis=0)[:, row]
    angle = np.clip(angle, ends[0], ends[1])
    tick, angle = np.append(tick, moved.end), np.append(angle, moved.after[:, column])
    order = np.lexsort((np.append(row, np.arange(len(number))), tick))
    return tick[order], angle[order]
