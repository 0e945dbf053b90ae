"""The pytest plugin: rigs as fixtures, leaks found, failures told and kept.

Light on purpose: the plant is loaded by the first rig, Hypothesis never by this file.
"""

from __future__ import annotations

import gc
import re
import sys
from collections.abc import Callable, Generator, Iterator
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from .errors import DryrigError, nearest

if TYPE_CHECKING:
    from .protocol.direct import DirectRig
    from .protocol.run_file import Notes

MARKS = ("scene", "seed", "faults", "start_pose_deg", "name")
KEPT = "dryrig-failures"
_HELP = (
    "rig(scene=..., seed=..., faults=[...], start_pose_deg=[...], name=...): "
    "the arm of the fixture `rig`"
)
_before = pytest.StashKey[set[int]]()
_lent = pytest.StashKey[list["DirectRig"]]()


def pytest_addoption(parser: pytest.Parser) -> None:
    """The options."""
    group = parser.getgroup("dryrig", "simulated arms")
    group.addoption(
        "--rig-scene",
        default="heron",
        metavar="SCENE",
        help="scene of the fixtures rig and rig_factory: a name or a TOML file (heron)",
    )
    group.addoption(
        "--rig-trace",
        default="off",
        choices=("off", "on-failure"),
        help=f"on-failure: keep a VCD, a replay file and a PNG of the last second in {KEPT}/",
    )


def pytest_configure(config: pytest.Config) -> None:
    """The marker."""
    config.addinivalue_line("markers", _HELP)
    config.stash[_lent] = []


def pytest_report_header(config: pytest.Config) -> str:
    """One line: scene and versions."""
    parts = [f"{name} {_version(name)}" for name in ("dryrig", "pybullet", "hypothesis")]
    return f"{parts[0]}: scene {config.getoption('--rig-scene')}, {', '.join(parts[1:])}"


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"


@pytest.fixture(scope="session")
def rig_factory(pytestconfig: pytest.Config) -> Callable[..., DirectRig]:
    """`rig_factory(seed=3, faults=["open@J3.DIR"])`: as `dryrig.open_rig`, of `--rig-scene`.

    Fit for use under Hypothesis's `@given`: `with rig_factory(...) as rig`. What is still open is
    closed at the end of the test.
    """
    from .protocol.direct import open_rig

    def make(scene: str | Path | None = None, **options: Any) -> DirectRig:
        rig = open_rig(scene or pytestconfig.getoption("--rig-scene"), **options)
        pytestconfig.stash[_lent].append(rig)
        return rig

    return make


@pytest.fixture
def rig(request: pytest.FixtureRequest) -> Iterator[DirectRig]:
    """An open arm as the marker `rig(...)` has it; seed 0 and sound without one."""
    from .protocol.direct import open_rig

    options: dict[str, Any] = {}
    for mark in reversed(list(request.node.iter_markers("rig"))):
        if mark.args:
            pytest.fail(f"marker rig takes names only, got {mark.args}: {_HELP}", pytrace=False)
        for name in mark.kwargs:
            if name not in MARKS:
                pytest.fail(
                    f"marker rig has no {name!r}{nearest(name, MARKS)}; it takes "
                    f"{', '.join(MARKS)}",
                    pytrace=False,
                )
        options |= mark.kwargs
    scene = options.pop("scene", request.config.getoption("--rig-scene"))
    wrong = ""
    try:
        opened = open_rig(scene, **options)
    except DryrigError as error:
        wrong = f"rig: {error}"
    if wrong:
        pytest.fail(wrong, pytrace=False)
    with opened:
        yield opened


@pytest.fixture
def rig_time(rig: DirectRig) -> Iterator[None]:
    """While the test lasts `time.sleep`, `time.monotonic` and the like are rig time of `rig`."""
    from .protocol.rig_time import rig_time as patched

    with patched(rig):
        yield


@pytest.hookimpl
def pytest_runtest_setup(item: pytest.Item) -> None:
    """Forget the runs of other tests; trace, if asked for."""
    if item.config.getoption("--rig-trace") == "on-failure":
        from .protocol.again import trace_runs

        trace_runs(True)
    if again := sys.modules.get("dryrig.protocol.again"):
        again.forget_runs()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Generator[None, Any, Any]:
    """Note which rigs were open before: those of fixtures are theirs to close."""
    item.stash[_before] = set(_open_rigs())
    return (yield)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_teardown(item: pytest.Item) -> Generator[None, Any, Any]:
    """Fail a test that leaves a rig open, which it opened by itself."""
    result = yield
    lent = item.config.stash[_lent]
    while lent:
        lent.pop().close()
    if _before in item.stash and _left(item):
        gc.collect()
        if left := _left(item):
            sys.modules["dryrig.protocol.lease"].close_rigs(left)
            pytest.fail(
                f"rigs left open: {', '.join(left.values())}; close their ports, or open them by "
                "`with dryrig.open_rig(...) as rig:`",
                pytrace=False,
            )
    return result


def _open_rigs() -> dict[int, str]:
    lease = sys.modules.get("dryrig.protocol.lease")
    found: dict[int, str] = {} if lease is None else lease.open_rigs()
    return found


def _left(item: pytest.Item) -> dict[int, str]:
    return {
        number: rig for number, rig in _open_rigs().items() if number not in item.stash[_before]
    }


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Tell what happened on the rig of a failure, and how to see it again."""
    report = yield
    again = sys.modules.get("dryrig.protocol.again")
    if call.when == "call" and report.failed and again is not None and again.recent_runs():
        from .protocol.story import tell

        notes = again.recent_runs()[0]
        if "what happened:" not in str(report.longrepr):
            report.sections.append(("rig: what happened", tell(notes)))
        report.sections.append(("rig: see it again", _again(item, notes)))
        if item.config.getoption("--rig-trace") == "on-failure":
            report.sections.append(("rig: kept", _keep(item, notes)))
    return report


def _again(item: pytest.Item, notes: Notes) -> str:
    """One line to be pasted: the replay of the bytes, or the test, where Python did more."""
    from .protocol.again import see_again

    line = see_again(notes)
    scene = item.config.getoption("--rig-scene")
    option = "" if scene == "heron" else f" --rig-scene {scene}"
    return line or f"see it again: pytest '{item.nodeid}'{option}"


def _keep(item: pytest.Item, notes: Notes) -> str:
    """Write trace, replay and picture of a failure; where they are."""
    from .sim.clock import seconds
    from .sim.trace_plot import plot_trace

    folder = item.config.rootpath / KEPT / re.sub(r"[^\w.-]+", "-", item.nodeid)[-120:]
    folder.mkdir(parents=True, exist_ok=True)
    rig = notes.station.rig
    try:
        rig.trace.save(folder / "trace.vcd")
        end_s = seconds(rig.now)
        plot_trace(
            folder / "trace.vcd", folder / "last.png", begin_s=max(0.0, end_s - 1.0), end_s=end_s
        )
    except DryrigError as error:
        return f"{folder}: {error}"
    if not notes.full:
        (folder / "replay.run").write_text(notes.text(), encoding="utf-8")
    return str(folder)
