"""Sees the programs that open and close terminals, in order, by Linux's inotify.

A terminal itself only tells whether somebody holds it at this moment: a program that closes it and
another that opens it in the same instant look like one. Where inotify cannot be had, `fd` is None
and nothing is ever seen here; the terminal's own state must do.
"""

from __future__ import annotations

import ctypes
import os
import struct
from typing import NamedTuple

# <sys/inotify.h>, part of the kernel's stable interface.
IN_MODIFY = 0x02
IN_CLOSE = 0x08 | 0x10
IN_OPEN = 0x20
_HEADER = struct.Struct("iIII")


class Seen(NamedTuple):
    """`left`: the last program has left; `alone`: nobody wrote after; `wrote`: it had written."""

    left: bool
    alone: bool
    wrote: bool


class Holders:
    """Counts the programs that hold one terminal."""

    def __init__(self, watch: Watch, path: str) -> None:
        self._watch = watch
        self._path = path
        self._number = watch.add(path, IN_MODIFY | IN_CLOSE | IN_OPEN)
        watch.holders[self._number] = self
        self._sees_writes = True
        self._count = 0
        self._written = self._left = self._alone = self._wrote = False

    def take(self, held: bool) -> Seen:
        """What has happened since the last call. `held`: whether somebody holds it now.

        The count needs that: inotify merges two opens in a row into one, and tells of an open
        a little after it. When one of two who opened it so leaves, it looks as if both had.
        """
        seen = Seen(self._left, self._alone, self._wrote)
        self._left = self._alone = self._wrote = False
        self._count = max(self._count, 1) if held else 0
        return seen

    def note(self, mask: int) -> None:
        """One event."""
        if mask & IN_OPEN:
            self._count += 1
        elif mask & IN_CLOSE:
            self._count -= 1
            if self._count == 0:
                self._left, self._alone = True, self._sees_writes
                self._wrote, self._written = self._wrote or self._written, False
        elif mask & IN_MODIFY:
            self._alone, self._written = False, True

    def only_who_comes_and_goes(self) -> None:
        """Be told of no more writes, each of which costs time; `alone` is False from now on."""
        self._watch.add(self._path, IN_CLOSE | IN_OPEN)
        self._sees_writes = self._alone = False

    def close(self) -> None:
        """Watch that terminal no more."""
        self._watch.remove(self._number)


class Watch:
    """One queue of events for any number of terminals: to end one takes the kernel 20 ms."""

    def __init__(self) -> None:
        self.fd: int | None = None
        self.holders: dict[int, Holders] = {}
        self._libc = ctypes.CDLL(None, use_errno=True)
        if hasattr(self._libc, "inotify_init1"):
            fd = self._libc.inotify_init1(os.O_NONBLOCK | os.O_CLOEXEC)
            self.fd = None if fd < 0 else fd

    def add(self, path: str, mask: int) -> int:
        """Be told of these events of a file, and no others; the number that they will bear."""
        if self.fd is None:
            return -1
        return int(self._libc.inotify_add_watch(self.fd, os.fsencode(path), mask))

    def remove(self, number: int) -> None:
        """Forget a terminal."""
        if self.holders.pop(number, None) is not None and self.fd is not None:
            self._libc.inotify_rm_watch(self.fd, number)

    def look(self) -> None:
        """Note what has happened, for all terminals."""
        if self.fd is None:
            return
        try:
            data = os.read(self.fd, 1 << 16)
        except BlockingIOError:
            return
        at = 0
        while at < len(data):
            number, mask, _, name_length = _HEADER.unpack_from(data, at)
            at += _HEADER.size + name_length
            if (holders := self.holders.get(number)) is not None:
                holders.note(mask)

    def close(self) -> None:
        """Stop watching."""
        if self.fd is not None:
            os.close(self.fd)
            self.fd = None
