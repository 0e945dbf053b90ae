"""sigrok-cli as a reader of our traces: a separate program (GPL) that knows nothing of us.

Names in a VCD file are leaves (`LINE_RX`). An exit code says little: one of its decoders aborts
after complete output. A last frame's or pulse's end is only seen when something follows it.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

needs_sigrok = pytest.mark.skipif(
    shutil.which("sigrok-cli") is None,
    reason="sigrok-cli is not installed (Debian: apt-get install sigrok-cli)",
)
DOWNSAMPLE = 1000
"""From the nanoseconds of a trace to 1 MHz: no pulse, no quarter cycle and no bit is lost."""


def sigrok(vcd: Path, decoders: str, *show: str, downsample: int = DOWNSAMPLE) -> bytes:
    """What the decoders print of a file: `show` is `-A ROWS` or `-B CLASS`."""
    run = subprocess.run(
        [
            *("sigrok-cli", "-i", str(vcd), "-I", f"vcd:downsample={downsample}"),
            *("-P", decoders, *show),
        ],
        capture_output=True,
        timeout=300,
        cwd=vcd.parent,
        env={**os.environ, "HOME": str(vcd.parent)},
        check=False,
    )
    return run.stdout
