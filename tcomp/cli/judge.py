"""``tcomp judge``: the crystal and its table against what could be bought."""

from __future__ import annotations

from pathlib import Path

import click

from tcomp.cli.options import job_and_folder, print_result, stage_options
from tcomp.cli.terminal import Terminal


@click.command(short_help="Good enough, or rather an oven? With figures.")
@click.option("--plot", type=click.Path(path_type=Path, dir_okay=False), help="Pictures of the verdict: .svg or .png.")
@stage_options
def judge(job: Path, into: Path | None, as_json: bool, quiet: bool, plot: Path | None) -> None:
    """Judge the crystal with its table against a bought compensated part and each [[oven]]: verdict.json.

    Needs [use] needed_ppb in the job, and curve and table, which are made first where they are missing or stale.
    What the job leaves out is taken from typical figures, and said to be assumed. The job's [use], [supply], [compensated]
    and [[oven]] are explained by `tcomp build --explain`.

    \b
    Example:  tcomp judge gauge07.toml --plot verdict.svg
    """
    from tcomp import workflow
    from tcomp.current_results import CurrentResults
    from tcomp.report.verdict import verdict_parts
    from tcomp.verdict.verdict import check_needed

    (checked, folder), terminal = job_and_folder(job, into), Terminal(quiet)
    check_needed(checked)
    with folder.held():
        CurrentResults(checked, folder, terminal.notify, terminal.progress).table()
        found = workflow.judge(checked, folder, terminal.notify, terminal.progress)
    if plot is not None:
        from tcomp.report.verdict_picture import write_verdict_picture

        write_verdict_picture(found, plot)
    print_result(found, *verdict_parts(found), as_json=as_json)
