"""Verdicts for four ways of living with the river gauge's crystal, and how the two approaches to uncertainty agree.

    python benchmarks/verdicts.py [FOLDER]

FOLDER holds the results of `tcomp build sample_runs/river_gauge/gauge07.toml`; left out, it is built anew.  The uses are invented.
"""

from __future__ import annotations

import sys
import tempfile
import textwrap
from pathlib import Path

from tcomp import workflow
from tcomp.job import Job, read_job, read_job_text
from tcomp.results import Folder

SAMPLE = Path(__file__).parent.parent / "sample_runs" / "river_gauge" / "gauge07.toml"
OVEN = """
[[oven]]
name = "surplus oven"
stability_ppb = 5
ageing_ppb_per_day = 0.1
retrace_ppb = 20
warm_up = { minutes = 5, watts = 3.0 }
steady_watts = 1.2
price = 25
"""
USES = {
    "battery logger": """
[use]
range_c = [-15, 45]
ramp_c_per_min = 0.05
needed_ppb = 500
recalibrate_days = 365
price_limit = 100
[supply]
volts = 3.6
peak_watts = 0.3
steady_watts = 0.05
"""
    + OVEN,
    "clock that is always on": """
[use]
range_c = [10, 35]
ramp_c_per_min = 0.02
needed_ppb = 60
recalibrate_days = 365
price_limit = 100
[supply]
peak_watts = 10
steady_watts = 5
price_per_kwh = 0.3
"""
    + OVEN,
    "bench instrument, two hours a day": """
[use]
range_c = [18, 28]
ramp_c_per_min = 0.1
hours_on_per_day = 2
needed_ppb = 100
resolution_ppb = 10
recalibrate_days = 180
price_limit = 100
[supply]
peak_watts = 4
steady_watts = 2
price_per_kwh = 0.3
"""
    + OVEN,
    "outdoors at 1 degC/min": """
[use]
range_c = [-10, 45]
ramp_c_per_min = 1.0
needed_ppb = 300
recalibrate_days = 180
sensor_drift_c = 0.05
price_limit = 100
[supply]
peak_watts = 4
steady_watts = 2
price_per_kwh = 0.3
"""
    + OVEN,
}


def job_with(use: str) -> Job:
    """The sample's job with another use."""
    text = SAMPLE.read_text(encoding="utf-8").split("\n[use]")[0]
    return read_job_text(text + use, SAMPLE)


def main() -> None:
    """Print the paragraphs, then JCGM 100 beside JCGM 101 for every option."""
    folder = Folder(Path(sys.argv[1] if len(sys.argv) > 1 else tempfile.mkdtemp()))
    if len(sys.argv) == 1:
        workflow.build(read_job(SAMPLE), folder.path)
    rows = []
    for name, use in USES.items():
        verdict = workflow.judge(job_with(use), folder, lambda _: None)
        print(f"## {name}\n\n{textwrap.fill(verdict.paragraph, 120)}\n")
        rows += [(name, option) for option in verdict.options]
    print("| use | option | JCGM 100 [ppb] | JCGM 101 [ppb] |\n| --- | --- | --- | --- |")
    for name, option in rows:
        print(f"| {name} | {option.name} | {option.expanded_ppb:.4g} | {option.drawn_within_ppb:.4g} |")


if __name__ == "__main__":
    main()
