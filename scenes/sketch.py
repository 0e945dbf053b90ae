"""A sketch of an arm: a few figures for each axis, from which a whole scene follows.

For tests over arms of any shape. Card, drives, supplies, harness and gauges are the Heron's; motors
are chosen so that each axis bears its load with a margin, whatever the pose. Links have mass and no
shape: nothing touches anything.
"""

from __future__ import annotations

import hashlib
import math
import os
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, fields
from functools import cache, lru_cache
from pathlib import Path
from typing import Any, Literal

from .extended import read_scene_file

_HERON = Path(__file__).resolve().parent / "heron.toml"
_AXES = {"turn": "0 0 1", "pitch": "0 -1 0", "roll": "1 0 0", "slide": "1 0 0"}
_GRAVITY = 9.81
_saved: set[str] = set()
_MOST_USE = 0.3
"""Of a motor's pull-out that a load may take: common practice is a half at most."""
_EFFICIENCY = 0.85
# Frames and rotors by holding torque: the Heron's motors, and one beyond (common practice).
_FRAMES = ((0.15, 28, 120e-7), (0.6, 42, 140e-7), (3.0, 57, 250e-7), (20.0, 86, 320e-7))

_OHM_PER_M = {0.14: 0.12, 0.25: 0.07}  # copper by section (common practice)


class _Brief:
    """Shown with those figures only that are not their own: what matters, and can be pasted."""

    def __repr__(self) -> str:
        own = [each for each in fields(self) if getattr(self, each.name) != each.default]  # type: ignore[arg-type]
        said = ", ".join(f"{each.name}={getattr(self, each.name)!r}" for each in own)
        return f"{type(self).__name__}({said})"


@dataclass(frozen=True, repr=False)
class Axis(_Brief):
    """One axis: deg, or mm and a motor turn's lead of `ratio` mm for one that slides.

    At zero all links lie level along x; `turn` is about the vertical, `pitch` about y, `roll` about
    x; a `slide` goes along x, as the first axis only. `travel` is either way from zero; `method` is
    object 6098h of CiA 402.
    """

    moves: Literal["turn", "pitch", "roll", "slide"] = "turn"
    ratio: float = 20.0
    travel: float = 90.0
    end: Literal["negative", "positive"] = "negative"
    direction: Literal[1, -1] = 1
    method: int | None = None
    stage: int = 1
    microsteps: int = 16
    full_steps: Literal[200, 400] = 200
    counts: int = 4000
    cable_m: float = 1.0
    link_m: float = 0.1
    link_kg: float = 0.5


@dataclass(frozen=True, repr=False)
class Sketch(_Brief):
    """An arm: `open_rig(sketch.path)` builds it. Its signals run over wires of that section."""

    axes: tuple[Axis, ...] = (Axis(),)
    signal_mm2: float = 0.14

    @property
    def path(self) -> Path:
        """Its scene file, in the user's folder for temporary files, where a replay finds it too."""
        name = f"sketch-{hashlib.sha256(repr(self).encode()).hexdigest()[:12]}.toml"
        path = _folder() / name
        # What is there may be another version's.
        if name not in _saved or not path.exists():
            self.save(path)
            _saved.add(name)
        return path

    def save(self, path: Path) -> None:
        """Write the scene to this file and the URDF beside it."""
        lines = [f"{_key(key)} = {_toml(value)}" for key, value in self._scene(path.stem).items()]
        _write(path.with_suffix(".urdf"), self._urdf(path.stem))
        _write(path, "\n".join([*lines, ""]))

    def _scene(self, name: str) -> dict[str, Any]:
        base = read_scene_file(_HERON)
        for key in ("table_m", "io", "gripper"):
            del base[key]
        zero = [0.0] * len(self.axes)
        copper = _OHM_PER_M[self.signal_mm2]
        wires = {
            name: wire | ({"ohm_per_m": copper} if wire["ohm_per_m"] == _OHM_PER_M[0.14] else {})
            for name, wire in base["harness"]["wires"].items()
        }
        return base | {
            "name": name,
            "title": f"A sketch of {len(self.axes)} axes",
            "urdf": f"{name}.urdf",
            "payload_kg": 0.0,
            "rest_pose_deg": zero,
            "harness": base["harness"] | {"wires": wires},
            "joint": [_joint(self.axes, number) for number in range(len(self.axes))],
        }

    def _urdf(self, name: str) -> str:
        lines = ['<?xml version="1.0"?>', f'<robot name="{name}">', _link("base", 0.0, 5.0, 0.01)]
        for number, axis in enumerate(self.axes, start=1):
            low, high = sorted(_stop(axis, side) for side in (-1, 1))
            scale = 1e-3 if axis.moves == "slide" else math.pi / 180.0
            parent = f"L{number - 1}" if number > 1 else "base"
            before_m = self.axes[number - 2].link_m if number > 1 else 0.0
            lines += [
                _link(
                    f"L{number}", axis.link_m / 2.0, axis.link_kg, _inertia(self.axes, number - 1)
                ),
                f'<joint name="J{number}" '
                f'type="{"prismatic" if axis.moves == "slide" else "revolute"}">'
                f'<parent link="{parent}"/><child link="L{number}"/>'
                f'<origin xyz="{before_m:g} 0 0" rpy="0 0 0"/><axis xyz="{_AXES[axis.moves]}"/>'
                f'<limit lower="{low * scale:.9g}" upper="{high * scale:.9g}" effort="1000" '
                'velocity="50"/></joint>',
            ]
        return "\n".join([*lines, "</robot>", ""])


