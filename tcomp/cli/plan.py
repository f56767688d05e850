"""``tcomp plan``: a schedule for the chamber, and what it will give."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tcomp.cli.options import print_result, prior_and_digest
from tcomp.cli.paths import JobFile, ResultFile
from tcomp.cli.terminal import Terminal
from tcomp.errors import JobError

if TYPE_CHECKING:
    from tcomp.estimation.curve import Curve
    from tcomp.planning.plan import PlanResult


@click.command(short_help="Make a schedule for the chamber, before a day is spent.")
@click.argument("job", type=JobFile(), metavar="JOB.toml")
@click.option(
    "--after",
    type=click.Path(path_type=Path),
    metavar="RUN_OR_FOLDER",
    help="What is measured, a folder of results or a job with runs: plan the next soaks only.",
)
@click.option(
    "--prior",
    type=ResultFile(dir_okay=False),
    metavar="LOT.json|cut",
    help="What `tcomp lot` found for such units, or `cut`: what handbooks say of the job's cut. Plans the best two to four soaks "
    "for a new one.",
)
@click.option(
    "--set-within",
    type=click.FloatRange(min=0, min_open=True),
    metavar="PPB",
    help="Instead: how long to average to set the oscillator so near to the reference.",
)
@click.option("--csv", "csv_path", type=click.Path(path_type=Path, dir_okay=False), help="The schedule as CSV.")
@click.option("--plot", type=click.Path(path_type=Path, dir_okay=False), help="Picture of it: .svg or .png.")
@click.option("--json", "as_json", is_flag=True, help="Print the results as JSON.")
@click.option("--quiet", is_flag=True, help="No remarks and no progress on stderr.")
def plan(
    job: Path,
    after: Path | None,
    prior: Path | None,
    set_within: float | None,
    csv_path: Path | None,
    plot: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Make a schedule of ramps and soaks, and say what it will give, before a day is spent.

    JOB.toml needs no [[run]]; [fit] range_c, [chamber], [counter], [reference] and [plan] say what is there and needed.

    \b
    Example:  tcomp plan gauge07.toml --csv gauge07_plan.csv --plot gauge07_plan.svg
              tcomp plan gauge07.toml --after gauge07.out
              tcomp plan gauge08.toml --prior lot.json
              tcomp plan gauge07.toml --set-within 0.5
    """
    from tcomp.files import write_text
    from tcomp.job import read_job
    from tcomp.planning.figures import plan_document, setting_document
    from tcomp.planning.setting import setting
    from tcomp.report.plan import plan_parts, setting_rows, steps_csv, write_plan_picture
    from tcomp.report.words import CHAMBER_CAUTIONS

    notify = Terminal(quiet).notify
    if set_within is not None:
        time_to_set = setting(read_job(job, runs_needed=False), set_within)
        for remark in time_to_set.remarks:
            notify(remark)
        document = setting_document(time_to_set)
        print_result(document, setting_rows(document), as_json=as_json)
        return
    if after is not None and prior is not None:
        raise click.UsageError("--after and --prior are two ways to know the curve: give one of them")
    planned = plan_of_files(job, after, prior)
    for remark in planned.remarks:
        notify(remark)
    found = plan_document(planned, CHAMBER_CAUTIONS)
    if csv_path is not None:
        write_text(csv_path, steps_csv(found.steps))
    if plot is not None:
        write_plan_picture(planned, plot)
    print_result(found, *plan_parts(found), as_json=as_json)


def plan_of_files(path: Path, after: Path | None, prior: Path | None) -> PlanResult:
    """A schedule for a job file; after a folder of results, or a job with runs, the soaks that are best next; with what a
    lot has taught, the best few for a new unit of it.

    Raises
    ------
    JobError
        A file is missing, or the job does not say what a schedule needs.
    """
    from tcomp.estimation.few_points import lot_curve
    from tcomp.job import read_job
    from tcomp.planning.plan import plan as plan_runs
    from tcomp.planning.plan import plan_after

    job = read_job(path, runs_needed=False)
    if prior is not None:
        return plan_after(job, lot_curve(prior_and_digest(prior, job)[0]), of_a_lot=True)
    return plan_runs(job) if after is None else plan_after(job, _measured(after))


def _measured(after: Path) -> Curve:
    from tcomp.estimation.curve import read_curve
    from tcomp.job import read_job
    from tcomp.results import Folder
    from tcomp.workflow import learn_job

    if not after.exists():
        raise JobError(f"{after}: is not there; expected a folder of results, a curve.json, or a job with runs")
    if after.suffix.lower() != ".toml":
        return Folder(after).read_curve() if after.is_dir() else read_curve(after)
    return learn_job(read_job(after)).curve
