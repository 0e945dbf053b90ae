"""The plugin from a built wheel, in a project of its own, under several versions of pytest."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import sysconfig
import venv
from collections.abc import Callable
from importlib.metadata import distribution
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
OLDEST = "8.0.0"  # as in pyproject.toml's extra `testing`
Run = Callable[..., str]

PROJECT = """
import time
import dryrig, pytest, serial

def test_sound(rig):
    assert rig.time_s == 0

@pytest.mark.rig(seed=4, faults=["open@J5.SW.COM"])
def test_bytes(rig):
    port = rig.port(timeout=2)
    port.write(b"DRIV:ENAB ON,(@5);:STEP:MOVE 800,(@5);*OPC?\\n")
    assert port.readline() == b"0\\n"

def test_python(rig_factory):
    arm = rig_factory(seed=1)
    arm.joint("J1").steps = 5
    assert arm.joint("J1").steps == 6

def test_clock(rig, rig_time):
    began = time.monotonic()
    time.sleep(100)
    assert 100 <= time.monotonic() - began < 101
    assert rig.time_s > 99

def test_leaves_a_rig():
    global card
    card = serial.serial_for_url("dryrig://heron?seed=3&rig=left", timeout=1)

@pytest.mark.rig(sead=4)
def test_mark(rig):
    pass

@pytest.mark.rig(faults=["opn@J1.DIR"])
def test_fault(rig):
    pass
"""

GIVEN = """
import dryrig
from dryrig.faults.strategies import Arm, arms
from hypothesis import given, settings, strategies as st

@settings(deadline=None, max_examples=20, database=None)
@given(arm=st.from_type(Arm))
def test_under_given(rig_factory, arm):
    with dryrig.open_rig(arm.scene, **arm.options) as rig:
        assert rig.time_s == 0

@settings(deadline=None, max_examples=50, database=None)
@given(arm=arms(max_faults=1))
def test_found(arm):
    with dryrig.open_rig(arm.scene, **arm.options) as rig:
        assert not rig.faults.listed()
