"""Waiting for whatever a served rig hears: terminals, sockets, a signal."""

from __future__ import annotations

import selectors
from collections.abc import Iterable

READ = selectors.EVENT_READ
WRITE = selectors.EVENT_WRITE

# By number and not by open file, so that a socket may take the number of one that was closed.
_Selector: type[selectors.BaseSelector] = getattr(
    selectors, "PollSelector", selectors.SelectSelector
)


class Poller:
    """Sleeps until a file descriptor is ready."""

    def __init__(self) -> None:
        self._selector = _Selector()
        self._wanted: dict[int, int] = {}

    def wait(self, wanted: Iterable[tuple[int, int]], limit_s: float) -> set[int]:
        """The descriptors of `wanted` (each with READ, WRITE or both) that are ready or broken.

        Waits for the first of them, `limit_s` seconds at most.
        """
        asked = dict(wanted)
        if asked != self._wanted:
            for fd in self._wanted.keys() - asked.keys():
                self._selector.unregister(fd)
            for fd, events in asked.items():
                if fd not in self._wanted:
                    self._selector.register(fd, events)
                elif events != self._wanted[fd]:
                    self._selector.modify(fd, events)
            self._wanted = asked
        return {key.fd for key, _ in self._selector.select(limit_s)}

    def close(self) -> None:
        """Forget them all."""
        self._selector.close()
