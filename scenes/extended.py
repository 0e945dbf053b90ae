"""A scene that extends another: its file says what is added and what is different."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from ..errors import SceneError

_DEPTH = 4


def read_scene_file(path: Path, depth: int = 0) -> dict[str, Any]:
    """A scene's data with what `extends = "other.toml"` brings in.

    Tables are laid over each other, a joint over the one of its name; others are added at the end;
    poses of the other scene are filled
    up from the rest pose. Raises `SceneError` that names the file.
    """
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise SceneError(f"{path.name}: cannot be read: {error}") from None
    except tomllib.TOMLDecodeError as error:
        raise SceneError(f"{path.name}: not TOML: {error}") from None
    other = data.pop("extends", None)
    if other is None:
        return data
    if not isinstance(other, str) or depth >= _DEPTH or not (path.parent / other).is_file():
        raise SceneError(
            f"{path.name}: extends: got {other!r}, expected the name of a scene file in the same "
            f"folder, and at most {_DEPTH} of them one after the other"
        )
    base = read_scene_file(path.parent / other, depth + 1)
    joints = _joined(base.pop("joint", []), data.pop("joint", []))
    whole = _laid_over(base, data)
    rest = whole.get("rest_pose_deg", [])
    whole["joint"] = [_filled_up(joint, rest) for joint in joints]
    return whole


def _joined(base: list[Any], own: list[Any]) -> list[Any]:
    """Joints of both files, in their order."""
    mine = {joint.get("name"): joint for joint in own if isinstance(joint, dict)}
    names = [joint.get("name") for joint in base if isinstance(joint, dict)]
    over = [_laid_over(j, mine.get(n, {})) for j, n in zip(base, names, strict=True)]
    return [*over, *(joint for joint in own if joint.get("name") not in names)]


def _laid_over(base: dict[str, Any], own: dict[str, Any]) -> dict[str, Any]:
    whole = dict(base)
    for key, value in own.items():
        both = isinstance(value, dict) and isinstance(base.get(key), dict)
        whole[key] = _laid_over(base[key], value) if both else value
    return whole


def _filled_up(joint: Any, rest: Any) -> Any:
    try:
        pose = joint["trim"]["pose_deg"]
        return joint | {"trim": joint["trim"] | {"pose_deg": [*pose, *rest[len(pose) :]]}}
    except (KeyError, TypeError):
        return joint
