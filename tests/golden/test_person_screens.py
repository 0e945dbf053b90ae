"""A whole commissioning with a person as the hand, at a real terminal (tmux).

The person is a script that reads the screen, does what it is asked at the arm's hands port, and
types. Screens on the way are kept beside this file, and compared with numbers masked: the rig is
paced by the wall clock. `DRYRIG_KEEP_SCREENS=1` writes them anew.
"""

from __future__ import annotations

import math
import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest

from dryrig.commission.arm import Joint, load_arm
from dryrig.commission.hand import PortHand
from dryrig.scenes import scene_path

HERE = Path(__file__).parent
WIDTH, HEIGHT = 100, 40
DEADLINE_S = 240
ESCAPES = re.compile(r"\x1b\[[0-9;?]*[a-zA-Z]|\x1b[()][A-Z0-9]|\x1b[=>]|\r")
WAITS = re.compile(r"(when done: |when that is so: |\(Enter when done\)|\? |\]: )\s*$")
# The live value is drawn once more as it goes.
STALE = re.compile(r"(\s*J\d (input|count) -?\d+(\s+\(Enter when done\))?\s*)*")

pytestmark = pytest.mark.skipif(
    shutil.which("tmux") is None, reason="tmux is not installed (Debian: apt-get install tmux)"
)


class Terminal:
    """A command in a tmux of its own; `new` is what it printed since the last line typed."""

    def __init__(self, folder: Path, command: str) -> None:
        self._socket, self._log, self._read = folder / "tmux", folder / "screen.log", 0
        size = ("-x", str(WIDTH), "-y", str(HEIGHT))
        self.tmux("-f", "/dev/null", "new-session", "-d", "-s", "arm", *size, "sh")
        self.tmux("pipe-pane", "-t", "arm", f"cat > '{self._log}'")
        self.tmux("send-keys", "-t", "arm", "-l", f"clear; {command}; echo ended $?")
        self.tmux("send-keys", "-t", "arm", "Enter")

    def tmux(self, *words: str) -> str:
        done = subprocess.run(
            ["tmux", "-S", str(self._socket), *words], capture_output=True, text=True, check=True
        )
        return done.stdout

    def new(self) -> str:
        raw = self._log.read_bytes() if self._log.exists() else b""
        return ESCAPES.sub("", raw[self._read :].decode(errors="ignore"))

    def screen(self) -> str:
        return self.tmux("capture-pane", "-p", "-t", "arm").rstrip() + "\n"

    def type(self, text: str) -> None:
        self._read = self._log.stat().st_size
        if text:
            self.tmux("send-keys", "-t", "arm", "-l", "--", text)
        self.tmux("send-keys", "-t", "arm", "Enter")

    def close(self) -> None:
        self.tmux("kill-server")


class Person:
    """Does at the hands port what the screen asks for, and says what to type."""

    def __init__(self, hand: PortHand) -> None:
        self.hand, self.felt = hand, "FREE"
        self.joints = {joint.name: joint for joint in load_arm(scene_path("heron")).joints}

    def joint(self, name: str) -> Joint:
        return self.joints[name]

    def answer(self, text: str) -> str:
        text = " ".join(text.split())
        for pattern, act in self.ACTS:
            found = re.search(pattern, text)
            if found:
                said = act(self, *found.groups())
                return "" if said is None else str(said)
        assert "when that is so" in text or "Take the level off" in text, text
        return ""

    def turn(self, name: str, deg: str) -> None:
        self.felt = self.hand.turn(self.joint(name), float(deg))

    def ohms(self, *ends: str) -> str:
        read = self.hand.ohms(*ends)
        return "o" if math.isinf(read) else f"{read}"

    def mark(self, name: str) -> str:
        read = self.hand.mark_deg(self.joint(name))
        return "n" if read is None else f"{read}"

    ACTS: tuple[tuple[str, Callable[..., Any]], ...] = (
        (r"How did it feel", lambda s: {"FREE": "f", "STIFF": "s", "STOP": "e"}[s.felt]),
        (r"Turn (J\d) by hand, by about ([+-]\d+) deg", turn),
        (r"Press (J\d)'s", lambda s, name: s.hand.press(s.joint(name))),
        (r"Let (J\d)'s", lambda s, name: s.hand.release(s.joint(name))),
        (r"at how many degrees does (J\d)", lambda s, name: s.hand.look_deg(s.joint(name))),
        (r"turned end for end, on the arm's base", lambda s: s.hand.zero_level(True)),
        (r"zero it there", lambda s: s.hand.zero_level()),
        (r"level along (J\d)'s link", lambda s, name: s.hand.level_deg(s.joint(name))),
        (r"(J\d)'s witness mark", mark),
        (r"red on (\S+), black on (\S+)\. ", lambda s, *ends: s.hand.volts(*ends)),
        (r"lead on (\S+), the other on (\S+)\. ", ohms),
        (r"STOP button in", lambda s: s.hand.press_stop(True)),
        (r"STOP button out", lambda s: s.hand.press_stop(False)),
        (r"main supply on", lambda s: s.hand.main_supply(True)),
        (r"main supply off", lambda s: s.hand.main_supply(False)),
        (r"motor supply on", lambda s: s.hand.motor_supply(True)),
        (r"motor supply off", lambda s: s.hand.motor_supply(False)),
        (r"Put the stand", lambda s: s.hand.stand(True)),
        (r"Take the stand", lambda s: s.hand.stand(False)),
    )


