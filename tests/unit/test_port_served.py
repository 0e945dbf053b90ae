"""`serve` in a process of its own: ready lines, links, signals, errors."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import serial

DEADLINE_S = 60
SIGNALS = [signal.SIGINT, signal.SIGTERM, signal.SIGHUP]


@contextmanager
def child(code: str) -> Iterator[subprocess.Popen[str]]:
    """A Python process running `code`; killed at the end if it still runs."""
    process = subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    with process:
        try:
            yield process
        finally:
            process.kill()


def program(call: str, before: str = "") -> str:
    return (
        "import os, signal, sys\n"
        "from dryrig.protocol.served import ServeError, serve\n"
        f"{before}\n"
        f"sys.exit(serve({call}))\n"
    )


def ready(process: subprocess.Popen[str]) -> dict[str, str]:
    """The four lines of a rig that answers."""
    assert process.stdout is not None
    lines = [process.stdout.readline().rstrip("\n") for _ in range(4)]
    return dict(line.split(": ", 1) for line in lines)


def finish(process: subprocess.Popen[str]) -> tuple[int, str]:
    out, err = process.communicate(timeout=DEADLINE_S)
    assert out == ""
    return process.returncode, err


@pytest.mark.parametrize("number", SIGNALS)
def test_ports_answer_and_a_signal_ends_cleanly(tmp_path: Path, number: signal.Signals) -> None:
    links = {
        "link": tmp_path / "card",
        "hands_link": tmp_path / "hands",
        "io_link": tmp_path / "io",
    }
    call = "'heron', seed=3, faults=['open@J3.DIR'], " + ", ".join(
        f"{name}={str(path)!r}" for name, path in links.items()
    )
    with child(program(call)) as process:
        paths = ready(process)
        assert list(paths) == ["card", "hands", "teacher", "io"]
        assert paths["card"] == str(tmp_path / "card")
        assert paths["io"] == str(tmp_path / "io")
        assert os.path.realpath(paths["teacher"]).startswith("/dev/pts/")
        for role, path in paths.items():
            with serial.Serial(path, timeout=DEADLINE_S) as port:
                port.write(b"*IDN?\n")
                assert port.readline().startswith(f"Dryrig,heron {role},0,".encode())
        with serial.Serial(paths["teacher"], timeout=DEADLINE_S) as port:
            port.write(b"FAUL:LIST?;:SEED?\n")
            assert port.readline() == b'"open@J3.DIR";3\n'
        process.send_signal(number)
        code, err = finish(process)
    assert code == 0
    assert "Traceback" not in err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("number", SIGNALS)
def test_a_signal_while_loading(tmp_path: Path, number: signal.Signals) -> None:
    before = (
        "from dryrig.protocol.station import Station\n"
        "build = Station.build\n"
        "def interrupted(*args, **more):\n"
        f"    os.kill(os.getpid(), {int(number)})\n"
        "    return build(*args, **more)\n"
        "Station.build = interrupted\n"
    )
    with child(program(f"'heron', link={str(tmp_path / 'card')!r}", before)) as process:
        code, err = finish(process)
    assert code == 0
    assert "Traceback" not in err
    assert list(tmp_path.iterdir()) == []


def test_a_signal_between_the_links(tmp_path: Path) -> None:
    before = (
        "def echo(line):\n"
        "    os.kill(os.getpid(), signal.SIGTERM)\n"
        f"    assert os.path.islink({str(tmp_path / 'card')!r})\n"
    )
    call = f"'heron', link={str(tmp_path / 'card')!r}, echo=echo"
    with child(program(call, before)) as process:
        code, err = finish(process)
    assert code == 0
    assert "Traceback" not in err
    assert list(tmp_path.iterdir()) == []


def test_ctrl_c_while_a_command_waits_and_an_axis_runs(tmp_path: Path) -> None:
    with child(program(f"'heron', pace=5, link={str(tmp_path / 'card')!r}")) as process:
        with serial.Serial(ready(process)["card"], timeout=DEADLINE_S) as port:
            port.write(b"STEP:RUN POS,(@6);MOV? (@6)\n")
            assert port.readline() == b"1\n"
            port.write(b"*OPC?\n")
            process.send_signal(signal.SIGINT)
            code, err = finish(process)
        assert code == 0
        assert "Traceback" not in err
    assert list(tmp_path.iterdir()) == []


def test_nobody_reads_what_it_prints(tmp_path: Path) -> None:
    with child(program(f"'heron', link={str(tmp_path / 'card')!r}")) as process:
        assert process.stdout is not None
        process.stdout.close()
        while not os.path.lexists(tmp_path / "card"):
            assert process.poll() is None
        with serial.Serial(str(tmp_path / "card"), timeout=DEADLINE_S) as port:
            port.write(b"*TST?\n")
            assert port.readline() == b"0\n"
        process.send_signal(signal.SIGTERM)
        assert process.wait(DEADLINE_S) == 0
    assert list(tmp_path.iterdir()) == []


def test_a_machine_without_ptys_serves_over_tcp() -> None:
    without = "\n".join(
        f"sys.modules[{name!r}] = None" for name in ("termios", "tty", "pty", "fcntl")
    )
    with child(program("'heron', listen='rfc2217://0'", without)) as process:
        paths = ready(process)
        assert all(path.startswith("rfc2217://127.0.0.1:") for path in paths.values())
        process.send_signal(signal.SIGTERM)
        code, err = finish(process)
    assert (code, err) == (0, "")
    with child(program("'heron'", without)) as process:
        code, err = finish(process)
    assert code == 1
    assert "no pseudo terminal for the card port: " in err
    assert "use --listen 127.0.0.1:0, or the in-process port dryrig://" in err


def test_other_machines_are_let_in_by_name_only_and_it_is_said() -> None:
    with child(program("'heron', listen='0.0.0.0:0'")) as process:
        paths = ready(process)
        assert paths["card"].startswith("socket://0.0.0.0:")
        assert paths["hands"].startswith("socket://127.0.0.1:")
        process.send_signal(signal.SIGTERM)
        code, err = finish(process)
    assert code == 0
    assert err == (
        f"dryrig: card: {paths['card']} can be reached from other machines, "
        "and no password is asked\n"
    )


@pytest.mark.parametrize(
    ("call", "said"),
    [
        ("'heorn'", "no scene 'heorn': expected one of heron"),
        ("'heron', faults=['open@J9.DIR']", "no place 'J9.DIR'"),
        ("'heron', pace=0", "pace 0: expected 0.01 to 1000"),
        ("'heron', link='/dev/null'", "/dev/null: something is there already"),
        ("'heron', hands_link='/no/where/h'", "/no/where/h: no folder /no/where"),
        ("'heron', link='c', listen='0'", "c: a link is for a pty, but card listens at socket://"),
        ("'heron', listen='1.2.3.4:7'", "socket://1.2.3.4:7: the card port cannot listen there: "),
        ("'heron', baud=123", "baud 123: expected 300 to 4000000"),
        ("'heron', baud=12345", "a pty cannot be set to 12345 baud: expected 300, 600, 1200, "),
        ("'heron', log='/no/where/log'", "log '/no/where/log': No such file or directory"),
    ],
)
def test_what_cannot_be_served(call: str, said: str) -> None:
    catch = (
        "import dryrig\n"
        "try:\n"
        f"    serve({call})\n"
        "except dryrig.DryrigError as error:\n"
        "    sys.exit(f'{error}')\n"
    )
    with child(program("'heron'", catch)) as process:
        code, err = finish(process)
    assert code == 1
    assert said in err
    assert "Traceback" not in err