@cache
def _folder() -> Path:
    """One for all processes of a user, or a new one where somebody else has it."""
    user = os.getuid() if hasattr(os, "getuid") else 0
    folder = Path(tempfile.gettempdir()) / f"dryrig-scenes-{user}"
    with suppress(FileExistsError):
        folder.mkdir(mode=0o700)
    mine = folder.is_dir() and not folder.is_symlink() and folder.stat().st_uid == user
    return folder if mine else Path(tempfile.mkdtemp(prefix="dryrig-scenes-"))


def _write(path: Path, text: str) -> None:
    """All at once: another process may read it."""
    part = path.with_suffix(f".{os.getpid()}")
    part.write_text(text, encoding="utf-8")
    part.replace(path)


def _link(name: str, centre_m: float, mass_kg: float, inertia: float) -> str:
    return (
        f'<link name="{name}"><inertial><origin xyz="{centre_m:g} 0 0" rpy="0 0 0"/>'
        f'<mass value="{mass_kg:g}"/><inertia ixx="{inertia:.6g}" iyy="{inertia:.6g}" '
        f'izz="{inertia:.6g}" ixy="0" ixz="0" iyz="0"/></inertial></link>'
    )


@lru_cache(maxsize=256)
def _inertia(axes: tuple[Axis, ...], number: int) -> float:
    """Of a cube of even density, and no less than its rotor's, without which no engine takes it."""
    axis = axes[number]
    rotor = 0.0 if axis.moves == "slide" else axis.ratio**2 * _motor(axes, number)["rotor_kg_m2"]
    return float(max(axis.link_kg * axis.link_m**2 / 6.0, 1.01 * rotor))


def _stop(axis: Axis, side: int) -> float:
    return side * (axis.travel + 8.0)


def _joint(axes: tuple[Axis, ...], number: int) -> dict[str, Any]:
    axis = axes[number]
    slides = axis.moves == "slide"
    unit = "mm" if slides else "deg"
    side = -1.0 if axis.end == "negative" else 1.0
    home = {
        "end": axis.end,
        f"switch_{unit}": side * (axis.travel + 3.0),
        f"differential_{unit}": 0.6,
        f"fast_{unit}_s": 20.0,
        f"slow_{unit}_s": 1.0,
        f"back_off_{unit}": 3.0,
        f"acceleration_{unit}_s2": 100.0,
    }
    if axis.method is not None:
        home["method"] = axis.method
    return {
        "name": f"J{number + 1}",
        "kind": "linear" if slides else "rotary",
        "what": f"axis {number + 1}, {axis.moves}",
        "stage": axis.stage,
        "motor": _motor(axes, number),
        "lead_mm" if slides else "ratio": axis.ratio,
        "efficiency": _EFFICIENCY,
        "friction_n" if slides else "friction_n_m": 10.0 if slides else 0.1,
        "breakaway": 1.2,
        "microsteps": axis.microsteps,
        "encoder": {"counts": axis.counts, "mount": "motor"},
        "direction": axis.direction,
        f"travel_{unit}": [-axis.travel, axis.travel],
        f"stops_{unit}": [_stop(axis, -1), _stop(axis, 1)],
        "home": home,
        "trim": {"gauge": "mark", "pose_deg": [0.0] * len(axes), f"reads_{unit}": 0.0},
        "cable_m": axis.cable_m,
    }


def _motor(axes: tuple[Axis, ...], number: int) -> dict[str, Any]:
    """A motor that bears the links from its axis on, stretched out level, with a margin."""
    axis, at_m, need, inertia = axes[number], 0.0, 0.0, 0.0
    for other, link in enumerate(axes[number:], start=number):
        middle_m = at_m + link.link_m / 2.0
        need += _GRAVITY * link.link_kg * middle_m
        inertia += link.link_kg * middle_m**2
        inertia += _inertia(axes, other) if other > number else link.link_kg * link.link_m**2 / 6.0
        at_m += link.link_m
    if axis.moves == "slide":
        # 100 mm/s2 of everything, and friction, over the lead.
        force_n = 10.0 + 0.1 * sum(link.link_kg for link in axes)
        motor_n_m = force_n * axis.ratio / (2000.0 * math.pi)
    else:
        motor_n_m = (0.1 + need + math.radians(100.0) * inertia) / axis.ratio
    holding = max(0.1, math.ceil(10.0 * motor_n_m / _EFFICIENCY / _MOST_USE) / 10.0)
    frame_mm, rotor = next(
        ((frame, per) for most, frame, per in _FRAMES if holding <= most), _FRAMES[-1][1:]
    )
    return {
        "frame_mm": frame_mm,
        "holding_n_m": holding,
        "current_a": 2.0,
        "coil_ohm": 1.4,
        "inductance_h": 3.0e-3,
        "rotor_kg_m2": float(f"{rotor * holding:.3g}"),
        "full_steps": axis.full_steps,
    }


def _key(key: str) -> str:
    return key if key.replace("_", "a").isalnum() and key.isascii() else f'"{key}"'


def _toml(value: Any) -> str:
    """What a scene holds, as TOML: tables inline."""
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(k)} = {_toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else repr(value)
