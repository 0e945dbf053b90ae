"""For the project's own runs: where every program a test needs is present, a skip is a failure."""

from __future__ import annotations

import os
import signal
from collections.abc import Generator
from typing import Any

import hypothesis
import pytest

# A user's project, run as README tells it by tests/plugin/test_worked.py, with fewer examples.
collect_ignore = ["plugin/worked"]

# Hypothesis would time each example by the wall clock.
hypothesis.settings.register_profile("no clock", deadline=None)
hypothesis.settings.load_profile("no clock")

# tests/helpers: their assertions explain themselves as those of tests do.
pytest.register_assert_rewrite("trade_columns", "trade_meter", "traced")


@pytest.hookimpl
def pytest_runtest_setup() -> None:
    # vcdvcd lets a broken pipe end the process as soon as it is imported.
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, Any, Any]:
    report = yield
    if report.skipped and not hasattr(report, "wasxfail") and os.environ.get("CI") == "true":
        report.outcome = "failed"
        report.longrepr = f"skipped, which CI does not accept: {report.longrepr}"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, Any, Any]:
    report = yield
    if report.outcome == "skipped" and os.environ.get("CI") == "true":
        report.outcome = "failed"
        report.longrepr = f"skipped, which CI does not accept: {report.longrepr}"
    return report
