"""pybullet itself, and its clients: the only file that names it.

One DIRECT client serves one rig at a time and is handed on when that rig closes.
"""

from __future__ import annotations

import importlib
import os
from typing import Any


def _load_engine() -> Any:
    """Import pybullet without the build time it writes to standard error from C."""
    kept, nowhere = os.dup(2), os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        module = importlib.import_module("pybullet")
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)
    return module


engine: Any = _load_engine()

_idle: list[int] = []


def take_client() -> int:
    """A client for one arm."""
    return _idle.pop() if _idle else int(engine.connect(engine.DIRECT))


def give_back(client: int) -> None:
    """Empty a client, for the next."""
    engine.resetSimulation(physicsClientId=client)
    _idle.append(client)
