"""`dryrig serve`: a rig behind pseudo terminals or TCP addresses."""

from __future__ import annotations

import os
import signal
import socket
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager, suppress
from pathlib import Path
from tempfile import TemporaryDirectory
from types import FrameType

from .links import Links, ServeError
from .listen import addresses

__all__ = ["ServeError", "serve"]

# Not every system has all of them.
SIGNALS = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)


class _Stop:
    """Set by a signal; `fd` becomes readable then, so that a poll wakes up.

    A pair of sockets and not a pipe: where there are no ptys, a poll may know sockets only.
    """

    def __init__(self) -> None:
        self._read, self._write = socket.socketpair()
        self._write.setblocking(False)
        self.fd = self._read.fileno()
        self.asked = False

    def ask(self, _number: int = 0, _frame: FrameType | None = None) -> None:
        """Ask for the end."""
        self.asked = True
        with suppress(BlockingIOError):  # full: asked often enough already
            self._write.send(b"x")

    def close(self) -> None:
        """Give the sockets back."""
        self._read.close()
        self._write.close()


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


def _warn(role: str, address: str) -> None:
    print(
        f"dryrig: {role}: {address} can be reached from other machines, and no password is asked",
        file=sys.stderr,
    )


def serve(
    scene: str | Path,
    *,
    seed: int = 0,
    faults: Sequence[str] = (),
    link: str | Path | None = None,
    hands_link: str | Path | None = None,
    teacher_link: str | Path | None = None,
    io_link: str | Path | None = None,
    listen: str | None = None,
    hands_listen: str | None = None,
    teacher_listen: str | None = None,
    io_listen: str | None = None,
    pace: float = 1.0,
    lockstep: bool = False,
    baud: int | None = None,
    response_s: float = 0.0,
    start_pose_deg: Sequence[float] | None = None,
    trace: str | Path | None = None,
    log: str | Path | None = None,
    grammar: str | None = None,
    echo: Callable[[str], None] = _print,
) -> int:
    """Serve a rig on its ports until SIGINT, SIGTERM or SIGHUP; returns 0.

    Each is a pty, unless it is to `listen` at a TCP address (`listen.addresses`). Calls `echo`
    with `card: ADDRESS`, `hands: ADDRESS`, `teacher: ADDRESS`, and `io: ADDRESS` where the
    scene has a second card, once all answer; the links exist from then until the end. `pace` is
    rig seconds a second; with `lockstep` bytes alone move rig time. With `baud` the bytes of
    the card's port take their time, `response_s` more before a reply, and the host must be at
    that rate. `trace` names a `.vcd` or `.csv` file: the rig is traced from power-up, and the
    file written at the end. `log` names a file that gets all bytes of both directions with
    their rig times, as a run file for `dryrig replay`. `grammar` names another one for the
    card's port, which ends the serving with GrammarError when it fails.
    Raises ServeError, UartError, SceneError, FaultError, GrammarError, TraceError or RunFileError
    before any link exists; TraceError or RunFileError after all are gone when a file cannot be
    written.
    """
    where = addresses(listen, hands_listen, teacher_listen, io_listen)
    wanted = {"card": link, "hands": hands_link, "teacher": teacher_link, "io": io_link}
    for role, path in wanted.items():
        if path is not None and role in where:
            raise ServeError(f"{path}: a link is for a pty, but {role} listens at {where[role]}")
    links = Links(wanted)
    with ExitStack() as stack:
        stop = stack.enter_context(closing(_Stop()))
        stack.enter_context(_on_signals(stop))
        links.check()
        # The devices change with the programs that come, so that their links are the addresses.
        unnamed = [role for role, path in wanted.items() if path is None and role not in where]
        if unnamed:
            folder = stack.enter_context(TemporaryDirectory(prefix="dryrig-"))
            for role in unnamed:
                links.add(role, Path(folder, role))
        # They load the plant, and a signal may find us at it.
        from .serving import Serving
        from .station import no_port
        from .uart import Uart

        uart = None if baud is None else Uart(baud, response_s)
        serving = stack.enter_context(
            closing(
                Serving(
                    scene,
                    seed,
                    faults,
                    pace=pace,
                    start_pose_deg=start_pose_deg,
                    listen=where,
                    lockstep=lockstep,
                    moved=links.move,
                    uart=uart,
                    grammar=grammar,
                )
            )
        )
        traced = None if trace is None else serving.start_trace(trace)
        if (io_link or io_listen) and "io" not in serving.addresses:
            raise ServeError(no_port("io", str(scene)))
        logged = None
        if log is not None:
            logged = stack.enter_context(
                closing(serving.start_log(log, scene, faults, start_pose_deg))
            )
        stack.callback(links.remove)
        if not stop.asked:
            shown = {role: links.make(role, path) for role, path in serving.addresses.items()}
            for role, address in shown.items():
                echo(f"{role}: {address}")
                if role in where and not where[role].is_loopback:
                    _warn(role, address)
            serving.run(stop.fd)
            links.remove()
            if traced is not None:
                serving.save_trace(traced)
                echo(f"trace: {traced}")
            if logged is not None:
                logged.finish()
                echo(f"log: {log}")
    return 0
