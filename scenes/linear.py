"""Linear axes in the words of a scene's file: lengths in mm, forces in N, the lead of a motor turn.

The schema knows one set of names for both kinds of axis; this puts a linear one's into it.
"""

from __future__ import annotations

import math
from typing import Any

from ..errors import SceneError, nearest

_JOINT = {
    "travel_mm": "travel_deg",
    "stops_mm": "stops_deg",
    "backlash_mm": "backlash_deg",
    "friction_n": "friction_n_m",
    "brake_n": "brake_n_m",
}
_HOME = {
    "switch_mm": "switch_deg",
    "differential_mm": "differential_deg",
    "fast_mm_s": "fast_deg_s",
    "slow_mm_s": "slow_deg_s",
    "back_off_mm": "back_off_deg",
    "acceleration_mm_s2": "acceleration_deg_s2",
}
_TRIM = {"reads_mm": "reads_deg"}


def take_linear(data: dict[str, Any]) -> dict[str, Any]:
    """A scene's data with every linear axis in the schema's names.

    Raises `SceneError` for an axis that mixes the words of both kinds.
    """
    joints = data.get("joint")
    if not isinstance(joints, list):
        return data
    return data | {"joint": [_joint(joint) for joint in joints]}


def _joint(joint: Any) -> Any:
    if not isinstance(joint, dict) or joint.get("kind") != "linear":
        return joint
    name = str(joint.get("name", "joint"))
    lead = joint.get("lead_mm")
    if isinstance(lead, bool) or not isinstance(lead, int | float) or lead <= 0:
        raise SceneError(f"{name}: lead_mm: got {lead!r}, expected the mm of one motor turn")
    plain = _renamed(name, {k: v for k, v in joint.items() if k != "lead_mm"}, _JOINT)
    plain["ratio"] = 2000.0 * math.pi / lead
    for table, names in (("home", _HOME), ("trim", _TRIM)):
        if isinstance(plain.get(table), dict):
            plain[table] = _renamed(f"{name}: {table}", plain[table], names)
    return plain


def _renamed(where: str, table: dict[str, Any], names: dict[str, str]) -> dict[str, Any]:
    for rotary in names.values():
        if rotary in table:
            raise SceneError(f"{where}: {rotary} on a linear axis{nearest(rotary, names)}")
    if "ratio" in table:
        raise SceneError(f"{where}: ratio on a linear axis; expected lead_mm")
    return {names.get(key, key): value for key, value in table.items()}
