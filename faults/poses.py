"""Start poses that suit a test: nothing touches, and the joints that are to move have their way."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path

from ..scenes import Scene, load_scene
from ..sim.body import Body
from ..sim.clearance import Clearance
from ..sim.start import check_start, find_start, leaves_way


@lru_cache(maxsize=16)
def scene_of(scene: str | Path) -> Scene:
    """The scene, loaded once."""
    return load_scene(scene)


@lru_cache(maxsize=256)
def stands(scene: str | Path, pose_deg: tuple[float, ...]) -> bool:
    """Whether an arm can start there: within its stops, and nothing touches."""
    with _clearance(scene_of(scene)) as clearance:
        try:
            check_start(scene_of(scene), clearance, pose_deg)
        except ValueError:
            return False
        return True


@lru_cache(maxsize=4096)
def start_for(
    scene: str | Path, seed: int, joints: tuple[str, ...] = ()
) -> tuple[float, ...] | None:
    """Where an arm starts if some of its joints are to be homed and the others stay.

    None: where the seed puts it. The rest pose, deg, if from there the joints named would meet the
    table or a link on their way to their switches.
    """
    loaded = scene_of(scene)
    named = [number for number, joint in enumerate(loaded.joint) if joint.name in joints]
    if len(named) in (0, len(loaded.joint)):
        return None
    with _clearance(loaded) as clearance:
        pose = find_start(loaded, clearance, seed)
        return None if leaves_way(loaded, clearance, pose, named) else loaded.rest_pose_deg


@contextmanager
def _clearance(scene: Scene) -> Iterator[Clearance]:
    body = Body(scene)
    try:
        yield Clearance(body)
    finally:
        body.close()
