"""Traces in files: which formats there are, writing and reading them.

`.vcd` for wave viewers and logic analysers; `.csv` for tables: a line `time_s,signal,value,unit`
for every change, in order of time, the value of each signal at the start first.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path

from ..errors import TraceError
from .vcd import in_order, nanoseconds, write_vcd
from .wave import Wave

SUFFIXES = (".vcd", ".csv")


def check_path(path: str | Path) -> Path:
    """The path of a trace file to be written. Raises TraceError when that cannot work."""
    found = Path(path)
    if found.suffix.lower() not in SUFFIXES:
        raise TraceError(f"trace file {str(path)!r}: expected a name ending in .vcd or .csv")
    if not found.parent.is_dir():
        raise TraceError(f"trace file {str(path)!r}: there is no folder {str(found.parent)!r}")
    return found


def save(path: Path, title: str, waves: Sequence[Wave], until: int) -> None:
    """Write waves up to tick `until` in the format of the path's suffix. Raises TraceError."""
    try:
        if path.suffix.lower() == ".vcd":
            write_vcd(path, title, waves, until)
        else:
            _write_csv(path, waves)
    except OSError as error:
        raise TraceError(f"trace file {str(path)!r}: {error.strerror}") from None


def _write_csv(path: Path, waves: Sequence[Wave]) -> None:
    labels = [(wave.name, wave.unit) for wave in waves]
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["time_s", "signal", "value", "unit"])
        for wave in waves:
            began = nanoseconds(wave.ticks[:1]).tolist()[0]
            writer.writerow([f"{began / 1e9:.9f}", wave.name, f"{wave.values[0]:.9g}", wave.unit])
        for time, which, value in in_order(waves):
            name, unit = labels[which]
            writer.writerow([f"{time / 1e9:.9f}", name, f"{value:.9g}", unit])
