"""``tcomp start``: a job file to fill in."""

from __future__ import annotations

import shlex
from pathlib import Path

import click

from tcomp.cli.paths import LogFile
from tcomp.cli.terminal import shown


@click.command(short_help="Write a job file for a log.")
@click.argument("logs", nargs=-1, type=LogFile(), metavar="[LOG]...")
@click.option(
    "--into", "job", type=click.Path(path_type=Path), default="job.toml", show_default=True, help="The job file."
)
@click.option("--force", is_flag=True, help="Overwrite a job file that is there.")
def start(logs: tuple[Path, ...], job: Path, force: bool) -> None:
    """Write a commented job file; with LOGs, their columns and units are guessed from names and values.

    Each LOG becomes a [[run]]; one with temperatures alone becomes the temperature_file of those that have none.

    \b
    Example:  tcomp start 2026-03-02_up_down.csv --into gauge07.toml
              tcomp start counter.csv thermometer.csv
    """
    from tcomp.errors import JobError
    from tcomp.files import write_text
    from tcomp.starter import start_of

    if job.exists() and not force:
        raise JobError(f"{job}: is there already; choose another name with --into, or --force to overwrite it")
    start = start_of(logs[0], job, more=logs[1:]) if logs else start_of(job=job)
    click.echo(shown(str(write_text(job, start.text))))
    for remark in (*start.remarks, f"look through it, then: tcomp inspect {shlex.quote(str(job))}"):
        click.echo(shown(remark), err=True)
