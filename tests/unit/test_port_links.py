from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from dryrig.protocol.links import Links, ServeError

GONE = "/dev/pts/999999"


def test_links_are_made_and_removed(tmp_path: Path) -> None:
    links = Links({"card": tmp_path / "card", "hands": None})
    links.check()
    assert links.make("card", GONE) == str(tmp_path / "card")
    assert links.make("hands", GONE) == GONE
    assert os.readlink(tmp_path / "card") == GONE
    links.remove()
    assert list(tmp_path.iterdir()) == []


def test_a_path_is_shown_as_it_was_given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    links = Links({"card": "./card"})
    links.check()
    assert links.make("card", GONE) == "./card"
    links.remove()
    assert list(tmp_path.iterdir()) == []


def test_a_taken_path_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "card"
    path.write_text("mine")
    said = (
        f"{path}: something is there already; end the program that made it, "
        f"remove it (rm {path}) or give another path"
    )
    links = Links({"card": path})
    with pytest.raises(ServeError, match=f"^{re.escape(said)}$"):
        links.check()
    with pytest.raises(ServeError, match=f"^{re.escape(said)}$"):
        links.make("card", GONE)
    links.remove()
    assert path.read_text() == "mine"


def test_a_folder_is_no_place_for_a_link(tmp_path: Path) -> None:
    with pytest.raises(ServeError, match=r": a folder; expected a path for the link, such as "):
        Links({"card": tmp_path}).check()


def test_a_live_link_is_refused(tmp_path: Path) -> None:
    (tmp_path / "card").symlink_to("/dev/null")
    with pytest.raises(ServeError, match=r"card: a link to /dev/null is there already; "):
        Links({"card": tmp_path / "card"}).check()


def test_only_dead_links_to_terminals_are_cleared_away(tmp_path: Path) -> None:
    (tmp_path / "card").symlink_to(GONE)
    (tmp_path / "hands").symlink_to(tmp_path / "nothing")
    with pytest.raises(ServeError, match=r"hands: a link to .*/nothing is there already"):
        Links({"card": tmp_path / "card", "hands": tmp_path / "hands"}).check()
    assert not os.path.lexists(tmp_path / "card")
    assert os.path.lexists(tmp_path / "hands")


def test_a_link_somebody_else_put_there_is_kept(tmp_path: Path) -> None:
    links = Links({"card": tmp_path / "card"})
    links.make("card", GONE)
    (tmp_path / "card").unlink()
    (tmp_path / "card").symlink_to("/dev/null")
    links.remove()
    assert os.readlink(tmp_path / "card") == "/dev/null"


def test_paths_that_cannot_work(tmp_path: Path) -> None:
    with pytest.raises(ServeError, match=r"^.*/no/card: no folder .*/no; make it first$"):
        Links({"card": tmp_path / "no" / "card"}).check()
    twice = {"card": tmp_path / "port", "hands": tmp_path / "." / "port"}
    with pytest.raises(ServeError, match=r"port: link of both the card and the hands port$"):
        Links(twice).check()
