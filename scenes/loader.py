"""Find and load a scene, and say plainly what is wrong with one that cannot be."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from ..errors import SceneError, nearest
from .extended import read_scene_file
from .linear import take_linear
from .schema import Scene
from .spreads import extremes, put_figures, take_spreads

_HERE = Path(__file__).resolve().parent
_OWN = ("folder", "spreads")  # what the loader adds to the file


def scene_names() -> list[str]:
    """Names of the scenes that come with the project."""
    return sorted(path.stem for path in _HERE.glob("*.toml"))


def scene_path(name_or_path: str | Path) -> Path:
    """The file of a scene, by name or by path.

    Raises `SceneError` when there is none.
    """
    text = str(name_or_path)
    if text in scene_names():
        return _HERE / f"{text}.toml"
    path = Path(text)
    if path.is_file():
        return path
    raise SceneError(
        f"no scene {text!r}: expected one of {', '.join(scene_names())} "
        f"or the path of a TOML file{nearest(text, scene_names())}"
    )


def load_scene(name_or_path: str | Path) -> Scene:
    """Read and check a scene.

    Raises `SceneError` that names the file, the key, what came and what was expected.
    """
    path = scene_path(name_or_path)
    data = read_scene_file(path)
    try:
        data, spreads = take_spreads(take_linear(data))
    except SceneError as error:
        raise SceneError(f"{path.name}: {error}") from None
    own = {"folder": path.resolve().parent, "spreads": spreads}
    scene = _checked(path.name, data | own)
    for figures in extremes(spreads) if spreads else ():
        _checked(f"{path.name}: drawn as far out as it can be", put_figures(data, figures))
    if not scene.urdf_path.is_file():
        raise SceneError(
            f"{path.name}: urdf: no file {scene.urdf!r} beside the scene; "
            "give the name of a URDF in the same folder"
        )
    return scene


def _checked(where: str, data: dict[str, Any]) -> Scene:
    try:
        return Scene.model_validate(data)
    except ValidationError as error:
        lines = [_explain(item, data) for item in error.errors()]
        raise SceneError("\n".join(f"{where}: {line}" for line in lines)) from None


def _explain(item: Any, data: dict[str, Any]) -> str:
    where: list[str] = []
    place: Any = data
    for key in item["loc"]:
        if isinstance(key, int) and isinstance(place, list) and isinstance(place[key], dict):
            where[-1] = str(place[key].get("name", f"{where[-1]}[{key}]"))
        else:
            where.append(f"[{key}]" if isinstance(key, int) else str(key))
        try:
            place = place[key]
        except (KeyError, IndexError, TypeError):
            break
    label = ": ".join(where) or "scene"
    kind, got = item["type"], item["input"]
    if kind == "missing":
        return f"{label}: missing; every scene must say it"
    if kind == "extra_forbidden":
        return f"{label}: unknown key{nearest(where[-1], _keys_beside(item['loc']))}"
    if kind == "value_error":
        reason = str(item["ctx"]["error"])
        return f"{label}: {reason}" if item["loc"] else reason
    message = item["msg"].replace("Input should be", "expected")
    return f"{label}: got {got!r}, {message}"


def _keys_beside(loc: tuple[str | int, ...]) -> list[str]:
    """The keys a model accepts where `loc` points, found by walking the schema."""
    model: type[BaseModel] = Scene
    for key in loc[:-1]:
        if isinstance(key, int):
            continue
        for name, info in model.model_fields.items():
            if key in (name, info.alias):
                inner = _model_in(info.annotation)
                if inner is not None:
                    model = inner
    return [info.alias or name for name, info in model.model_fields.items() if name not in _OWN]


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        found = _model_in(inner)
        if found is not None:
            return found
    return None
