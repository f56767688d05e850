"""No test may be skipped where the project is judged: a missing tool there is a fault of the set-up."""

from __future__ import annotations

import os

import pytest


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]):
    report = yield
    if report.skipped and not hasattr(report, "wasxfail") and os.environ.get("CI") == "true":
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped, which is not allowed with CI=true: {report.longrepr}"
    return report
