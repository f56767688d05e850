"""What the commands share: the job, the folder of results, remarks on stderr, results on stdout."""

from __future__ import annotations

import hashlib
import re
import sys
from collections.abc import Callable, Collection
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from tcomp.cli.paths import JobFile, ResultFolder
from tcomp.cli.terminal import coloured, shown, width_of

if TYPE_CHECKING:
    from tcomp.estimation.prior import Prior
    from tcomp.job import Job
    from tcomp.report.layout import Part
    from tcomp.results import Folder

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


def plot_option(words: str) -> Callable[[Command], Command]:
    """``--plot PATH``: what is printed, as a picture too."""
    path = click.Path(path_type=Path, dir_okay=False)
    return click.option("--plot", type=path, help=f"{words}: .svg or .png.")


def folder_of(job: Path, into: Path | None) -> Path:
    """The folder of results: as asked, or JOB-stem.out where the command runs."""
    return into or Path(f"{job.stem}.out")


def job_and_folder(job: Path, into: Path | None) -> tuple[Job, Folder]:
    """The job and its folder of results; either of the two may be named.

    Raises
    ------
    TcompError
        The job cannot be read, or a folder of results has no job beside it.
    """
    from tcomp.job import read_job
    from tcomp.results import Folder

    if job.is_dir():
        return read_job(Folder(job).job_path()), Folder(into or job)
    return read_job(job), Folder(folder_of(job, into))


OF_THE_CUT = "cut"
"""Stands for a lot.json where the prior is what handbooks say of the job's cut."""


def prior_and_digest(given: Path, job: Job) -> tuple[Prior, str]:
    """The prior of a lot.json, or of the job's cut, and its digest."""
    from tcomp.estimation.cut_prior import prior_of_cut
    from tcomp.estimation.prior import read_prior

    if str(given) == OF_THE_CUT:
        return prior_of_cut(job.oscillator.cut, job.fit.range_c), OF_THE_CUT
    return read_prior(given), hashlib.sha256(given.read_bytes()).hexdigest()


def print_result(found: object, *parts: Part, as_json: bool, bold: Collection[str] = ()) -> None:
    """Results on stdout: words for people, as wide as their terminal, JSON for machines; some names in bold, on a terminal."""
    if as_json:
        from tcomp.documents.fields import document_text

        click.echo(document_text(found).rstrip("\n"))
        return
    from tcomp.report.layout import laid_out, mapped

    text = coloured(laid_out((mapped(part, shown) for part in parts), width_of(sys.stdout)))
    for name in bold:
        text = re.sub(f"^{re.escape(name)}(?= )", click.style(name, bold=True), text, count=1, flags=re.MULTILINE)
    click.echo(text)  # which leaves colours and bold out where there is no terminal
