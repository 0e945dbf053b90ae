"""A rig in this process without bytes: pins, steps, counts, hands, faults and time as Python.

The same rig as behind the ports, with the same rules: time moves only inside calls, and one thread
owns it.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

from ..closing import Closing
from ..errors import DryrigError, nearest
from ..sim.clock import TICKS_PER_S, ticks
from .direct_io import DirectIo
from .direct_joint import DirectJoint
from .in_process import Serial
from .lease import Lease
from .station import no_port
from .story import tell
from .url import ROLES, SCHEME, Request

if TYPE_CHECKING:
    from ..faults.inject import Injector
    from ..sim.gauges import Gauges
    from ..sim.gripper import Gripper
    from ..sim.hands import Hands
    from ..sim.meter import Meter
    from ..sim.rig import Rig
    from .station import Station

_numbers = itertools.count(1)


class DirectRig(Closing):
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
        self.joints = [
            DirectJoint(self.use, axis, joint.name)
            for axis, joint in enumerate(self._rig.scene.joint)
        ]

    @property
    def _rig(self) -> Rig:
        if self._lease is None:
            raise DryrigError(f"rig {self.name!r} is closed: open another with open_rig()")
        return self._lease.station.rig

    def use(self) -> Rig:
        """The rig, for a call by the thread that owns it; what no byte did cannot be replayed."""
        rig = self._rig
        assert self._lease is not None
        self._lease.check_thread()
        self._lease.notes.partial = True
        return rig

    @property
    def station(self) -> Station:
        """The station behind it: rig, injector and ports, for those who look inside."""
        self.use()
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
        return self.use().hands

    @property
    def io(self) -> DirectIo:
        """The second card: inputs, outputs, volts, servo. Raises DryrigError if there is none."""
        card = self.use().io
        if card is None:
            raise DryrigError(no_port("io", self._rig.scene.name))
        return DirectIo(self.use, card)

    @property
    def gripper(self) -> Gripper:
        """The gripper as a person sees and feels it. Raises DryrigError if there is none."""
        gripper = self.use().gripper
        if gripper is None:
            raise DryrigError(
                f"{self._rig.scene.name} has no gripper: add a table [gripper] to the scene"
            )
        return gripper

    @property
    def gauges(self) -> Gauges:
        """What a person reads: eye, level, witness mark."""
        return self.use().gauges

    @property
    def meter(self) -> Meter:
        """The meter; its readings cost no time here."""
        return self.use().meter

    @property
    def faults(self) -> Injector:
        """`insert("open@J3.DIR")`, `remove`, `clear`, `listed`."""
        return self.station.injector

    @property
    def truth_deg(self) -> tuple[float, ...]:
        """True joint angles, deg."""
        return self.use().truth_deg()

    @property
    def time_s(self) -> float:
        """Rig time since power-up, s."""
        return self._rig.now / TICKS_PER_S

    def sleep(self, seconds: float) -> None:
        """Let so much rig time pass. Raises ValueError below 0."""
        if seconds < 0:
            raise ValueError(f"sleep {seconds:g} s: expected 0 or more")
        rig = self.use()
        rig.advance(rig.now + ticks(seconds))

    def wait(self, timeout_s: float) -> bool:
        """Until the next event: rest, edge, halt, a hand's turn done, an edge at an input of the
        second card. False when none came.
        """
        rig = self.use()
        seen = _events(rig)
        return rig.run_until(lambda: _events(rig) != seen, rig.now + ticks(timeout_s))

    def wait_still(self, timeout_s: float) -> bool:
        """Until no pulses go out and no hand turns. False when time ran out first."""
        rig = self.use()

        def still() -> bool:
            return not rig.hands.busy and all(part.profile is None for part in rig.card.axis)

        return rig.run_until(still, rig.now + ticks(timeout_s))

    def port(self, role: str = "card", *, timeout: float | None = 10.0) -> Serial:
        """A pyserial port of this rig: card, hands, teacher or io; closed with the rig."""
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


def _events(rig: Rig) -> int:
    return rig.card.events + rig.hands.events + (0 if rig.io is None else rig.io.events)


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
