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
    from tcomp.report.text import summary_rows

    terminal = Terminal(quiet)
    built = workflow.build(read_job(job), folder_of(job, into), terminal.say, terminal.told)
    print_result(built.summary, summary_rows(built.summary), as_json=as_json)
    sys.exit(0 if built.holds else 1)
