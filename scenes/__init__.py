"""Descriptions of arms: URDF and TOML, their schema and loader."""

from .loader import load_scene, scene_names, scene_path
from .schema import WIRES, Joint, Scene

__all__ = ["WIRES", "Joint", "Scene", "load_scene", "scene_names", "scene_path"]
