"""How tests run: on two processes for each core, and none skipped where the project is judged."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tcomp.kernels import choose_common_kernels

# Before numpy is loaded: what tests compute here is compared with what `tcomp` computes in processes of its own.
choose_common_kernels()
# Likewise: a thread per process and core, as two processes with two threads each would wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Two processes for each core, eight at most, for a folder of tests; a file by hand starts at once, in this process.

    Many tests wait, for instruments that are silent and limits of time: others work meanwhile.
    """
    processes = min(2 * (os.cpu_count() or 1), 8)
    return processes if any(Path(argument).is_dir() for argument in config.args) else 0


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]):
    """A missing tool, for which a test is skipped elsewhere, is a fault of the set-up with CI=true."""
    report = yield
    if report.skipped and not hasattr(report, "wasxfail") and os.environ.get("CI") == "true":
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped, which is not allowed with CI=true: {report.longrepr}"
    return report
