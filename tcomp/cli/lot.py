"""``tcomp lot``: one job for many units."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from tcomp.cli.options import folder_of, print_result
from tcomp.cli.paths import JobFile
from tcomp.cli.terminal import Terminal


def _explain(ctx: click.Context, _: click.Parameter, wanted: bool) -> None:
    if wanted:
        from tcomp.job import explained
        from tcomp.lot.lot_file import LOT_SECTIONS

        click.echo("\n".join(explained(LOT_SECTIONS)))
        click.echo("The sections of the job may follow here, or stand in [lot] job: see `tcomp build --explain`.")
        ctx.exit()


@click.command(short_help="Build many units by one job.")
@click.argument("lot", type=JobFile(), metavar="LOT.toml")
@click.option("--into", type=click.Path(path_type=Path), help="Folder for the results [LOT.out/].")
@click.option("--workers", type=click.IntRange(min=1), metavar="N", help="Units at a time on this machine [its cores].")
@click.option(
    "--scheduler", metavar="ADDRESS|local", help="Dask scheduler to send the units to; local: start one here."
)
@click.option(
    "--job-of", "unit", metavar="UNIT", help="Print the job of one unit, for the other commands, and make nothing."
)
@click.option("--json", "as_json", is_flag=True, help="Print the results as JSON.")
@click.option("--quiet", is_flag=True, help="No remarks on stderr.")
@click.option("--explain", is_flag=True, is_eager=True, expose_value=False, callback=_explain, help="Print every key.")
def lot(
    lot: Path,
    into: Path | None,
    workers: int | None,
    scheduler: str | None,
    unit: str | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Build many units by one job, each into a folder of its own, and say what they are like together: lot.html, lot.csv.

    Units that are done are not done again, unless their inputs, what is made, or the version has changed; a bad one does not
    stop the others. Workers of a cluster must see the same files under the same paths.

    Exit code 0: all units done, all within [use] needed_ppb if it is given; 1: some are not; 2: bad input.

    \b
    Example:  tcomp lot gauges.toml --into gauges.out
              tcomp lot gauges.toml --scheduler tcp://10.0.0.5:8786
              tcomp lot gauges.toml --job-of 07 > gauge07.toml
    """
    from tcomp.lot.lot import job_text, make_lot
    from tcomp.report.lot import lot_rows

    if unit is not None:
        click.echo(job_text(lot, unit), nl=False)
        return
    terminal = Terminal(quiet)
    found = make_lot(lot, folder_of(lot, into), terminal.notify, terminal.progress, jobs=workers, scheduler=scheduler)
    print_result(found, lot_rows(found), as_json=as_json)
    sound = not found.failed and not found.proof.not_holding
    within = found.yield_ is None or found.yield_.meeting == found.yield_.of
    sys.exit(0 if sound and within else 1)
