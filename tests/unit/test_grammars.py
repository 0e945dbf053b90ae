"""Grammars by name: found, refused with the way out, guarded; README's own one, as written."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
import serial

import dryrig
from dryrig.protocol import Dialect, GrammarError, Station, find_grammar
from dryrig.protocol.dialect_check import DialectFault
from dryrig.protocol.modbus import with_crc
from dryrig.protocol.run_file import Recorder, Run, RunFileError
from dryrig.sim.rig import Rig

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
PENNANT, USE = [
    block
    for block in re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    if "pennant" in block.lower()
]
DEADLINE_S = 60
MODULE = '''
from dryrig.protocol import Dialect

NUMBER = 5


class Echo(Dialect):
    """Says it again; parameters show what a name can carry."""

    def __init__(self, rig, wake_at, times=1, *, word=""):
        if times > 9:
            raise ValueError(f"times={times}: expected 0 to 9")
        self.times, self.word = times, word

    def receive(self, data):
        return data * int(data) if data.isdigit() else data * self.times + self.word.encode()

    def poll(self):
        return b""


class Fails(Echo):
    def receive(self, data):
        if data == b"none":
            return None
        return bytes([int(data)])


class Mute(Dialect):
    pass


class Half:
    busy = False

    def receive(self, data):
        return b""


class Bare(Dialect):
    def __init__(self):
        pass

    def receive(self, data):
        return b""


def make(rig, wake_at):
    return Half()


class Broken(Echo):
    def __init__(self, rig, wake_at):
        rig.nothing
'''


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder on the path with a few modules, and a package that offers a grammar."""
    (tmp_path / "gramtest.py").write_text(MODULE, encoding="utf-8")
    (tmp_path / "gramtest_broken.py").write_text("import nowhere_to_be_found\n", encoding="utf-8")
    (tmp_path / "gramtest_wrong.py").write_text("\n\nx = 1 / 0\n", encoding="utf-8")
    offer = tmp_path / "gramtest-1.0.dist-info"
    offer.mkdir()
    (offer / "METADATA").write_text("Metadata-Version: 2.1\nName: gramtest\nVersion: 1.0\n")
    (offer / "entry_points.txt").write_text(
        "[dryrig.grammars]\nechoes = gramtest:Echo\nlost = gramtest:Lost\n"
    )
    (tmp_path / "pennant.py").write_text(PENNANT, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "path", list(sys.path))
    monkeypatch.syspath_prepend(tmp_path)
    for name in ("gramtest", "gramtest_broken", "gramtest_wrong", "pennant"):
        monkeypatch.delitem(sys.modules, name, raising=False)
    return tmp_path


def reply(grammar: str, request: bytes) -> bytes:
    with Station.build("heron", seed=1, card_dialect=grammar) as station:
        card = station.ports["card"]
        card.write(request)
        return card.take(99)


def test_names_and_parameters() -> None:
    assert find_grammar("scpi") is None
    assert reply("scpi", b"*TST?\n") == b"0\n"
    assert reply("gramtest:Echo", b"ab") == b"ab"
    assert reply("echoes,times=3,word=x1", b"ab") == b"abababx1"


