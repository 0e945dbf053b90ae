"""Links to served ports: made when the ports answer, removed at the end."""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from ..errors import DryrigError

PTY_FOLDER = "/dev/pts/"


class ServeError(DryrigError, OSError):
    """A rig that cannot be served as asked."""


class Links:
    """Symbolic links by role to the devices of a served rig.

    `check` refuses a path that is taken, before anything is started; only a link left behind by
    a served rig that ended without cleaning up (a link to a terminal that is gone) is removed.
    Raises ServeError.
    """

    def __init__(self, paths: Mapping[str, str | Path | None]) -> None:
        self._shown = {role: str(path) for role, path in paths.items() if path is not None}
        self._paths = {role: Path(path) for role, path in self._shown.items()}
        self._made: dict[Path, str] = {}

    def check(self) -> None:
        """Refuse what cannot work; clear away dead links."""
        seen: dict[Path, str] = {}
        for role, path in self._paths.items():
            whole = Path(os.path.abspath(path))
            if whole in seen:
                raise ServeError(f"{path}: link of both the {seen[whole]} and the {role} port")
            seen[whole] = role
            if not whole.parent.is_dir():
                raise ServeError(f"{path}: no folder {path.parent}; make it first")
            try:
                if self._is_dead(path):
                    path.unlink()
                elif os.path.lexists(path):
                    raise self._taken(path)
            except ServeError:
                raise
            except OSError as error:
                raise ServeError(f"{path}: cannot be used: {error.strerror}") from None

    def add(self, role: str, path: Path) -> None:
        """One link more, at a path that is known to be free."""
        self._shown[role] = str(path)
        self._paths[role] = path

    def make(self, role: str, device: str) -> str:
        """Link the role's path to `device`; the path as it was given, or the device."""
        path = self._paths.get(role)
        if path is None:
            return device
        try:
            path.symlink_to(device)
        except FileExistsError:
            raise self._taken(path) from None
        except OSError as error:
            raise ServeError(f"{path}: cannot be made: {error.strerror}") from None
        self._made[path] = device
        return self._shown[role]

    def move(self, role: str, device: str) -> None:
        """Let the role's link lead to another device, unless it has been put elsewhere."""
        path = self._paths.get(role)
        if path is None or path not in self._made:
            return
        new = path.with_name(f".{path.name}.{os.getpid()}")
        with suppress(OSError):  # somebody has taken the link or its folder away
            if os.readlink(path) == self._made[path]:
                new.symlink_to(device)
                new.replace(path)
                self._made[path] = device

    def remove(self) -> None:
        """Remove the links made, unless someone has put something else there."""
        for path, device in self._made.items():
            try:
                if os.readlink(path) == device:
                    path.unlink()
            except OSError:
                continue
        self._made.clear()

    @staticmethod
    def _is_dead(path: Path) -> bool:
        return (
            path.is_symlink()
            and os.readlink(path).startswith(PTY_FOLDER)
            and not os.path.exists(path)
        )

    @staticmethod
    def _taken(path: Path) -> ServeError:
        if path.is_dir() and not path.is_symlink():
            return ServeError(f"{path}: a folder; expected a path for the link, such as {path}/arm")
        what = f"a link to {os.readlink(path)}" if path.is_symlink() else "something"
        return ServeError(
            f"{path}: {what} is there already; end the program that made it, "
            f"remove it (rm {path}) or give another path"
        )
