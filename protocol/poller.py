"""Waiting for whatever a served rig hears: terminals, sockets, a signal."""

from __future__ import annotations

import math
import select

READ = getattr(select, "POLLIN", 1)
WRITE = getattr(select, "POLLOUT", 4)


class Poller:
    """Sleeps until a file descriptor is ready."""

    def __init__(self) -> None:
        self._wanted: list[tuple[int, int]] = []
        self._poll = self._made()

    def wait(self, wanted: list[tuple[int, int]], limit_s: float) -> list[int]:
        """The descriptors of `wanted` (each with READ, WRITE or both) that are ready or broken.

        Waits for the first of them, `limit_s` seconds at most.
        """
        if wanted != self._wanted:
            self._wanted = wanted
            self._poll = self._made()
        if self._poll is None:
            return self._select(limit_s)
        return [fd for fd, _ in self._poll.poll(math.ceil(1e3 * limit_s))]

    def _made(self) -> select.poll | None:
        # Made anew, by number: a socket may have the number of one that was closed.
        if not hasattr(select, "poll"):
            return None
        poll = select.poll()
        for fd, events in self._wanted:
            poll.register(fd, events)
        return poll

    def _select(self, limit_s: float) -> list[int]:
        reading = [fd for fd, events in self._wanted if events & READ]
        writing = [fd for fd, events in self._wanted if events & WRITE]
        ready = {fd for each in select.select(reading, writing, [], limit_s) for fd in each}
        return [fd for fd, _ in self._wanted if fd in ready]
