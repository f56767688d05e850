"""``tcomp build``: the whole way."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from tcomp.cli.options import folder_of, print_result, stage_options
from tcomp.cli.terminal import Terminal


def _explain(ctx: click.Context, _: click.Parameter, wanted: bool) -> None:
    if wanted:
        from tcomp.job import explained

        click.echo("\n".join(explained()))
        ctx.exit()


@click.command(short_help="Walk the whole way, from logs to proven C and a report.")
@stage_options
@click.option("--explain", is_flag=True, is_eager=True, expose_value=False, callback=_explain, help="Print every key.")
def build(job: Path, into: Path | None, as_json: bool, quiet: bool) -> None:
    """Walk the whole way: runs, curve, validation, table, C, proof, report.

    Exit code 0: done; 1: the proof does not hold; 2: bad input.

    \b
    Example:  tcomp build sample_runs/river_gauge/gauge07.toml --into gauge07.out
    """
    from tcomp import workflow
    from tcomp.job import read_job
    from tcomp.report.answer import answers
    from tcomp.report.commands import Commands
    from tcomp.report.text import answer_rows, summary_rows

    terminal, checked = Terminal(quiet), read_job(job)
    folder = folder_of(job, into)
    built = workflow.build(checked, folder, notify=terminal.notify, progress=terminal.progress)
    verdict = built.folder.read_verdict() if built.summary.verdict is not None else None
    first = answers(checked, built.folder.read_curve(), built.summary, verdict, Commands(str(job), str(folder)))
    parts = [[*answer_rows(first)], summary_rows(built.summary, answered=True)]
    print_result(built.summary, *parts, as_json=as_json, bold=[one.question for one in first])
    sys.exit(0 if built.holds else 1)
