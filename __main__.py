"""`python -m dryrig`, and the `dryrig` command."""

from __future__ import annotations

import signal


def main() -> None:
    """Run the command."""
    # As in the command itself, but before its libraries are loaded.
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    from .cli import main as run

    run()


if __name__ == "__main__":
    main()