SCREENS = {
    "cold": r"Meter on ohms, one lead on RAIL\.5V",
    "live_count": r"Turn J3 by hand, by about \+10",
    "stop": r"Push the STOP button in",
    "first_jog": r"Caution: First motion",
    "level": r"level along J2's link",
}
"""Where a screen is kept, by what it then asks."""


@contextmanager
def served(folder: Path) -> Iterator[tuple[Path, Path]]:
    card, hands = folder / "card", folder / "hands"
    command = [sys.executable, "-m", "dryrig", "serve", "heron", "--seed", "3", "--pace", "60"]
    links = ["--link", str(card), "--hands-link", str(hands)]
    child = subprocess.Popen([*command, *links], stdout=subprocess.PIPE, text=True)
    try:
        assert child.stdout is not None
        for _ in range(2):
            assert child.stdout.readline()
        yield card, hands
    finally:
        child.terminate()
        child.communicate(timeout=30)


def masked(screen: str) -> str:
    """A screen without numbers, and without the room that they take."""
    screen = re.sub(r"[-+]?\d+(?:\.\d+)?", "#", screen)
    return re.sub(r"([ ━─])\1+", r"\1", screen)


def compare(name: str, screen: str) -> None:
    path = HERE / f"person_{name}.txt"
    if os.environ.get("DRYRIG_KEEP_SCREENS"):
        path.write_text(screen, encoding="utf-8")
    assert masked(screen) == masked(path.read_text(encoding="utf-8")), name


def test_a_person_at_a_terminal_comes_through_the_whole_run(tmp_path: Path) -> None:
    with served(tmp_path) as (card, hands):
        command = f"{sys.executable} -m dryrig commission --port {card}"
        kept: dict[str, str] = {}
        with (
            closing(PortHand.open(str(hands))) as hand,
            closing(Terminal(tmp_path, command)) as terminal,
        ):
            person, ends = Person(hand), time.monotonic() + DEADLINE_S
            while "ended " not in (text := terminal.new()).replace("echo ended", ""):
                assert time.monotonic() < ends, terminal.screen()
                if not WAITS.search(text) or STALE.fullmatch(text):
                    continue
                for name, asked in SCREENS.items():
                    if name not in kept and re.search(asked, " ".join(text.split())):
                        kept[name] = terminal.screen()
                terminal.type(person.answer(text))
            shown, ended, code = terminal.screen().partition("ended ")
            # The shell's own prompt is no part of it, nor is how often a zero had to be entered.
            kept["end"] = shown[shown.index("repeat ...") :] + ended + code[:1] + "\n"
    assert "ended 0" in kept["end"]
    assert "52 checks passed, 0 failed" in kept["end"]
    assert set(kept) == {*SCREENS, "end"}
    for name, screen in kept.items():
        compare(name, screen.replace(str(tmp_path), ""))
