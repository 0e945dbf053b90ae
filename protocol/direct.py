"""A rig in this process without bytes: pins, steps, counts, hands, faults and time as Python.

The same rig as behind the ports, with the same rules: time moves only inside calls, and one thread
owns it.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self
from urllib.parse import quote

from ..errors import DryrigError, nearest
from ..sim.card import Card, Edge, Latch
from ..sim.clock import TICKS_PER_S, ticks
from .in_process import Serial
from .lease import Lease
from .story import tell
from .url import ROLES, SCHEME, Request

if TYPE_CHECKING:
    from ..faults.inject import Injector
    from ..sim.gauges import Gauges
    from ..sim.hands import Hands
    from ..sim.meter import Meter
    from ..sim.rig import Rig
    from .station import Station

_numbers = itertools.count(1)


class DirectJoint:
    """One axis of the card and what it is wired to: `rig.joint("J5")`.

    Steps are commanded steps, counts those of the encoder's counter; nothing here knows degrees.
    """

    def __init__(self, owner: DirectRig, axis: int) -> None:
        self._owner, self._axis = owner, axis
        self.name = owner._rig.scene.joint[axis].name

    def __repr__(self) -> str:
        return f"<joint {self.name}>"

    def _act(self, action: Callable[[Card], None]) -> None:
        """Let the card do it, and whoever watches the card's state notice."""
        rig = self._owner._use()
        action(rig.card)
        rig.notify()

    @property
    def enabled(self) -> bool:
        """The card's ENABLE output; can be set. Off lets a limp link fall."""
        return self._owner._use().card.enabled(self._axis)

    @enabled.setter
    def enabled(self, on: bool) -> None:
        self._act(lambda card: card.enable(self._axis, on))

    @property
    def rate(self) -> float:
        """The rate that moves and runs climb to, steps/s; can be set."""
        return self._owner._use().card.rate(self._axis)

    @rate.setter
    def rate(self, steps_per_s: float) -> None:
        self._owner._use().card.set_rate(self._axis, steps_per_s)

    @property
    def acceleration(self) -> float:
        """The ramp, steps/s²; can be set."""
        return self._owner._use().card.acceleration(self._axis)

    @acceleration.setter
    def acceleration(self, steps_per_s2: float) -> None:
        self._owner._use().card.set_acceleration(self._axis, steps_per_s2)

    @property
    def steps(self) -> int:
        """Commanded steps; can be set, which moves nothing."""
        return self._owner._use().card.steps(self._axis)

    @steps.setter
    def steps(self, value: int) -> None:
        self._owner._use().card.preset_steps(self._axis, value)

    @property
    def counts(self) -> int:
        """The encoder counter (X4); can be set."""
        return self._owner._use().card.count(self._axis)

    @counts.setter
    def counts(self, value: int) -> None:
        self._owner._use().card.preset_count(self._axis, value)

    @property
    def level(self) -> int:
        """The switch input, 1 while pressed on a sound arm."""
        return self._owner._use().card.level(self._axis)

    @property
    def moving(self) -> bool:
        """Whether pulses are going out."""
        return self._owner._use().card.moving(self._axis)

    @property
    def latch(self) -> Latch:
        """What was caught at the edge that halted the axis: hit, count, step, tick."""
        return self._owner._use().card.latch(self._axis)

    def pins(self) -> dict[str, int]:
        """Levels at the card now: `DIR ENA SW ENC.A ENC.B ENC.Z`."""
        rig = self._owner._use()
        rig.catch_up()
        counter, settings = rig.counters[self._axis], rig.harness.settings
        return {
            "DIR": settings[f"{self.name}.DIR"],
            "ENA": settings[f"{self.name}.ENA"],
            "SW": rig.level(self._axis),
            "ENC.A": counter.levels[0],
            "ENC.B": counter.levels[1],
            "ENC.Z": counter.index_level,
        }

    def move(self, steps: int) -> None:
        """Start a move by so many steps. Raises `CardBusy` while the axis moves."""
        self._act(lambda card: card.move(self._axis, steps))

    def run(self, sign: int) -> None:
        """Run until halted or aborted, up (1) or down (-1). Raises `CardBusy`."""
        self._act(lambda card: card.run(self._axis, sign))

    def jog(self, steps_per_s: float) -> None:
        """Run at this signed rate, or change to it on the run; 0 ends it. Raises `CardBusy`."""
        self._act(lambda card: card.jog(self._axis, steps_per_s))

    def abort(self) -> None:
        """Slow down to rest."""
        self._act(lambda card: card.abort(self._axis))

    def halt_on(self, edge: Edge | None) -> None:
        """Halt at the next such edge ("RISE", "FALL", "INDEX") of this axis; None disarms."""
        self._act(lambda card: card.arm_halt(self._axis, edge))


