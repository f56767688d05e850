"""Every form of table for the river gauge's curve at one worst error: bytes, the gap to the optimum, the program's cost.

python benchmarks/table_forms.py [ERROR_PPB]
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from tcomp import workflow
from tcomp.estimation.curve import Curve
from tcomp.firmware import code_cost
from tcomp.job import read_job
from tcomp.results import Folder
from tcomp.tables import CodedCurve, CorrectionTable, TemperatureScale, coded_curve
from tcomp.tables.design import Designs, sampled
from tcomp.tables.layouts import every_family
from tcomp.tables.layouts.even import even_layout

JOB = Path(__file__).parent.parent / "sample_runs" / "river_gauge" / "gauge07.toml"
COUNTS_PER_C = 100.0
"""Finer than the sensor's steps, so that the codes are not what limits a table."""


def fitted_curve() -> Curve:
    """The curve as it is learnt from the sample's logs."""
    job = read_job(JOB)
    with tempfile.TemporaryDirectory() as folder:
        into = Folder(Path(folder))
        runs = workflow.inspect_runs(job, into, lambda _: None)
        return workflow.fit(job, runs, into, lambda _: None).curve


def best_sampled_bytes(curve: CodedCurve, error_ppb: float) -> int:
    """The smallest evenly spaced table of 16-bit samples, any number of them, that meets an error."""
    for pieces in range(1, len(curve.offset_ppb)):
        layout = even_layout(curve, pieces, "linear")
        if sampled(curve, layout, 16).max_error_ppb <= error_ppb:
            return layout.bytes(16)
    raise ValueError("no sampled table meets the error")


def row(table: CorrectionTable, samples_bytes: int, seconds: float) -> str:
    """One line of the table."""
    cost = code_cost(table)
    gap = "" if table.bound_ppb is None else f"{table.max_error_ppb - table.bound_ppb:.3f}"
    cells = (
        table.summary, str(table.bytes), f"{table.bytes / samples_bytes:.2f}", f"{table.max_error_ppb:.3f}", gap,
        f"{cost.flash_bytes} / {cost.avr_bytes}", f"{cost.products} / {cost.loads}", f"{seconds:.2f}",
    )  # fmt: skip
    return f"| {' | '.join(cells)} |"


def main(error_ppb: float) -> None:
    """Print the table in Markdown."""
    fit_result = fitted_curve()
    curve = coded_curve(fit_result.continued_ppb, fit_result.low_c, fit_result.high_c, TemperatureScale(COUNTS_PER_C))
    samples_bytes = best_sampled_bytes(curve, error_ppb)
    print(f"Samples of the curve, evenly spaced, linear: {samples_bytes} bytes for {error_ppb:g} ppb.\n")
    print(
        "| table | bytes | of the samples' | worst, ppb | gap, ppb | program M0+ / AVR, bytes | products / loads | s |"
    )
    print("|---|---|---|---|---|---|---|---|")
    designs = Designs(curve)
    for family in every_family(designs, None, "auto"):
        start = time.perf_counter()
        table = family.smallest(error_ppb)
        if table is not None:
            print(row(table, samples_bytes, time.perf_counter() - start), flush=True)


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 10.0)
