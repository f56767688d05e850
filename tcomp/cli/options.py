"""What the commands share: the job, the folder of results, remarks on stderr, results on stdout."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from tcomp.cli.paths import JobFile, ResultFolder
from tcomp.cli.terminal import shown, width_of

if TYPE_CHECKING:
    from tcomp.report.layout import Part

Command = TypeVar("Command", bound=Callable[..., Any])


def stage_options(command: Command) -> Command:
    """The options of every command that works on a job."""
    for option in (
        click.option("--quiet", is_flag=True, help="No remarks and no progress on stderr."),
        click.option("--json", "as_json", is_flag=True, help="Print the results as JSON."),
        click.option("--into", type=ResultFolder(), help="Folder for the results [JOB.out/]."),
        click.argument("job", type=JobFile(), metavar="JOB.toml"),
    ):
        command = option(command)
    return command


def folder_of(job: Path, into: Path | None) -> Path:
    """The folder of results: as asked, or JOB-stem.out where the command runs."""
    return into or Path(f"{job.stem}.out")


def print_result(figures: dict[str, Any], *parts: Part, as_json: bool) -> None:
    """Results on stdout: words for people, as wide as their terminal, JSON for machines."""
    if as_json:
        from tcomp.files import json_text

        click.echo(json_text(figures).rstrip("\n"))
        return
    from tcomp.report.layout import laid_out, mapped

    click.echo(laid_out((mapped(part, shown) for part in parts), width_of(sys.stdout)))
