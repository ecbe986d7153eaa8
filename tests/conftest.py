"""What holds for every test."""

import os
import sys
from collections.abc import Generator, Iterator
from pathlib import Path

import pytest

NO_SKIP = "CLEARBORE_NO_SKIP"
"""Set to 1 where every program that a test may need is installed: then a skipped test is a failure."""


@pytest.fixture(scope="session", autouse=True)
def _this_environment_first() -> Iterator[None]:
    """`clearbore` is the one beside the interpreter of the tests, whether its environment is activated or not."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PATH", f"{Path(sys.executable).parent}{os.pathsep}{os.environ.get('PATH', os.defpath)}")
        yield


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
