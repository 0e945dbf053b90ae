"""Descriptions of arms: URDF and TOML, their schema and loader."""

from .joint import Joint
from .loader import load_scene, scene_names, scene_path
from .schema import WIRES, Scene
from .second_card import IO, GripperPart, IoPart
from .sketch import Axis, Sketch
from .stop import STOP, StopPart

__all__ = [
    "IO",
    "STOP",
    "WIRES",
    "Axis",
    "GripperPart",
    "IoPart",
    "Joint",
    "Scene",
    "Sketch",
    "StopPart",
    "load_scene",
    "scene_names",
    "scene_path",
]
