"""Waiting for whatever a served rig hears: terminals, sockets, a signal."""

from __future__ import annotations

import math
import os
import select
import time

READ = getattr(select, "POLLIN", 1)
WRITE = getattr(select, "POLLOUT", 4)
# A CPU that has gone idle takes some 20 us to wake, and a host often asks again sooner than this.
AWAKE_S = 100e-6
# What carries a terminal's bytes in the kernel may wait for this very CPU.
_let_others = getattr(os, "sched_yield", lambda: None)


class Poller:
    """Sleeps until a file descriptor is ready."""

    def __init__(self) -> None:
        self._wanted: list[tuple[int, int]] = []
        self._poll = self._made()
        # Whoever stays awake on the only CPU keeps the host from it.
        self._awake_s = AWAKE_S if (os.cpu_count() or 1) > 1 else 0.0
        self._awake_until_s = 0.0

    def wait(self, wanted: list[tuple[int, int]], limit_s: float) -> list[int]:
        """The descriptors of `wanted` (each with READ, WRITE or both) that are ready or broken.

        Waits for the first of them, `limit_s` seconds at most. For `AWAKE_S` after the last one
        it does not go to sleep, where there is more than one CPU.
        """
        if wanted != self._wanted:
            self._wanted = wanted
            self._poll = self._made()
        if self._poll is None:
            return self._select(limit_s)
        ready = self._at_once(self._poll) or self._poll.poll(math.ceil(1e3 * limit_s))
        if ready:
            self._awake_until_s = time.perf_counter() + self._awake_s
        return [fd for fd, _ in ready]

    def _at_once(self, poll: select.poll) -> list[tuple[int, int]]:
        """What is ready while it stays awake."""
        while time.perf_counter() < self._awake_until_s:
            if ready := poll.poll(0):
                return ready
            _let_others()
        return []

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
