"""What a `dryrig://` URL asks for."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import unquote

from ..errors import DryrigError, nearest

SCHEME = "dryrig://"
ROLES = ("card", "hands", "teacher", "io")
_KEYS = ("seed", "rig", "port", "fault", "start", "baud", "grammar")


class UrlError(DryrigError, ValueError):
    """A URL that cannot be read."""


@dataclass(frozen=True)
class Request:
    """A URL taken apart; None and () mean that it says nothing about that."""

    scene: str
    role: str = "card"
    seed: int | None = None
    rig: str | None = None
    faults: tuple[str, ...] = ()
    start_pose_deg: tuple[float, ...] | None = None
    baud: int | None = None
    grammar: str | None = None


def parse_url(url: str) -> Request:
    """Take apart `dryrig://SCENE?seed=3&rig=NAME&port=hands&fault=...&start=0,60,...`.

    `baud=9600` and `grammar=NAME` say how the card's port is.

    Raises UrlError. A plus sign stands for itself, since terminals such as MOTOR.A+ have one.
    """
    if not url.lower().startswith(SCHEME):
        raise UrlError(f"{url!r}: expected {SCHEME}SCENE?seed=N")
    scene, _, query = url[len(SCHEME) :].partition("?")
    faults: list[str] = []
    said: dict[str, str] = {}
    for item in query.split("&"):
        if not item:
            continue
        key, equals, value = item.partition("=")
        if key not in _KEYS or not equals:
            hint = nearest(key, _KEYS)
            raise UrlError(f"{url!r}: {item!r}: expected {'=, '.join(_KEYS)}={hint}")
        value = unquote(value)
        if key == "fault":
            faults.append(value)
        elif key in said:
            raise UrlError(f"{url!r}: {key}= is given twice")
        else:
            said[key] = value
    role = said.get("port", "card")
    if role not in ROLES:
        raise UrlError(
            f"{url!r}: port={role}: expected one of {', '.join(ROLES)}{nearest(role, ROLES)}"
        )
    return Request(
        scene=unquote(scene).rstrip("/"),
        role=role,
        seed=_whole(url, "seed", said.get("seed")),
        rig=said.get("rig"),
        faults=tuple(faults),
        start_pose_deg=_pose(url, said.get("start")),
        baud=_whole(url, "baud", said.get("baud")),
        grammar=said.get("grammar"),
    )


def _whole(url: str, key: str, text: str | None) -> int | None:
    if text is None:
        return None
    if not text.isdecimal():
        raise UrlError(f"{url!r}: {key}={text}: expected a whole number, 0 or more")
    return int(text)


def _pose(url: str, text: str | None) -> tuple[float, ...] | None:
    if text is None:
        return None
    try:
        return tuple(float(part) for part in text.split(","))
    except ValueError:
        raise UrlError(
            f"{url!r}: start={text}: expected angles in degrees, one a joint, as 0,60,-90,0,30,0"
        ) from None