@pytest.mark.parametrize(
    ("name", "said"),
    [
        (
            "modbs",
            "no grammar 'modbs': expected one of echoes, lost, modbus, scpi, or module:Class "
            "(did you mean 'modbus'?)",
        ),
        (
            "gramtst:Echo",
            "grammar 'gramtst:Echo': no module 'gramtst' in the current folder or on Python's "
            "path (did you mean 'gramtest'?)",
        ),
        (
            "gramtest:Ecko",
            "grammar 'gramtest:Ecko': the module 'gramtest' has no 'Ecko' (did you mean 'Echo'?)",
        ),
        ("pennant:", "grammar 'pennant:': expected module:Class, such as pennant:Pennant"),
        (
            "gramtest_broken:X",
            "grammar 'gramtest_broken:X': the module 'gramtest_broken' failed on import: "
            "ModuleNotFoundError: No module named 'nowhere_to_be_found' "
            "(gramtest_broken.py, line 1)",
        ),
        (
            "gramtest_wrong:X",
            "grammar 'gramtest_wrong:X': the module 'gramtest_wrong' failed on import: "
            "ZeroDivisionError: division by zero (gramtest_wrong.py, line 3)",
        ),
        (
            "lost",
            "grammar 'lost': the module 'gramtest' has no 'Lost'",
        ),
        (
            "gramtest:NUMBER",
            "grammar 'gramtest:NUMBER': found 5, expected a class with the methods of "
            "dryrig.protocol.Dialect",
        ),
        (
            "gramtest:Half",
            "grammar 'gramtest:Half': Half has no poll, forget, replies_lost: make it a subclass "
            "of dryrig.protocol.Dialect",
        ),
        ("gramtest:Mute", "grammar 'gramtest:Mute': Mute must write its own receive(self, data)"),
        (
            "gramtest:Bare",
            "grammar 'gramtest:Bare' cannot be called with a rig and wake_at: "
            "too many positional arguments",
        ),
        (
            "gramtest:Echo,tims=3",
            "grammar 'gramtest:Echo,tims=3': no parameter 'tims': expected times or word "
            "(did you mean 'times'?)",
        ),
        (
            "gramtest:Echo,3",
            "grammar 'gramtest:Echo,3': got '3', expected parameter=value",
        ),
        (
            "scpi,times=3",
            "grammar 'scpi,times=3': scpi has no parameters",
        ),
    ],
)
def test_what_cannot_be_found_or_has_another_shape(name: str, said: str) -> None:
    with pytest.raises(GrammarError, match=f"^{re.escape(said)}$"):
        find_grammar(name)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("gramtest:Echo,times=10", ": times=10: expected 0 to 9"),
        (
            "gramtest:make",
            ": Half has no poll, forget, replies_lost: make it a subclass of "
            "dryrig.protocol.Dialect",
        ),
        (
            "gramtest:Broken",
            " failed when it was made: AttributeError: 'Rig' object has no attribute 'nothing' "
            "(gramtest.py, line 54)",
        ),
    ],
)
def test_what_cannot_be_made(name: str, said: str) -> None:
    with pytest.raises(GrammarError, match=f"^{re.escape(f'grammar {name!r}{said}')}$"):
        reply(name, b"")


def test_an_exception_says_where() -> None:
    with pytest.raises(
        GrammarError,
        match=r"^grammar 'gramtest:Fails' failed in receive: ValueError: invalid literal for "
        r"int\(\) with base 10: b'x' \(gramtest.py, line 26\)$",
    ):
        reply("gramtest:Fails", b"x")
    with pytest.raises(
        GrammarError,
        match=r"^grammar 'gramtest:Fails': receive returned a NoneType, expected bytes "
        r'\(b"" for no reply\)$',
    ):
        reply("gramtest:Fails", b"none")


def test_a_joining_port_cannot_change_it() -> None:
    url = "dryrig://heron?rig=gramtest"
    with serial.serial_for_url(f"{url}&grammar=echoes") as card:
        card.write(b"a")
        assert card.read(1) == b"a"
        said = "grammar= counts only for the port that opens it first"
        with pytest.raises(serial.SerialException, match=said):
            serial.serial_for_url(f"{url}&port=hands&grammar=modbus")


def test_readme_shows_a_small_one(capsys: pytest.CaptureFixture[str]) -> None:
    inside = [line for line in PENNANT.splitlines() if line.startswith(" ") and line.strip()]
    assert len(inside) <= 21
    names: dict[str, object] = {}
    exec(compile(USE, "README.md", "exec"), names)
    card = names["card"]
    assert isinstance(card, serial.SerialBase)
    _, _, shown = USE.rpartition("# ")
    assert capsys.readouterr().out == shown
    card.write(b"seek 5 9\nnonsense\n")
    assert card.read_until(b"nothing\n") == b"seeking\npardon?\nmet nothing\n"
    card.close()


