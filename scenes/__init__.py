"""Descriptions of arms: URDF and TOML, their schema and loader."""

from .loader import load_scene, scene_names, scene_path
from .schema import WIRES, Joint, Scene
from .second_card import IO, GripperPart, IoPart
from .sketch import Axis, Sketch

__all__ = [
    "IO",
    "WIRES",
    "Axis",
    "GripperPart",
    "IoPart",
    "Joint",
    "Scene",
    "Sketch",
    "load_scene",
    "scene_names",
    "scene_path",
]