"""


def linked(into: Path, names: list[str]) -> None:
    """Link distributions that are installed here, and what they need, into another folder."""
    done: set[str] = set()
    while names:
        name = re.split(r"[^\w.-]", names.pop())[0]
        if name.lower() in done:
            continue
        done.add(name.lower())
        found = distribution(name)
        for top in {file.parts[0] for file in found.files or () if file.parts[0] != ".."}:
            target = into / top
            if not target.exists() and top not in ("__pycache__", "bin"):
                target.symlink_to(found.locate_file(top))
        names += [need for need in found.requires or () if "extra ==" not in need and known(need)]


def known(need: str) -> bool:
    """Whether a requirement is installed here: markers leave some out."""
    try:
        distribution(re.split(r"[^\w.-]", need)[0])
    except ModuleNotFoundError:
        return False
    return True


def environment(folder: Path, wheel: Path, packages: list[str], links: list[str]) -> Path:
    """A virtual environment with the wheel, what dryrig runs on linked, and packages by pip."""
    venv.create(folder, with_pip=False)
    site = Path(sysconfig.get_path("purelib", "venv", {"base": str(folder)}))
    linked(site, ["numpy", "pybullet", "pyserial", "typer", "rich", "pydantic", "jinja2"])
    linked(site, ["matplotlib", "pyvcd", *links])
    clean = {key: value for key, value in os.environ.items() if key != "PYTHONPATH"}
    pip = [sys.executable, "-m", "pip", "--python", str(folder / "bin" / "python")]
    for what in ([str(wheel), "--no-deps"], packages):
        if what:
            done = subprocess.run(
                [*pip, "install", "-q", "--disable-pip-version-check", *what],
                capture_output=True,
                text=True,
                env=clean,
                timeout=240,
            )
            if done.returncode and what is packages:
                pytest.skip(f"no network for {packages}: {done.stderr[-200:]}")
            assert done.returncode == 0, done.stderr
    return folder / "bin" / "python"


@pytest.fixture(scope="session")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    source = folder / "source"
    ignored = shutil.ignore_patterns(".git", ".venv", "tests", "build", "*.egg-info", ".*_cache")
    shutil.copytree(ROOT, source, ignore=ignored)
    code = "import setuptools.build_meta as b, sys; print(b.build_wheel(sys.argv[1]))"
    subprocess.run(
        [sys.executable, "-c", code, str(folder)], cwd=source, check=True, capture_output=True
    )
    (found,) = folder.glob("*.whl")
    return found


@pytest.fixture(scope="session", params=["oldest, alone", "newest, with hypothesis and xdist"])
def run(
    request: pytest.FixtureRequest, wheel: Path, tmp_path_factory: pytest.TempPathFactory
) -> Run:
    """Runs pytest in a clean folder with some test files; returns what it printed."""
    folder = tmp_path_factory.mktemp("env")
    oldest = request.param.startswith("oldest")
    packages = [f"pytest=={OLDEST}"] if oldest else []
    links = [] if oldest else ["pytest", "pytest-xdist", "hypothesis"]
    python = environment(folder / "venv", wheel, packages, links)
    number = iter(range(99))

    def call(files: dict[str, str], *arguments: str) -> str:
        project = folder / f"project{next(number)}"
        project.mkdir()
        for name, text in files.items():
            (project / name).write_text(text, encoding="utf-8")
        clean = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "PYTEST"))}
        done = subprocess.run(
            [str(python), "-m", "pytest", "-p", "no:cacheprovider", *arguments],
            cwd=project,
            env=clean,
            capture_output=True,
            text=True,
            timeout=240,
        )
        return done.stdout + done.stderr

    call.project = folder  # type: ignore[attr-defined]
    call.oldest = oldest  # type: ignore[attr-defined]
    return call


def test_a_project_of_its_own(run: Run) -> None:
    text = run({"test_arm.py": PROJECT}, "--rig-trace=on-failure")
    assert "2 failed, 3 passed, 3 errors" in text, text
    hypothesis = "not installed" if run.oldest else r"[\d.]+"  # type: ignore[attr-defined]
    assert re.search(
        rf"^dryrig [\d.]+: scene heron, pybullet [\d.]+, hypothesis {hypothesis}$", text, re.M
    )
    assert "rigs left open: left; close their ports, or open them by" in text
    assert "marker rig has no 'sead' (did you mean 'seed'?); it takes scene, seed, faults" in text
    assert "rig: fault 'opn@J1.DIR': no kind 'opn' (did you mean 'open'?)" in text
    # What happened, as a story, and how to see it again.
    assert re.search(r"^    0.0000 s  heron, seed 4, open@J5.SW.COM$", text, re.M)
    assert re.search(r"^ +\d\.\d{4} s  J5 stands at -?\d+\.\d\d deg, .*drive on$", text, re.M)
    assert "see it again: pytest 'test_arm.py::test_python'" in text
    (path,) = re.findall(r"^see it again: dryrig replay (\S+)$", text, re.M)
    kept = Path(path)
    assert kept.read_text(encoding="utf-8").startswith("dryrig run 1\nscene heron\nseed 4\nfault ")
    kept.unlink()
    (folder,) = {
        file.parent
        for file in run.project.rglob("last.png")  # type: ignore[attr-defined]
    }
    assert (folder / "last.png").read_bytes().startswith(b"\x89PNG")
    assert "$enddefinitions" in (folder / "trace.vcd").read_text(encoding="ascii")
    assert (folder / "replay.run").read_text(encoding="utf-8").startswith("dryrig run 1\n")


def test_under_given_or_told_what_is_missing(run: Run) -> None:
    text = run({"test_given.py": GIVEN})
    if run.oldest:  # type: ignore[attr-defined]
        assert (
            "dryrig.faults.strategies needs Hypothesis, which is not installed here: pip install "
            "'dryrig[testing]'" in text
        )
        return
    assert "1 failed, 1 passed" in text, text
    assert "arm=Arm('heron', faults=['open@J1.DIR'])," in text


def test_over_several_processes(run: Run) -> None:
    if run.oldest:  # type: ignore[attr-defined]
        text = run({"test_arm.py": "from dryrig.testing import Homing"})
        assert "dryrig.testing.Homing needs Hypothesis, which is not installed here" in text
        return
    text = run({"test_arm.py": PROJECT}, "-n2")
    assert "2 failed, 3 passed, 3 errors" in text, text
    assert "heron, seed 4, open@J5.SW.COM" in text
    (path,) = re.findall(r"^see it again: dryrig replay (\S+)$", text, re.M)
    Path(path).unlink()


def test_the_plugin_is_light() -> None:
    """Neither Hypothesis nor the physics nor the plant is loaded by its import."""
    code = (
        "import sys, dryrig.pytest_plugin; "
        "print([m for m in ('hypothesis', 'pybullet', 'numpy', 'dryrig.sim') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"
