"""Descriptions of arms: URDF and TOML, their schema and loader."""

from .loader import load_scene, scene_names, scene_path
from .schema import WIRES, Joint, Scene
from .second_card import IO, GripperPart, IoPart

__all__ = [
    "IO",
    "WIRES",
    "GripperPart",
    "IoPart",
    "Joint",
    "Scene",
    "load_scene",
    "scene_names",
    "scene_path",
]
