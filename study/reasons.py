"""Why a fault stays hidden from the reference commissioning (stub)."""

from __future__ import annotations

from ..scenes import Scene


def reason_for(fault: str, scene: Scene) -> str:
    return ""
