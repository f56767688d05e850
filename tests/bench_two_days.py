"""Log 48 hours of a simulated bench as fast as it goes: JOB CASE; prints the process's memory at each hour, as JSON."""

from __future__ import annotations

import json
import os
import sys
from dataclasses import replace
from pathlib import Path

from tcomp.bench.instruments import Arrival
from tcomp.bench.session import Session, SessionOptions
from tcomp.bench.simulated import SimulatedFeed
from tcomp.job import read_job
from tcomp.report.live_page import PageView
from tcomp.simulation.cases import cases, there_and_back
from tcomp.simulation.scenario import PlannedRun, Scenario


def two_days(name: str) -> Scenario:
    """A case of the recovery tests in one log: up and down at three rates, 0.35, 0.9 and 0.1 degC/min, and again; invented."""
    start = "2026-03-02T07:30:00Z"
    runs = tuple(PlannedRun(f"{n}.csv", start, there_and_back(rate)) for n, rate in enumerate((0.35, 0.9, 0.1, 0.35)))
    return replace(cases()[name].scenario, runs=runs)


class Weighed(SimulatedFeed):
    """Looks at the process's own resident memory at each hour of simulated time. [bytes]"""

    hours: dict[int, int]

    def take(self, wait_s: float) -> list[Arrival]:
        hour = int(self.bench.elapsed_s // 3600)
        if hour not in self.hours:
            pages = int(Path("/proc/self/statm").read_text().split()[1])
            self.hours[hour] = pages * os.sysconf("SC_PAGE_SIZE")
        return super().take(wait_s)


def main(job: Path, case: str) -> None:
    checked = read_job(job, runs_needed=False)
    feed = Weighed(checked.sources, two_days(case), 0.0)
    feed.hours = {}
    outcome = Session(
        checked, SessionOptions(for_s=48 * 3600.0), (PageView(job.with_suffix(".html"), print),), feed
    ).run()
    print(json.dumps({"hours": feed.hours, "rows": outcome.rows, "held": outcome.held}))


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
