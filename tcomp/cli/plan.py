"""``tcomp plan``: a schedule for the chamber, and what it will give."""

from __future__ import annotations

from pathlib import Path

import click

from tcomp.cli.options import print_result
from tcomp.cli.paths import JobFile, ResultFile
from tcomp.cli.terminal import Terminal


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
    metavar="LOT.json",
    help="What `tcomp lot` learnt of such units: plan the best two to four soaks for a new one.",
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
    from tcomp import workflow
    from tcomp.decision.plan_figures import plan_figures, setting_figures
    from tcomp.files import write_text
    from tcomp.report.cautions import CHAMBER_CAUTIONS
    from tcomp.report.plan_pictures import write_plan_picture
    from tcomp.report.plan_text import plan_parts, setting_rows, steps_csv

    say = Terminal(quiet).say
    if set_within is not None:
        found = setting_figures(workflow.plan_setting(job, set_within, say))
        print_result(found, setting_rows(found), as_json=as_json)
        return
    if after is not None and prior is not None:
        raise click.UsageError("--after and --prior are two ways to know the curve: give one of them")
    planned = workflow.plan_chamber(job, after, prior, say)
    figures = plan_figures(planned) | {"cautions": list(CHAMBER_CAUTIONS)}
    if csv_path is not None:
        write_text(csv_path, steps_csv(figures["steps"]))
    if plot is not None:
        write_plan_picture(planned, plot)
    print_result(figures, *plan_parts(figures), as_json=as_json)
