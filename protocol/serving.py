"""The loop of a served rig: rig time, three ptys, and when to end."""

from __future__ import annotations

import select
from collections.abc import Sequence
from contextlib import ExitStack, closing
from pathlib import Path

from ..sim.trace_files import check_path
from .links import ServeError
from .pacer import Pacer
from .pty_port import PtyPort
from .run_file import Recorder
from .station import Station
from .words_teacher import PACE_HIGH, PACE_LOW

# How long to sleep at most: a command waits for rig time, something moves, nothing does.
BUSY_MS = 1
MOVING_MS = 5
STILL_MS = 20


class Serving:
    """A rig with a pty for each port, by role in `paths`; `run` answers them.

    Raises ServeError, SceneError, FaultError or GrammarError.
    """

    def __init__(
        self,
        scene: str | Path,
        seed: int,
        faults: Sequence[str],
        *,
        pace: float,
        start_pose_deg: Sequence[float] | None = None,
        grammar: str | None = None,
    ) -> None:
        if not PACE_LOW <= pace <= PACE_HIGH:
            raise ServeError(f"pace {pace:g}: expected {PACE_LOW:g} to {PACE_HIGH:g}")
        with ExitStack() as stack:
            self._station = stack.enter_context(
                Station.build(
                    scene,
                    seed=seed,
                    faults=faults,
                    start_pose_deg=start_pose_deg,
                    card_dialect=grammar,
                )
            )
            self._station.pace = pace
            self._ptys = [
                stack.enter_context(closing(_open(self._station, role)))
                for role in self._station.ports
            ]
            self.paths = {pty.port.role: pty.path for pty in self._ptys}
            self._stack = stack.pop_all()

    def close(self) -> None:
        """End the terminals and give the rig back."""
        self._stack.close()

    def start_trace(self, path: str | Path) -> Path:
        """Trace from now on, to be saved there. Raises TraceError when that cannot be."""
        checked = check_path(path)
        self._station.rig.trace.start()
        return checked

    def save_trace(self, path: Path) -> None:
        """Write the trace. Raises TraceError."""
        self._station.rig.trace.save(path)

    def start_recording(
        self,
        scene: str | Path,
        faults: Sequence[str],
        start_pose_deg: Sequence[float] | None,
    ) -> Recorder:
        """Note all that is done to the ports from now on, for a run file."""
        return Recorder(self._station, str(scene), faults, start_pose_deg)

    def run(self, stop_fd: int) -> None:
        """Answer the ports, at the station's pace, until `stop_fd` is readable."""
        pacer = Pacer(self._station)
        while True:
            kept_up = pacer.catch_up()
            for pty in self._ptys:
                pty.write()
            events = self._sleep(stop_fd, self._limit_ms() if kept_up else 0)
            if stop_fd in events:
                return
            # The bytes that woke us belong to now, not to the time we fell asleep.
            pacer.catch_up()
            for pty in self._ptys:
                if pty.concerned(events):
                    pty.turn()

    def _limit_ms(self) -> int:
        if any(pty.port.busy for pty in self._ptys):
            return BUSY_MS
        return MOVING_MS if self._station.rig.pending() else STILL_MS

    def _sleep(self, stop_fd: int, limit_ms: int) -> dict[int, int]:
        poller = select.poll()
        poller.register(stop_fd, select.POLLIN)
        for pty in self._ptys:
            for fd, wanted in pty.wanted():
                poller.register(fd, wanted)
        return dict(poller.poll(limit_ms))


def _open(station: Station, role: str) -> PtyPort:
    try:
        return PtyPort(station.ports[role])
    except OSError as error:
        raise ServeError(
            f"no pseudo terminal for the {role} port: {error.strerror}; "
            "use the in-process port dryrig:// instead"
        ) from None
