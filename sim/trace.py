"""What the rig did over rig time: pins, node volts, joints, shafts and torques, the serial line.

While it is on, only causes are kept: stretches of motion, profiles of the pulse generators,
switched contacts, floating pins that flipped. Edges and volts are worked out from them when
somebody looks, at the ticks that the closed form gives, never from samples. Replies are the same
with the trace on or off.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import TraceError
from .node_volts import Solution
from .pin_edges import Fit, Flip, Moment
from .recording import Recording, Signals
from .serial_line import Frames
from .trace_files import check_path, save
from .wave import Wave, matching

if TYPE_CHECKING:
    from .rig import Rig


class Trace:
    """Off until `start`; costs nothing while off. Raises TraceError when there is nothing yet."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._kept: Recording | None = None
        self._ended = 0
        self._seen: tuple[tuple[int, ...], Signals] | None = None
        self.on = False

    @property
    def started(self) -> bool:
        """Whether there is a trace, under way or ended."""
        return self._kept is not None

    @property
    def began(self) -> int:
        """The tick at which it began."""
        return self._recording.began

    def start(self) -> None:
        """Begin anew."""
        rig = self._rig
        joints = rig.scene.joint
        # In the engine counters may lag behind the pose, at which the record begins.
        rig.counting.turn()
        self._kept = Recording(
            began=rig.now,
            moves=rig.motion.record(rig.now),
            levels={},
            phases=[[] for _ in joints],
            fits=[[] for _ in joints],
            flips=[[] for _ in joints],
        )
        self.on, self._seen = True, None
        for number, joint in enumerate(joints):
            for pin in ("DIR", "ENA"):
                self.edge(f"{joint.name}.{pin}", rig.harness.settings[f"{joint.name}.{pin}"])
            self.edge(f"{joint.name}.DRIVE", int(rig.drives[number].energised))
            self.edge(f"{joint.name}.SW", rig.level(number))
            # The counters have come as far as the stretch that is under way.
            self.fitted(number, Moment(self._kept.moves.began, 0))
        if rig.io is not None:
            for name in rig.io.outputs:
                self.edge(name, rig.harness.settings[name])
            for number, name in enumerate(rig.io.inputs):
                self.edge(name, rig.io.level(number))
        self.gripped()
        self.pulsed()
        self.solved()

    def stop(self) -> None:
        """Keep what there is and record no more; a second time does nothing."""
        if self.on:
            self._recording.moves = self._rig.motion.recorded(self._rig.now)
            self._rig.motion.stop_recording()
            self._ended = self._rig.now
            self.on = False

    # --- what the rig tells ----------------------------------------------------------------

    def edge(self, signal: str, level: int) -> None:
        """A pin has this level from now on."""
        if self.on:
            self._recording.levels.setdefault(signal, []).append((self._rig.now, level))

    def framed(self, wire: str, frames: Frames) -> None:
        """Bytes have gone over a wire of the serial line."""
        if self.on:
            self._recording.frames[wire].append(frames)

    def pulsed(self) -> None:
        """Pulse generators may have begun, changed or ended their profiles."""
        if self.on:
            for phases, axis in zip(self._recording.phases, self._rig.card.axis, strict=True):
                if not phases or phases[-1][1] is not axis.profile:
                    phases.append((self._rig.now, axis.profile))

    def gripped(self) -> None:
        """The gripper's fingers set out, or have come to rest."""
        if self.on and self._rig.gripper is not None:
            self._recording.grips.append(self._rig.gripper.path)

    def fitted(self, number: int, when: Moment | None = None) -> None:
        """A counter may have another table, or other levels at its pins."""
        if self.on:
            counter = self._rig.counters[number]
            discs = self._rig.counting.discs
            self._recording.fits[number].append(
                Fit(
                    when or self._moment(),
                    counter.discs,
                    counter.table,
                    (*counter.levels, counter.index_level),
                    tuple(discs[disc] for disc in counter.discs),
                    {c: (pin.copy(), drives) for c, (pin, drives) in counter.slow.items()},
                )
            )

    def flipped(self, number: int, channel: int, level: int) -> None:
        """A counter's pin changed by itself."""
        if self.on:
            self._recording.flips[number].append(Flip(self._moment(), channel, level))

    def solved(self) -> None:
        """The circuit, its rails or a setting changed."""
        if self.on:
            harness = self._rig.harness
            known_v = harness.circuit.known_v.copy()
            self._recording.solutions.append(
                Solution(
                    self._rig.now,
                    harness.circuit,
                    known_v,
                    harness.settings.copy(),
                    self._rig.counting.by_setting(),
                )
            )

    def _moment(self) -> Moment:
        return Moment(self._rig.now, len(self._recording.moves))

    # --- looking ---------------------------------------------------------------------------

    @property
    def _recording(self) -> Recording:
        if self._kept is None:
            raise TraceError("no trace yet: start one first (TRACe:STARt, or --trace FILE)")
        return self._kept

    def signals(self) -> Signals:
        """All signals, up to now or to where the trace was stopped."""
        recording = self._recording
        until = self._rig.now if self.on else self._ended
        size = (until, *recording.size())
        if self._seen is None or self._seen[0] != size:
            moves = self._rig.motion.recorded(until) if self.on else recording.moves
            self._seen = size, Signals(self._rig, recording, moves, until)
        return self._seen[1]

    def waves(self, patterns: Sequence[str] = ()) -> list[Wave]:
        """The usual signals, or those that patterns such as `J4.*` name."""
        found = self.signals()
        names = matching(patterns, found.names) if patterns else found.usual
        return [found.wave(name) for name in names]

    def _digital(self) -> list[Wave]:
        found = self.signals()
        return [found.wave(name) for name in sorted(found.digital)]

    @property
    def edges(self) -> int:
        """Edges of all pins but the serial line's; 0 before the first start."""
        return sum(wave.edges for wave in self._digital()) if self._kept else 0

    def digest(self) -> str:
        """SHA-256 over all edges of all pins but the serial line's, hexadecimal."""
        whole = hashlib.sha256()
        for wave in self._digital() if self._kept else []:
            whole.update(wave.name.encode())
            whole.update(wave.ticks.astype("<i8").tobytes())
            whole.update(wave.values.astype("i1").tobytes())
        return whole.hexdigest()

    def save(self, path: str | Path, patterns: Sequence[str] = ()) -> None:
        """Write signals to a `.vcd` or `.csv` file. Raises TraceError."""
        waves, until = self.waves(patterns), self._rig.now if self.on else self._ended
        save(check_path(path), self._rig.scene.name, waves, until)
