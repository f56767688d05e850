"""``tcomp judge``: the crystal and its table against what could be bought."""

from __future__ import annotations

from pathlib import Path

import click

from tcomp.cli.options import folder_of, print_result, stage_options
from tcomp.cli.terminal import Terminal


@click.command(short_help="Good enough, or rather an oven? With figures.")
@click.option("--plot", type=click.Path(path_type=Path, dir_okay=False), help="Pictures of the verdict: .svg or .png.")
@stage_options
def judge(job: Path, into: Path | None, as_json: bool, quiet: bool, plot: Path | None) -> None:
    """Judge the crystal with its table against a bought compensated part and each [[oven]]: verdict.json.

    Needs [use] needed_ppb in the job, and the results of `tcomp build`. What the job leaves out is taken from typical figures,
    and said to be assumed. The job's [use], [supply], [compensated] and [[oven]] are explained by `tcomp build --explain`.

    \b
    Example:  tcomp judge gauge07.toml --plot verdict.svg
    """
    from tcomp import workflow
    from tcomp.job import read_job
    from tcomp.report.verdict_text import verdict_parts
    from tcomp.results import Folder

    checked, folder, terminal = read_job(job), Folder(folder_of(job, into)), Terminal(quiet)
    with folder.held():
        figures = workflow.judge(checked, folder, terminal.say, terminal.told)
    if plot is not None:
        from tcomp.report.verdict_pictures import write_verdict_picture

        write_verdict_picture(figures, plot)
    print_result(figures, *verdict_parts(figures), as_json=as_json)
