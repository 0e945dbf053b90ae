"""Who holds which port of which rig in this process."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Collection
from dataclasses import dataclass, field

from ..errors import DryrigError
from .again import begin_notes
from .port import Port
from .run_file import Notes
from .station import Station, no_port
from .story import standing
from .uart import Uart
from .url import Request


class LeaseError(DryrigError, RuntimeError):
    """A port that cannot be had."""


class WrongThread(DryrigError, RuntimeError):
    """A rig used by another thread than the one that opened it."""


@dataclass
class _Shared:
    station: Station
    first: Request
    notes: Notes
    thread: threading.Thread = field(default_factory=threading.current_thread)
    held: set[str] = field(default_factory=set)
    number: int = field(default_factory=itertools.count(1).__next__)


_named: dict[str, _Shared] = {}
_open: list[_Shared] = []


def open_rigs() -> dict[int, str]:
    """The rigs of this process that nobody has closed: a number of each, its name or scene."""
    return {shared.number: shared.first.rig or shared.first.scene for shared in _open}


def close_rigs(numbers: Collection[int]) -> None:
    """Close these; their ports are of no use afterwards."""
    for shared in [shared for shared in _open if shared.number in numbers]:
        _end(shared)


class Lease:
    """One port of a rig, held until `release`; the last release of a rig closes it.

    With no role it holds the rig and none of its ports. Raises LeaseError, WrongThread, SceneError,
    UartError, FaultError or GrammarError.
    """

    def __init__(self, request: Request) -> None:
        shared = _named.get(request.rig) if request.rig is not None else None
        if shared is None:
            uart = None if request.baud is None else Uart(request.baud)
            station = Station.build(
                request.scene,
                seed=request.seed or 0,
                faults=request.faults,
                start_pose_deg=request.start_pose_deg,
                card_dialect=request.grammar,
            )
            station.ports["card"].uart = uart
            notes = begin_notes(station, request.scene, request.faults, request.start_pose_deg)
            shared = _Shared(station, request, notes)
            _open.append(shared)
            if request.rig is not None:
                _named[request.rig] = shared
        else:
            _check_thread(shared)
            _check_join(shared, request)
        if request.role and request.role not in shared.station.ports:
            if not shared.held:
                _end(shared)
            raise LeaseError(no_port(request.role, shared.station.rig.scene.name))
        shared.held.add(request.role)
        self._shared = shared
        self._role = request.role
        if self._role:
            self.port.connect()

    @property
    def station(self) -> Station:
        """The rig's station."""
        return self._shared.station

    @property
    def port(self) -> Port:
        """The port held."""
        return self._shared.station.ports[self._role]

    @property
    def notes(self) -> Notes:
        """What has been done to the rig's ports."""
        return self._shared.notes

    def check_thread(self) -> None:
        """Raises WrongThread unless the rig's own thread calls."""
        if threading.get_ident() != self._shared.thread.ident:
            _check_thread(self._shared)

    def release(self) -> None:
        """Give the port back."""
        shared = self._shared
        if self._role:
            self.port.hang_up()
        shared.held.discard(self._role)
        if not shared.held and any(shared is other for other in _open):
            _end(shared)


def _end(shared: _Shared) -> None:
    _open[:] = [other for other in _open if other is not shared]
    _named.pop(shared.first.rig or "", None)
    shared.station.rig.trace.stop()
    shared.notes.ended = standing(shared.station)
    shared.station.close()


def _check_thread(shared: _Shared) -> None:
    if threading.current_thread() is not shared.thread:
        raise WrongThread(
            f"this rig belongs to the thread that opened it, {shared.thread.name!r}, and "
            f"{threading.current_thread().name!r} may not use it: its time moves inside calls, so "
            "that two threads would give another run each time; use all its ports in one thread, "
            "or run `dryrig serve` and open the devices it prints in any thread"
        )


def _check_join(shared: _Shared, request: Request) -> None:
    name = request.rig
    first = shared.first
    if request.role in shared.held:
        port = f"the {request.role} port of rig" if request.role else "rig"
        raise LeaseError(
            f"{port} {name!r} is open already; close it first or use another rig= name"
        )
    if request.scene != first.scene:
        raise LeaseError(f"rig {name!r} is a {first.scene!r}, not a {request.scene!r}")
    if request.seed is not None and request.seed != shared.station.rig.seed:
        raise LeaseError(
            f"rig {name!r} has seed {shared.station.rig.seed}, not {request.seed}; "
            "leave seed= out to join it"
        )
    if request.faults and request.faults != first.faults:
        raise LeaseError(
            f"rig {name!r} runs already: fault= counts only for the port that opens it first; "
            "use the teacher port"
        )
    if request.baud not in (None, first.baud):
        raise LeaseError(
            f"rig {name!r} runs already: baud= counts only for the port that opens it first"
        )
    if request.grammar not in (None, first.grammar):
        raise LeaseError(
            f"rig {name!r} runs already: grammar= counts only for the port that opens it first"
        )
    if request.start_pose_deg not in (None, first.start_pose_deg):
        raise LeaseError(
            f"rig {name!r} runs already: start= counts only for the port that opens it first"
        )
