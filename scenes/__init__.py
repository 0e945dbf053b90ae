"""Descriptions of arms: URDF and TOML, their schema and loader."""

from .loader import load_scene, scene_names, scene_path
from .schema import IO, WIRES, GripperPart, IoPart, Joint, Scene

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
