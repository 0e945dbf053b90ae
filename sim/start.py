"""Where an arm stands at power-up: clear of its table and of itself."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..errors import SceneError
from ..scenes import Scene
from .clearance import Clearance
from .individual import draw_start_pose

ROOM_DEG = 12.0
"""What a hand check and a jog need to either side, as far as the travel goes."""
_TRIES, _SAMPLES = 200, 128


def check_start(scene: Scene, clearance: Clearance, pose_deg: Sequence[float]) -> None:
    """Raises `ValueError` for a pose in which the arm touches its table or itself."""
    position = scene.pose_si(pose_deg)
    least = clearance.least(position)
    if least is not None and not clearance.free(position):
        gap_mm, pair = 1e3 * least[0], least[1]
        how = f"overlap by {-gap_mm:.0f} mm" if gap_mm < 0 else f"are only {gap_mm:.1f} mm apart"
        raise ValueError(
            f"start pose: at {', '.join(f'{angle:g}' for angle in pose_deg)} deg "
            f"{clearance.named(pair)} {how}; expected a pose in which nothing touches"
        )


def find_start(scene: Scene, clearance: Clearance, seed: int) -> tuple[float, ...]:
    """The seed's start pose, deg: drawn from the travel until each joint has room to be checked.

    Raises `SceneError` when there is none.
    """
    for again in range(_TRIES):
        pose = draw_start_pose(scene, seed, again)
        if _has_room(scene, clearance, pose):
            return pose
    raise SceneError(
        f"{scene.name}: of {_TRIES} poses drawn from the travel none leaves every joint "
        f"{ROOM_DEG:g} deg of room; expected travel_deg in which links and table rarely touch"
    )


def _has_room(scene: Scene, clearance: Clearance, pose: tuple[float, ...]) -> bool:
    poses = [pose]
    for number, joint in enumerate(scene.joint):
        low, high = joint.travel_deg
        for room in (-ROOM_DEG, ROOM_DEG):
            angle = min(max(pose[number] + room, low), high)
            poses.append((*pose[:number], angle, *pose[number + 1 :]))
    return all(clearance.free(scene.pose_si(each)) for each in poses)


def leaves_way(
    scene: Scene, clearance: Clearance, pose_deg: Sequence[float], joints: Sequence[int]
) -> bool:
    """Whether these joints may go home together while the others stay: by samples of their way."""
    for shares in np.random.default_rng(0).random((_SAMPLES, len(joints))):
        pose = list(pose_deg)
        for number, share in zip(joints, shares, strict=True):
            joint = scene.joint[number]
            pose[number] += share * (joint.travel_deg[joint.end_sign > 0] - pose[number])
        if not clearance.free(scene.pose_si(pose)):
            return False
    return True
