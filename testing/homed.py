"""Whether an arm is homed: what its card says of each joint, against where the joint really is."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from ..errors import DryrigError, nearest
from ..protocol.direct import DirectRig
from ..protocol.in_process import Serial
from ..sim.rig import Rig


@dataclass(frozen=True)
class Standing:
    """One joint, deg (mm of a linear axis): what its step counter says, and the truth."""

    joint: str
    unit: str
    said_deg: float
    truth_deg: float
    steps: int

    @property
    def error_deg(self) -> float:
        """How far it really is beyond what is said."""
        return self.truth_deg - self.said_deg


def plant(of: DirectRig | Serial | Rig) -> Rig:
    """The rig behind an open rig or port, to be looked at only."""
    if isinstance(of, DirectRig):
        return of.seen
    return of.station.rig if isinstance(of, Serial) else of


def standings(
    of: DirectRig | Serial | Rig,
    *,
    joints: Iterable[str] = (),
    zero_deg: Mapping[str, float] | None = None,
) -> list[Standing]:
    """Each joint named (all, when none is).

    Step 0 is where the switch operates, as its bracket sits now on this arm, or `zero_deg` by
    joint for a routine that puts its zero elsewhere. Raises DryrigError for an unknown joint.
    """
    rig = plant(of)
    names = [joint.name for joint in rig.scene.joint]
    wanted = list(joints) or names
    for name in [*wanted, *(zero_deg or {})]:
        if name not in names:
            raise DryrigError(
                f"no joint {name!r}: expected one of {', '.join(names)}{nearest(name, names)}"
            )
    found = []
    truth_deg = rig.truth_deg()
    for name in wanted:
        axis = names.index(name)
        joint, steps = rig.scene.joint[axis], rig.card.steps(axis)
        zero = (zero_deg or {}).get(name)
        if zero is None:
            zero = rig.individual.switch_deg[axis] + rig.switches[axis].shift_deg
        said = zero + joint.direction * steps / joint.steps_per_deg
        found.append(Standing(name, joint.unit, said, truth_deg[axis], steps))
    return found


def assert_homed(
    of: DirectRig | Serial | Rig,
    within_deg: float,
    *,
    joints: Iterable[str] = (),
    zero_deg: Mapping[str, float] | None = None,
) -> None:
    """Raises AssertionError unless every joint is where its step counter says, deg.

    The message tells what each joint really did. See `standings` for `zero_deg`.
    """
    __tracebackhide__ = True
    if within_deg <= 0:
        raise DryrigError(f"within_deg: got {within_deg:g}, expected more than 0")
    found = standings(of, joints=joints, zero_deg=zero_deg)
    if all(abs(each.error_deg) <= within_deg for each in found):
        return
    lines = [
        f"  {each.joint} says {each.said_deg:.2f} {each.unit} (step {each.steps}) and stands at "
        f"{each.truth_deg:.2f}: {each.error_deg:+.2f}"
        + ("" if abs(each.error_deg) <= within_deg else f"  NOT within {within_deg:g}")
        for each in found
    ]
    raise AssertionError("not homed:\n" + "\n".join(lines))
