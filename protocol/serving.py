"""The loop of a served rig: rig time, three ports, and when to end."""

from __future__ import annotations

from collections.abc import Callable, Container, Mapping, Sequence
from contextlib import ExitStack, closing
from functools import partial
from pathlib import Path
from typing import Protocol

from ..sim.trace_files import check_path
from .intake import AsTheyCome, Lockstep
from .links import ServeError
from .listen import Address
from .pacer import Pacer
from .poller import READ, Poller
from .port import Port
from .run_file import Log
from .station import Station
from .uart import LEAST_BAUD, Uart
from .words_teacher import PACE_HIGH, PACE_LOW

# How long to sleep at most: a command waits for rig time, something moves, nothing does.
BUSY_S = 0.001
MOVING_S = 0.005
STILL_S = 0.020
# In lockstep nothing happens by itself.
IDLE_S = 600.0


class ServedPort(Protocol):
    """Carries bytes between a port and whoever opens `address`; never blocks."""

    port: Port
    restless: bool
    """Whether it must be given its turn though no poll asks for it."""

    @property
    def address(self) -> str:
        """What the next host opens."""
        ...

    def wanted(self) -> list[tuple[int, int]]:
        """What to poll until there is something to do: file descriptors and events."""
        ...

    def turn(self, events: Container[int]) -> None:
        """Do what can be done now, after a poll that gave `events`."""
        ...

    def write(self) -> None:
        """Send as many replies as can be sent now."""
        ...

    def close(self) -> None:
        """End it."""
        ...


class Serving:
    """A rig with a pty or a TCP address for each port, by role in `addresses`; `run` answers them.

    `listen` has the roles that get a TCP address; `moved` is told role and device when the device
    of a pty changes; `uart` is the card's serial port. With `lockstep` bytes alone move rig time,
    and `pace` means nothing. Raises ServeError, SceneError, FaultError or
    GrammarError.
    """

    def __init__(
        self,
        scene: str | Path,
        seed: int,
        faults: Sequence[str],
        *,
        pace: float,
        start_pose_deg: Sequence[float] | None = None,
        listen: Mapping[str, Address] | None = None,
        lockstep: bool = False,
        moved: Callable[[str, str], None] | None = None,
        uart: Uart | None = None,
        grammar: str | None = None,
    ) -> None:
        if not PACE_LOW <= pace <= PACE_HIGH:
            raise ServeError(f"pace {pace:g}: expected {PACE_LOW:g} to {PACE_HIGH:g}")
        self._moved = moved
        self._intake = Lockstep() if lockstep else AsTheyCome()
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
            self._station.lockstep = lockstep
            self._station.ports["card"].uart = uart
            self._poller = Poller()
            self._served = [
                stack.enter_context(closing(self._open(role, (listen or {}).get(role))))
                for role in self._station.ports
            ]
            self._wants = {each: ([(-1, 0)], False) for each in self._served}
            self.addresses = {each.port.role: each.address for each in self._served}
            self._stack = stack.pop_all()

    def close(self) -> None:
        """End the ports and give the rig back."""
        self._stack.close()

    def start_trace(self, path: str | Path) -> Path:
        """Trace from now on, to be saved there. Raises TraceError when that cannot be."""
        checked = check_path(path)
        self._station.rig.trace.start()
        return checked

    def save_trace(self, path: Path) -> None:
        """Write the trace. Raises TraceError."""
        self._station.rig.trace.save(path)

    def start_log(
        self,
        path: str | Path,
        scene: str | Path,
        faults: Sequence[str],
        start_pose_deg: Sequence[float] | None,
    ) -> Log:
        """Write down all that goes in and out from now on. Raises RunFileError."""
        return Log(path, self._station, str(scene), faults, start_pose_deg)

    def run(self, stop_fd: int) -> None:
        """Answer the ports until `stop_fd` is readable: at the station's pace, or in lockstep."""
        pacer = None if self._station.lockstep else Pacer(self._station)
        kept_up = True
        wanted: list[tuple[int, int]] = []
        owner: dict[int, ServedPort] = {}
        busy = False
        restless = [each for each in self._served if each.restless]
        while True:
            if self._settle() or not wanted:
                wanted = [(stop_fd, READ)]
                for each, (polled, _) in self._wants.items():
                    wanted += polled
                    owner |= dict.fromkeys([fd for fd, _ in polled], each)
                busy = any(busy for _, busy in self._wants.values())
            limit_s = IDLE_S
            if pacer is not None:
                limit_s = self._limit_s(busy) if kept_up else 0.0
            events = self._poller.wait(wanted, limit_s)
            if stop_fd in events:
                return
            # The bytes that woke us belong to now, not to the time we fell asleep.
            if pacer is not None:
                kept_up = pacer.catch_up()
            for each in dict.fromkeys([*restless, *[owner[fd] for fd in events]]):
                each.turn(events)
                each.port.stirred = True

    def _settle(self) -> bool:
        """Look at the ports to which something has happened; whether other things are to be polled.

        A question costs little only when nothing is done for the ports it does not concern.
        """
        changed = False
        for each in self._served:
            port = each.port
            if port.stirred:
                port.stirred = False
                if port.output:  # what came by itself
                    each.write()
                wants = each.wanted(), port.busy
                if wants != self._wants[each]:
                    self._wants[each] = wants
                    changed = True
        return changed

    def _limit_s(self, busy: bool) -> float:
        if busy:
            return BUSY_S
        return MOVING_S if self._station.rig.pending() else STILL_S

    def _open(self, role: str, where: Address | None) -> ServedPort:
        port = self._station.ports[role]
        if where is not None:
            from .tcp_port import TcpPort

            try:
                return TcpPort(port, where, self._intake)
            except OSError as error:
                raise ServeError(
                    f"{where}: the {role} port cannot listen there: {error.strerror}; "
                    "give another port (0: any free one)"
                ) from None
        try:
            from .pty_port import PtyPort
            from .terminal import RATES

            if port.uart is not None and port.uart.baud not in RATES.values():
                rates = ", ".join(
                    str(rate) for rate in sorted(RATES.values()) if rate >= LEAST_BAUD
                )
                raise ServeError(f"a pty cannot be set to {port.uart.baud} baud: expected {rates}")
            return PtyPort(port, self._intake, self._moved and partial(self._moved, role))
        except ServeError:
            raise
        except (ImportError, OSError) as error:
            raise ServeError(
                f"no pseudo terminal for the {role} port: {error}; "
                "use --listen 127.0.0.1:0, or the in-process port dryrig://"
            ) from None