class DirectRig:
    """One arm in this process, until `close` or the end of the `with` block.

    `hands`, `gauges`, `meter` take joint numbers from 0 and terminals by name; `faults` inserts,
    removes and lists; `truth_deg` is nothing for a routine to look at.
    """

    def __init__(
        self,
        scene: str | Path,
        seed: int,
        faults: Iterable[str],
        start_pose_deg: Sequence[float] | None,
        name: str | None,
    ) -> None:
        self.name = name or f"open_rig-{next(_numbers)}"
        pose = None if start_pose_deg is None else tuple(start_pose_deg)
        self._scene = str(scene)
        self._lease: Lease | None = Lease(
            Request(self._scene, "", seed, self.name, tuple(faults), pose)
        )
        self._ports: list[Serial] = []
        self.joints = [DirectJoint(self, axis) for axis in range(len(self._rig.scene.joint))]

    @property
    def _rig(self) -> Rig:
        if self._lease is None:
            raise DryrigError(f"rig {self.name!r} is closed: open another with open_rig()")
        return self._lease.station.rig

    def _use(self) -> Rig:
        """The rig, for a call by the thread that owns it; what no byte did cannot be replayed."""
        rig = self._rig
        assert self._lease is not None
        self._lease.check_thread()
        self._lease.notes.partial = True
        return rig

    @property
    def station(self) -> Station:
        """The station behind it: rig, injector and ports, for those who look inside."""
        self._use()
        assert self._lease is not None
        return self._lease.station

    def joint(self, name: str) -> DirectJoint:
        """An axis by its joint's name. Raises DryrigError with the nearest."""
        names = [joint.name for joint in self.joints]
        if name not in names:
            raise DryrigError(
                f"no joint {name!r}: expected one of {', '.join(names)}{nearest(name, names)}"
            )
        return self.joints[names.index(name)]

    @property
    def seen(self) -> Rig:
        """The rig, for those who look and touch nothing: the run can still be replayed."""
        return self._rig

    def story(self) -> str:
        """What happened so far, a line for each thing, with the rig time in s."""
        self._rig  # noqa: B018 (raises for a closed rig)
        assert self._lease is not None
        return tell(self._lease.notes)

    @property
    def hands(self) -> Hands:
        """A person's hands: turn, press, release, plugs, supplies, STOP, stand."""
        return self._use().hands

    @property
    def gauges(self) -> Gauges:
        """What a person reads: eye, level, witness mark."""
        return self._use().gauges

    @property
    def meter(self) -> Meter:
        """The meter; its readings cost no time here."""
        return self._use().meter

    @property
    def faults(self) -> Injector:
        """`insert("open@J3.DIR")`, `remove`, `clear`, `listed`."""
        return self.station.injector

    @property
    def truth_deg(self) -> tuple[float, ...]:
        """True joint angles, deg."""
        return self._use().truth_deg()

    @property
    def time_s(self) -> float:
        """Rig time since power-up, s."""
        return self._rig.now / TICKS_PER_S

    def sleep(self, seconds: float) -> None:
        """Let so much rig time pass. Raises ValueError below 0."""
        if seconds < 0:
            raise ValueError(f"sleep {seconds:g} s: expected 0 or more")
        rig = self._use()
        rig.advance(rig.now + ticks(seconds))

    def wait(self, timeout_s: float) -> bool:
        """Until the next event: rest, edge, halt, a hand's turn done. False when none came."""
        rig = self._use()
        seen = rig.card.events + rig.hands.events
        return rig.run_until(
            lambda: rig.card.events + rig.hands.events != seen, rig.now + ticks(timeout_s)
        )

    def wait_still(self, timeout_s: float) -> bool:
        """Until no pulses go out and no hand turns. False when time ran out first."""
        rig = self._use()

        def still() -> bool:
            return not rig.hands.busy and all(part.profile is None for part in rig.card.axis)

        return rig.run_until(still, rig.now + ticks(timeout_s))

    def port(self, role: str = "card", *, timeout: float | None = 10.0) -> Serial:
        """A pyserial port of this rig: card, hands or teacher; closed with the rig."""
        if role not in ROLES:
            raise DryrigError(
                f"no port {role!r}: expected one of {', '.join(ROLES)}{nearest(role, ROLES)}"
            )
        self._rig  # noqa: B018 (raises for a closed rig)
        port = Serial(timeout=timeout)
        port.port = f"{SCHEME}{quote(self._scene)}?rig={quote(self.name)}&port={role}"
        port.open()
        self._ports.append(port)
        return port

    def close(self) -> None:
        """Close the ports and end the rig."""
        for port in self._ports:
            port.close()
        lease, self._lease = self._lease, None
        if lease is not None:
            lease.release()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def open_rig(
    scene: str | Path = "heron",
    *,
    seed: int = 0,
    faults: Iterable[str] = (),
    start_pose_deg: Sequence[float] | None = None,
    name: str | None = None,
) -> DirectRig:
    """A simulated arm in this process: `with dryrig.open_rig("heron", seed=3) as rig: ...`.

    `name` is what `&rig=` joins it by. Raises SceneError, FaultError or LeaseError.
    """
    return DirectRig(scene, seed, faults, start_pose_deg, name)
