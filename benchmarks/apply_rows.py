"""How fast a log is corrected: rows a second and memory, beside a typed read and write of the same file.

    PYTHONPATH=. python benchmarks/apply_rows.py [MILLIONS OF ROWS]

The log is invented: a reading every 2 s, a temperature that follows a slow wave.  Each is run alone in a process of its
own; the best of three counts.  Beside it the same file is read by pyarrow with the same column types and written again,
batch by batch, without any arithmetic: what no corrector that parses and writes every row can be much below.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pyarrow as pa
from pyarrow import csv

from tcomp import maintenance, workflow
from tcomp.job import read_job
from tcomp.results import Folder

JOB = """
[oscillator]
name = "gauge 12"
nominal_hz = 10_000_000
[[run]]
file = "log.csv"
time = "utc"
temperature = "board_c"
frequency = "shown_hz"
role = "timebase"
reference_hz = 10_000_000
[sensor]
resolution_c = 0.0625
"""
ROOT = Path(__file__).parent.parent


def write_log(path: Path, rows: int) -> None:
    """Rows as a logger writes them, some 45 bytes each."""
    rng = np.random.default_rng(2)
    with path.open("w") as file:
        file.write("utc,board_c,shown_hz\n")
        for first in range(0, rows, 500_000):
            t = 1_772_582_400 + 2 * np.arange(first, min(first + 500_000, rows))
            stamps = np.datetime_as_string(t.astype("datetime64[s]"))
            at_c = np.round((20 + 15 * np.sin(t / 13_000.0)) * 16) / 16
            shown = 1e7 + rng.normal(0.0, 1e-2, t.size)
            file.writelines(
                f"{a}Z,{b:.4f},{c:.6f}\n"
                for a, b, c in zip(stamps.tolist(), at_c.tolist(), shown.tolist(), strict=True)
            )


def plain_copy(log: Path, out: Path) -> None:
    """Read with types and write, by pyarrow alone."""
    types = {"utc": pa.timestamp("us", "UTC"), "board_c": pa.float64(), "shown_hz": pa.float64()}
    read = csv.open_csv(
        log, csv.ReadOptions(block_size=8 << 20), convert_options=csv.ConvertOptions(column_types=types)
    )
    with csv.CSVWriter(out, read.schema) as writer:
        for batch in read:
            writer.write_batch(batch)


def correct(log: Path, out: Path, promised: Path) -> None:
    """As `tcomp apply` does."""
    with out.open("wb") as file:
        maintenance.apply(promised, log, file, lambda _: None)


def measured(*words: str) -> tuple[float, float]:
    """Seconds, the best of three, and MiB of a process that does one thing."""
    best_s, most_mib = float("inf"), 0.0
    for _ in range(3):
        run = subprocess.run([sys.executable, __file__, *words], check=True, stdout=subprocess.PIPE, text=True)
        seconds, mib = json.loads(run.stdout)
        best_s, most_mib = min(best_s, seconds), max(most_mib, mib)
    return best_s, most_mib


def main(millions: float) -> None:
    """Print a line per way and size."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "gauge12.toml").write_text(JOB)
        job = read_job(ROOT / "sample_runs" / "river_gauge" / "gauge07.toml")
        out = Folder(folder / "gauge12.out")
        fit_result = workflow.fit(job, workflow.inspect_runs(job, out, lambda _: None), out, lambda _: None)
        workflow.design(job, fit_result.curve, out, lambda _: None)
        for count in (int(millions * 1e5), int(millions * 1e6)):
            log = folder / "log.csv"
            write_log(log, count)
            rates = {}
            for way in ("copy", "curve", "table"):
                seconds, mib = measured(
                    way, str(log), str(folder / "true.csv"), str(folder / f"gauge12.out/{way}.json")
                )
                rates[way] = seconds
                ratio = f", {seconds / rates['copy']:.2f} times the copy" if way != "copy" else ""
                print(
                    f"{count:>9} rows, {way:5}: {seconds:6.2f} s, {count / seconds / 1e6:.2f} M rows/s, {mib:.0f} MiB{ratio}"
                )


if __name__ == "__main__":
    if len(sys.argv) > 2:
        way, log, out, promised = sys.argv[1], *map(Path, sys.argv[2:])
        begin = time.perf_counter()
        plain_copy(log, out) if way == "copy" else correct(log, out, promised)
        print(json.dumps([time.perf_counter() - begin, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024]))
    else:
        main(float(sys.argv[1]) if len(sys.argv) > 1 else 10.0)
