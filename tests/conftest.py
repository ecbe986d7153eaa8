"""What holds for every test."""

import os
from collections.abc import Generator

import pytest

NO_SKIP = "CLEARBORE_NO_SKIP"
"""Set to 1 where every program that a test may need is installed: then a skipped test is a failure."""


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """A skipped test fails where nothing may be skipped."""
    report = yield
    if report.skipped and not hasattr(report, "wasxfail") and os.environ.get(NO_SKIP) == "1":
        report.outcome = "failed"
        report.longrepr = f"skipped, which {NO_SKIP}=1 forbids: {report.longrepr}"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """A file that skips itself whole fails where nothing may be skipped."""
    report = yield
    if report.skipped and os.environ.get(NO_SKIP) == "1":
        report.outcome = "failed"
        report.longrepr = f"skipped, which {NO_SKIP}=1 forbids: {report.longrepr}"
    return report
