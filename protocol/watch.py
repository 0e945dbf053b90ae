"""Sees the programs that open and close a terminal, in order, by Linux's inotify.

The terminal itself only tells whether somebody holds it at this moment: a program that closes it
and another that opens it in the same instant look like one. Where inotify cannot be had, `fd` is
None and nothing is ever seen here; the terminal's own state must do.
"""

from __future__ import annotations

import ctypes
import os
import struct
from collections.abc import Iterator

# <sys/inotify.h>, part of the kernel's stable interface.
IN_MODIFY = 0x02
IN_CLOSE = 0x08 | 0x10
IN_OPEN = 0x20
_HEADER = struct.Struct("iIII")


class Watch:
    """Counts the programs that hold the file at `path`."""

    def __init__(self, path: str) -> None:
        self.fd: int | None = None
        self._hosts = 0
        libc = ctypes.CDLL(None, use_errno=True)
        if not hasattr(libc, "inotify_init1"):
            return
        fd = libc.inotify_init1(os.O_NONBLOCK | os.O_CLOEXEC)
        if fd < 0:
            return
        if libc.inotify_add_watch(fd, os.fsencode(path), IN_MODIFY | IN_CLOSE | IN_OPEN) < 0:
            os.close(fd)
            return
        self.fd = fd

    def take(self, held: bool) -> tuple[bool, bool]:
        """Whether the last host has left since the last call, and whether only it has written.

        If so, all that can be read now is of its sending; if not, a host that came after it has
        written too, and their bytes cannot be told apart. `held` says whether somebody holds the
        terminal now: the count needs it, since inotify merges two opens in a row into one.
        """
        left = alone = False
        for mask in self._masks():
            if mask & IN_OPEN:
                self._hosts += 1
            elif mask & IN_CLOSE:
                self._hosts -= 1
                if self._hosts == 0:
                    left = alone = True
            elif mask & IN_MODIFY:
                alone = False
        if not held:
            self._hosts = 0
        elif self._hosts < 1:
            self._hosts = 1
            left = False
        return left, alone

    def close(self) -> None:
        """Stop watching."""
        if self.fd is not None:
            os.close(self.fd)
            self.fd = None

    def _masks(self) -> Iterator[int]:
        if self.fd is None:
            return
        try:
            data = os.read(self.fd, 1 << 16)
        except BlockingIOError:
            return
        at = 0
        while at < len(data):
            _, mask, _, name_length = _HEADER.unpack_from(data, at)
            at += _HEADER.size + name_length
            yield mask
