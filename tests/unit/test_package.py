"""What is installed: everything a user needs, nothing that is ours; and a light import."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
DEADLINE_S = 120


@pytest.fixture(scope="module")
def wheel_names(tmp_path_factory: pytest.TempPathFactory) -> set[str]:
    """Names in a wheel built offline from a copy of the sources in a folder of another name."""
    source = tmp_path_factory.mktemp("sources") / "any-name"
    target = tmp_path_factory.mktemp("wheel")
    skip = shutil.ignore_patterns(".*", "build", "dist", "*.egg-info", "__pycache__")
    shutil.copytree(ROOT, source, ignore=skip)
    command = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--no-index"]
    command += ["--no-build-isolation", "--wheel-dir", str(target), str(source)]
    subprocess.run(command, check=True, timeout=DEADLINE_S)
    (wheel,) = target.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        return set(archive.namelist())


def test_the_wheel_holds_every_module_and_data_file(wheel_names: set[str]) -> None:
    setup = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]
    for package in setup["setuptools"]["packages"]:
        folder = ROOT.joinpath(*package.split(".")[1:])
        patterns = ["*.py", *setup["setuptools"]["package-data"].get(package, [])]
        for file in {file for pattern in patterns for file in folder.glob(pattern)}:
            assert f"dryrig/{file.relative_to(ROOT).as_posix()}" in wheel_names


def test_every_room_is_listed() -> None:
    setup = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]
    rooms = {f"dryrig.{init.parent.name}" for init in ROOT.glob("*/__init__.py")}
    assert {"dryrig", *rooms} == set(setup["setuptools"]["packages"])


def test_the_wheel_holds_nothing_else(wheel_names: set[str]) -> None:
    folders = {name.split("/")[1] for name in wheel_names if name.count("/") > 1}
    assert not folders & {"tests", "build", "dist", "docs"}
    tops = {name.split("/")[0] for name in wheel_names}
    assert tops == {"dryrig", "dryrig-0.1.0.dist-info"}
    assert "dryrig/py.typed" in wheel_names


@pytest.mark.parametrize("module", ["dryrig", "dryrig.commission", "dryrig.cli"])
def test_an_import_is_light(module: str) -> None:
    """The plant, and what draws and renders, loads when it is used."""
    heavy = ("pybullet", "numpy", "matplotlib", "jinja2", "hypothesis", "pytest")
    code = f"import sys, {module}; print([name for name in {heavy!r} if name in sys.modules])"
    run = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        timeout=DEADLINE_S,
        check=True,
        cwd=ROOT.parent,
    )
    assert run.stdout == "[]\n"


def test_the_sources_folder_is_not_importable_by_its_rooms_names() -> None:
    """`import sim` from elsewhere fails: there is one copy of the plant."""
    run = subprocess.run(
        [sys.executable, "-c", "import sim"],
        capture_output=True,
        text=True,
        timeout=DEADLINE_S,
        check=False,
        cwd=ROOT.parent,
    )
    assert "No module named 'sim'" in run.stderr
