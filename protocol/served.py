"""`dryrig serve`: a rig behind pseudo terminals, paced by the wall clock."""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager, suppress
from pathlib import Path
from types import FrameType

from .links import Links, ServeError

__all__ = ["ServeError", "serve"]

SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class _Stop:
    """Set by a signal; `fd` becomes readable then, so that a poll wakes up."""

    def __init__(self) -> None:
        self.fd, self._write_fd = os.pipe()
        os.set_blocking(self._write_fd, False)
        self.asked = False

    def ask(self, _number: int = 0, _frame: FrameType | None = None) -> None:
        """Ask for the end."""
        self.asked = True
        with suppress(BlockingIOError):  # full: asked often enough already
            os.write(self._write_fd, b"x")

    def close(self) -> None:
        """Give the pipe back."""
        os.close(self.fd)
        os.close(self._write_fd)


@contextmanager
def _on_signals(stop: _Stop) -> Iterator[None]:
    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread may set handlers
        return
    before = {number: signal.signal(number, stop.ask) for number in SIGNALS}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _print(line: str) -> None:
    try:
        print(line, flush=True)
    except OSError:
        # Nobody reads any more; the ports are there all the same.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def serve(
    scene: str | Path,
    *,
    seed: int = 0,
    faults: Sequence[str] = (),
    link: str | Path | None = None,
    hands_link: str | Path | None = None,
    teacher_link: str | Path | None = None,
    pace: float = 1.0,
    start_pose_deg: Sequence[float] | None = None,
    trace: str | Path | None = None,
    record: str | Path | None = None,
    grammar: str | None = None,
    echo: Callable[[str], None] = _print,
) -> int:
    """Serve a rig on three ptys until SIGINT, SIGTERM or SIGHUP; returns 0.

    Calls `echo` with `card: PATH`, `hands: PATH` and `teacher: PATH` once all three answer; the
    links exist from then until the end. `pace` is rig seconds a second. `trace` names a `.vcd` or
    `.csv` file: the rig is traced from power-up, and the file written at the end. `record` names a
    run file for `dryrig replay`, written at the end as well. `grammar` names another one for the
    card's port, which ends the serving with GrammarError when it fails.
    Raises ServeError, SceneError, FaultError, GrammarError, TraceError or RunFileError before any
    link exists; TraceError or RunFileError after all are gone when a file cannot be written.
    """
    links = Links({"card": link, "hands": hands_link, "teacher": teacher_link})
    with ExitStack() as stack:
        stop = stack.enter_context(closing(_Stop()))
        stack.enter_context(_on_signals(stop))
        links.check()
        # They load the plant, and a signal may find us at it.
        from .run_file import check_folder, save_run
        from .serving import Serving

        serving = stack.enter_context(
            closing(
                Serving(
                    scene, seed, faults, pace=pace, start_pose_deg=start_pose_deg, grammar=grammar
                )
            )
        )
        traced = None if trace is None else serving.start_trace(trace)
        recorder = None
        if record is not None:
            check_folder(record)
            recorder = serving.start_recording(scene, faults, start_pose_deg)
        stack.callback(links.remove)
        if not stop.asked:
            shown = [f"{role}: {links.make(role, path)}" for role, path in serving.paths.items()]
            for line in shown:
                echo(line)
            serving.run(stop.fd)
            links.remove()
            if traced is not None:
                serving.save_trace(traced)
                echo(f"trace: {traced}")
            if recorder is not None and record is not None:
                save_run(recorder, record)
                echo(f"run: {record}")
    return 0
