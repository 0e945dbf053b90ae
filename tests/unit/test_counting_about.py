"""A count told cheaply, to within so many: what that promises holds, wherever it is told."""

from __future__ import annotations

import pytest

from dryrig.protocol.direct import DirectRig, open_rig
from dryrig.sim.clock import TICKS_PER_S

STRETCHED = (0.0, 10.0, -10.0, 0.0, 0.0, 0.0)


def told(rig: DirectRig, joint: str, steps: int) -> list[tuple[int, int, int] | None]:
    """Count, what was told of it, and within how many, every 7 ms of a move; None where nothing."""
    plant, found = rig.seen, []
    axis = [each.name for each in plant.scene.joint].index(joint)
    for number in range(plant.card.axes):
        plant.card.enable(number, True)
    plant.card.set_rate(axis, 4000.0)
    plant.card.move(axis, steps)
    while plant.card.moving(axis):
        plant.advance(plant.now + 7 * TICKS_PER_S // 1000)
        about = plant.count_about(axis)
        (count,) = plant.read_counts([axis])
        found.append(None if about is None else (count, *about))
    return found


@pytest.mark.parametrize("fault", ["", "swap@J2.ENC.A/J2.ENC.B", "dirt@J2.ENC"])
@pytest.mark.parametrize("steps", [3000, -3000])
def test_a_loaded_joint_s_count_is_within_what_was_told(fault: str, steps: int) -> None:
    faults = [fault] if fault else []
    with open_rig("heron", seed=5, faults=faults, start_pose_deg=STRETCHED) as rig:
        found = [one for one in told(rig, "J2", steps) if one is not None]
    assert len(found) > 50
    assert len({count for count, _, _ in found}) > 50
    off = [abs(count - about) for count, about, _ in found]
    assert max(off) > 0  # a loaded rotor lags
    assert all(one <= slack for one, (_, _, slack) in zip(off, found, strict=True))


@pytest.mark.parametrize("fault", ["open@J2.ENC.A", "weak@J2.MOTOR,current=0.2"])
def test_nothing_is_told_of_what_only_a_reading_shows(fault: str) -> None:
    with open_rig("heron", seed=5, faults=[fault], start_pose_deg=STRETCHED) as rig:
        assert None in told(rig, "J2", 3000)
