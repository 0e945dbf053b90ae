"""The `dryrig://` scheme: `serial.serial_for_url("dryrig://heron?seed=3")`.

pyserial finds this module by its name and would read an ImportError in it as "invalid URL".
The plant is therefore loaded here, and its failure told.
"""

from __future__ import annotations

from serial import SerialBase, SerialException


def serial_class_for_url(url: str) -> tuple[str, type[SerialBase]]:
    """What pyserial asks a handler for. Raises SerialException where the plant cannot run."""
    try:
        from .in_process import Serial
    except ImportError as error:
        raise SerialException(
            f"could not open port {url!r}: the plant needs {error.name or error}, "
            "which is not installed here; install dryrig with its dependencies"
        ) from error
    return url, Serial
