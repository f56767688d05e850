"""Forty-eight hours on the simulated bench, in accelerated time: flat memory, and a table that is as good as was asked."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from bench_two_days import two_days

from tcomp import workflow
from tcomp.job import read_job
from tcomp.results import Folder
from tcomp.simulation.cases import true_shape_ppb
from tcomp.units import PPT_PER_PPB

ROOT = Path(__file__).parent.parent
JOB = """
[oscillator]
name = "gauge 07"
nominal_hz = 12_800_000
cut = "AT"
[[source]]
name = "probe"
kind = "simulated"
gives = "temperature"
[[source]]
name = "counter"
kind = "simulated"
gives = "frequency"
[log]
file = "two_days.csv"
speed = 0
[[run]]
file = "two_days.csv"
time = "utc"
temperature = "board_c"
frequency = "osc_hz"
[fit]
range_c = [-20, 60]
models = ["poly3", "poly5", "crystal"]   # fewer than auto tries: this is a test of the log
[table]
counts_per_c = 16
form = "steps"
max_error_ppb = 0.3
"""


@pytest.mark.parametrize(("case", "worst_ppb"), [("no lag", 1.0), ("lag 180 s", 2.0)])
def test_two_days_keep_memory_flat_and_end_in_a_table_as_good_as_asked(
    tmp_path: Path, case: str, worst_ppb: float
) -> None:
    """Free of base, over the whole range, at every code; the case's own accuracy, as asked of the curve."""
    path = tmp_path / "two_days.toml"
    path.write_text(JOB)
    done = subprocess.run(
        [sys.executable, str(ROOT / "tests" / "bench_two_days.py"), str(path), case],
        capture_output=True, text=True, check=True, env=os.environ | {"PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    found = json.loads(done.stdout)
    assert found["held"]
    assert found["rows"] == 48 * 360 + 1
    memory = np.array([size for hour, size in found["hours"].items() if int(hour) >= 4])
    assert memory.size == 45
    # Five per cent to either side of the middle; the pictures are full after some three hours.
    assert memory.max() / memory.min() < 1.05 / 0.95
    job, folder = read_job(path), Folder(tmp_path / "out")
    fit_result = workflow.fit(job, workflow.inspect_runs(job, folder, lambda _: None), folder, lambda _: None)
    table = workflow.design(job, fit_result.curve, folder, lambda _: None)
    error = table.offset_ppt(table.codes) / PPT_PER_PPB - true_shape_ppb(
        two_days(case), table.temperature_of(table.codes)
    )
    assert np.abs(error - error.mean()).max() <= worst_ppb
