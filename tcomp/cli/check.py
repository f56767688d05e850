"""``tcomp check``: a curve or a table checked against a verification run."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from tcomp.cli.options import print_result
from tcomp.cli.paths import JobFile, ResultFile
from tcomp.cli.terminal import Terminal


@click.command(short_help="Check a curve or table against a verification run.")
@click.argument("promised", type=ResultFile(), metavar="TABLE_OR_CURVE")
@click.argument("run", type=JobFile(), metavar="RUN.toml")
@click.option(
    "--ramp", type=click.FloatRange(min=0), metavar="C_PER_MIN", help="Fastest change a table is to hold for [RUN's]."
)
@click.option("--plot", type=click.Path(path_type=Path, dir_okay=False), help="Picture of what remains: .svg or .png.")
@click.option("--json", "as_json", is_flag=True, help="Print the results as JSON.")
@click.option("--quiet", is_flag=True, help="No remarks and no progress on stderr.")
def check(promised: Path, run: Path, ramp: float | None, plot: Path | None, as_json: bool, quiet: bool) -> None:
    """Hold a curve.json or table.json against a verification run: what remains, against what was promised.

    RUN.toml is a job file; its [[run]] blocks name the fresh logs. A step of the base is stated and not judged.
    Exit code 0: the promise holds; 1: it does not; 2: bad input, or a run too short to tell.

    \b
    Example:  tcomp check gauge07.out/table.json fresh.toml --plot fresh.svg
    """
    from tcomp.report.upkeep import check_parts, write_check_picture
    from tcomp.results import Folder
    from tcomp.upkeep.calibration import read_subject
    from tcomp.upkeep.check import check as check_runs
    from tcomp.upkeep.check import fresh_job
    from tcomp.upkeep.check_figures import check_document

    terminal, job, beside = Terminal(quiet), fresh_job(run), Folder(promised.parent)
    fitted_runs = beside.read_runs() if beside.has("clean.parquet") else ()
    checked = check_runs(
        read_subject(promised), job, ramp_c_per_min=ramp, fitted_runs=fitted_runs, progress=terminal.progress
    )
    for remark in checked.remarks:
        terminal.notify(remark)
    if plot is not None:
        write_check_picture(checked, plot)
    found = check_document(checked)
    print_result(found, *check_parts(found), as_json=as_json)
    sys.exit({True: 0, False: 1, None: 2}[found.holds])