def served(*options: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "dryrig", "serve", "heron", "--seed", "3", *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_readme_s_is_served_from_the_current_folder() -> None:
    with served("--pace", "100", "--grammar", "pennant:Pennant") as process:
        assert process.stdout is not None
        path = process.stdout.readline().strip().removeprefix("card: ")
        with serial.Serial(path, timeout=DEADLINE_S) as card:
            card.write(b"seek 5 35000\n")
            assert card.read_until(b"2791\n") == b"seeking\nmet it at 2791\n"
        process.terminate()
        assert process.wait(DEADLINE_S) == 0


def test_one_that_fails_ends_the_serving_with_a_line() -> None:
    with served("--grammar", "gramtest:Fails") as process:
        assert process.stdout is not None
        assert process.stderr is not None
        path = process.stdout.readline().strip().removeprefix("card: ")
        with serial.Serial(path) as card:
            card.write(b"x")
            assert process.wait(DEADLINE_S) == 2
        assert process.stderr.read() == (
            "dryrig: grammar 'gramtest:Fails' failed in receive: ValueError: invalid literal for "
            "int() with base 10: b'x' (gramtest.py, line 26)\n"
        )


def test_a_run_file_names_it(folder: Path) -> None:
    ask = with_crc(bytes.fromhex("01 04 0004 0001"))
    with Station.build("heron", seed=1, card_dialect="modbus") as station:
        recorder = Recorder(station, "heron")
        station.ports["card"].write(ask)
        station.rig.advance(1_000_000)
        text = recorder.text()
    assert "\ngrammar modbus\n" in text
    Run.parse(text).replay()
    with Station.build("heron", seed=1, card_dialect="pennant:Pennant") as station:
        recorder = Recorder(station, "heron")
        station.ports["card"].write(b"nonsense\n")
        text = recorder.text()
    with pytest.raises(
        RunFileError,
        match=r"^this run needs the grammar pennant:Pennant, code that a run file may not start "
        r"by itself: add --grammar pennant:Pennant$",
    ):
        Run.parse(text).replay()
    Run.parse(text).replay("pennant:Pennant")
    (folder / "a.run").write_text(text)
    replay = [sys.executable, "-m", "dryrig", "replay", "a.run"]
    for options, code in (((), 2), (("--grammar", "pennant:Pennant"), 0)):
        run = subprocess.run(
            [*replay, *options], capture_output=True, timeout=DEADLINE_S, check=False
        )
        assert run.returncode == code


def test_a_failed_read_names_the_run_and_its_grammar() -> None:
    with serial.serial_for_url("dryrig://heron?grammar=pennant:Pennant") as card:
        card.write(b"seek")
        with pytest.raises(
            serial.SerialException, match=r"dryrig replay \S+ --grammar pennant:Pennant$"
        ):
            card.read(1)


class Steady(Dialect):
    """Answers `go` with `!`, wherever it is cut."""

    def __init__(self, rig: Rig, wake_at: Callable[[int], None]) -> None:
        self.seen = b""

    def receive(self, data: bytes) -> bytes:
        self.seen += data
        return b"!\n" if self.seen.endswith(b"go\n") else b""


class Whole(Steady):
    """Takes a line only where it comes in one piece."""

    def receive(self, data: bytes) -> bytes:
        return b"!\n" if data == b"go\n" else b""


class Full(Steady):
    """Never forgets, and gives up when there is too much."""

    def receive(self, data: bytes) -> bytes:
        self.seen += data
        return b"!\n" if len(self.seen) < 100_000 and data.endswith(b"go\n"[-len(data) :]) else b""


def test_a_grammar_is_checked() -> None:
    ask = with_crc(bytes.fromhex("01 04 0004 0001"))
    dryrig.check_dialect("modbus", ask, with_crc(bytes.fromhex("01 04 02 0006")), rounds=20)
    dryrig.check_dialect("scpi", b"*TST?\n", b"0\n", rounds=20)
    dryrig.check_dialect(Steady, b"go\n", b"!\n", rounds=5)
    with pytest.raises(
        DialectFault,
        match=r"^grammar '[\w.]+:Whole': after a cut at byte 1 and a new host, b'go\\n' was "
        r"answered by b'', expected b'!\\n'$",
    ):
        dryrig.check_dialect(Whole, b"go\n", b"!\n")
    with pytest.raises(DialectFault, match="after a flood: random bytes and a new host"):
        dryrig.check_dialect(Full, b"\n", b"!\n", rounds=0)
    with pytest.raises(GrammarError, match="failed in receive: ValueError"):
        dryrig.check_dialect("gramtest:Fails", b"5", b"\x05")
