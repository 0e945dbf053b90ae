"""What the rig did over rig time: pins, node volts, joints, shafts and torques.

While it is on, only causes are kept: stretches of motion, profiles of the pulse generators,
switched contacts, floating pins that flipped. Edges and volts are worked out from them when
somebody asks, at the ticks the closed form gives, never from samples. Replies are the same with
the trace on or off.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..errors import TraceError
from .clock import ticks
from .crossings import TWO_PI, Crossings, crossings
from .moves import Moves, Stretches
from .node_volts import NodeVolts, Solution
from .pin_edges import Fit, Flip, Moment, pin_edges
from .step_pulses import Phase, step_pulses
from .wave import Floats, Ints, Wave, matching, wave

if TYPE_CHECKING:
    from .rig import Rig

PINS = ("ENA", "DIR", "STEP", "DRIVE", "SW", "ENC.A", "ENC.B")
"""Digital signals of a joint: the card's pins, and whether the drive is energised (`DRIVE`)."""
SHAFTS = {"ANGLE_DEG": "deg", "SHAFT_DEG": "deg", "TORQUE_N_M": "N·m"}
"""Joint angle, motor shaft angle at the motor, torque of the drive at the joint; their units."""
USUAL_VOLTS = ("DIR", "ENA", "SW.COM", "ENC.5V", "DRIVE.24V")
"""Terminals of a joint whose volts are saved unless others are asked for."""
SAMPLE_S = 0.01
"""Angles are given this often within a stretch of motion, besides its ends."""


class Trace:
    """Off until `start`; costs nothing while off. `edges` and `digest` speak of digital signals."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self.on = False
        self._began = False
        self._until: int | None = None
        self._found: tuple[tuple[int, ...], Digital] | None = None

    # --- recording -------------------------------------------------------------------------

    def start(self) -> None:
        """Begin anew."""
        rig = self._rig
        rig.motion.settle(rig.now)
        moves = rig.motion.record(True)
        assert moves is not None
        self._moves = moves
        self._start = rig.now
        self._until, self._found = None, None
        self._edges: dict[str, list[tuple[int, int]]] = {}
        self._phases: list[list[Phase]] = [[] for _ in rig.counters]
        self._fits: list[list[Fit]] = [[] for _ in rig.counters]
        self._flips: list[list[Flip]] = [[] for _ in rig.counters]
        self._solutions: list[Solution] = []
        self.on = self._began = True
        for axis, joint in enumerate(rig.scene.joint):
            for pin in ("DIR", "ENA"):
                self.edge(f"{joint.name}.{pin}", rig.harness.settings[f"{joint.name}.{pin}"])
            self.edge(f"{joint.name}.DRIVE", int(rig.drives[axis].energised))
            self.edge(f"{joint.name}.SW", rig.level(axis))
            self.fitted(axis)
        self.pulsed()
        self.solved()

    def stop(self) -> None:
        """Keep what there is and record no more; a second time does nothing."""
        if self.on:
            self._rig.motion.settle(self._rig.now)
            self._rig.motion.record(False)
            self._until = self._rig.now
            self.on = False

    def edge(self, signal: str, level: int) -> None:
        """A pin has this level from now on."""
        if self.on:
            self._edges.setdefault(signal, []).append((self._rig.now, level))

    def pulsed(self) -> None:
        """Pulse generators may have begun, changed or ended their profiles."""
        if self.on:
            for phases, axis in zip(self._phases, self._rig.card.axis, strict=True):
                if not phases or phases[-1][1] is not axis.profile:
                    phases.append((self._rig.now, axis.profile))

    def fitted(self, number: int) -> None:
        """A counter has another table, or other levels at its pins."""
        if self.on:
            counter, fits = self._rig.counters[number], self._fits[number]
            fit = Fit(self._moment(), counter.discs, counter.table, counter.levels)
            fits.append(fit)

    def flipped(self, number: int, channel: int, level: int) -> None:
        """A counter's pin changed by itself."""
        if self.on:
            self._flips[number].append(Flip(self._moment(), channel, level))

    def solved(self) -> None:
        """The circuit, its rails or a setting changed."""
        if self.on:
            harness = self._rig.harness
            self._solutions.append(
                Solution(
                    self._rig.now,
                    harness.circuit,
                    harness.circuit.known_v.copy(),
                    harness.settings.copy(),
                )
            )

    def _moment(self) -> Moment:
        return Moment(self._rig.now, len(self._moves))

    # --- looking ---------------------------------------------------------------------------

    @property
    def edges(self) -> int:
        """Edges of all digital signals so far."""
        return sum(found.edges for found in self._digital().values())

    def digest(self) -> str:
        """SHA-256 over every digital signal's edges, hexadecimal."""
        whole = hashlib.sha256()
        for name, found in sorted(self._digital().items()):
            whole.update(name.encode())
            whole.update(found.ticks.astype("<i8").tobytes())
            whole.update(found.values.astype("i1").tobytes())
        return whole.hexdigest()
