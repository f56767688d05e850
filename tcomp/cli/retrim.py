"""``tcomp retrim``: the base, trimmed by one trusted point."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from tcomp.cli.options import print_result
from tcomp.cli.paths import JobFile, ResultFolder
from tcomp.cli.terminal import Terminal

if TYPE_CHECKING:
    from tcomp.estimation.curve import Curve
    from tcomp.job import Job
    from tcomp.upkeep.point import Point


@click.command(short_help="Trim the base by one trusted point.")
@click.argument("out", type=ResultFolder(), metavar="OUT")
@click.option("--at", metavar="POINT", help='"T, offset, u", such as "23.5 degC, 120 ppb, 5 ppb"; u is standard.')
@click.option("--run", "short_run", type=JobFile(), metavar="RUN.toml", help="A short run instead.")
@click.option("--time", "time_text", metavar="ISO", help="When the point was measured [the end of --run].")
@click.option("--since", metavar="ISO", help="When the runs of the job ended, if they have no clock.")
@click.option("--accept", is_flag=True, help="Take a point that contradicts, as a step or a bend.")
@click.option("--job", "job_file", type=JobFile(), help="The job [NAME.toml beside NAME.out/].")
@click.option("--json", "as_json", is_flag=True, help="Print the results as JSON.")
@click.option("--quiet", is_flag=True, help="No remarks and no progress on stderr.")
def retrim(
    out: Path,
    at: str | None,
    short_run: Path | None,
    time_text: str | None,
    since: str | None,
    accept: bool,
    job_file: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Trim the base in the results OUT by one trusted point, and write table and firmware with it; the shape stays.

    Prediction (base and ageing) and point are weighed by their uncertainties. Each point is kept in NAME.history.csv
    beside the job, and gives the ageing after some trims, and when the next trim is due.
    Exit code 0: trimmed; 1: refused, as the point contradicts curve and ageing; 2: bad input.

    \b
    Example:  tcomp retrim gauge07.out --at "23.5 degC, 1120 ppb, 5 ppb" --time 2026-06-01T10:00Z
    """
    from tcomp import maintenance
    from tcomp.errors import HistoryError
    from tcomp.job import read_job
    from tcomp.report.upkeep import retrim_rows
    from tcomp.results import Folder
    from tcomp.upkeep.point import time_of_text

    if (at is None) == (short_run is None):
        raise HistoryError("expected one trusted point: give either --at or --run")
    folder = Folder(out)
    job = read_job(job_file or folder.job_path())
    point, end_s = _point(at, short_run, folder.read_curve(), job)
    time_s = time_of_text(time_text, "--time") if time_text is not None else end_s
    if time_s is None:
        raise HistoryError(
            "it is not known when the point was measured; give the time with --time, such as 2026-06-01T10:00Z"
        )
    found, document = maintenance.retrim(
        folder, job, point, float(int(time_s)), notify=Terminal(quiet).notify,
        since_s=time_of_text(since, "--since") if since is not None else None, accept=accept,
    )  # fmt: skip
    print_result(document, retrim_rows(document), as_json=as_json)
    sys.exit(1 if found.status == "refused" else 0)


def _point(at: str | None, short_run: Path | None, curve: Curve, job: Job) -> tuple[Point, float | None]:
    from tcomp.upkeep.apply import sensor_u_c
    from tcomp.upkeep.check import fresh_job
    from tcomp.upkeep.point import point_of_run, point_of_text

    if short_run is not None:
        return point_of_run(curve, fresh_job(short_run))
    return point_of_text(str(at), curve, sensor_u_c(job.sensor)), None
