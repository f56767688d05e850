"""``tcomp demo``: the whole way on a simulated sample, whose truth is known."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from tcomp.cli.options import print_result
from tcomp.cli.terminal import Terminal


@click.command()
@click.argument("sample", type=click.Choice(["river_gauge", "weather_station"]), default="river_gauge")
@click.option(
    "--into", type=click.Path(path_type=Path, file_okay=False), help="Folder for logs and results [SAMPLE.demo/]."
)
@click.option("--json", "as_json", is_flag=True, help="Print the results as JSON.")
@click.option("--quiet", is_flag=True, help="No remarks and no progress on stderr.")
def demo(sample: str, into: Path | None, as_json: bool, quiet: bool) -> None:
    """Simulate a sample run, build it, and hold the result against the truth.

    \b
    Example:  tcomp demo weather_station
    """
    from tcomp import workflow
    from tcomp.report.text import summary_rows, truth_rows

    terminal = Terminal(quiet)
    built, error = workflow.demo(sample, into or Path(f"{sample}.demo"), terminal.say, terminal.told)
    rows = [*summary_rows(built.summary), *truth_rows(error)]
    print_result(built.summary | {"against_truth": error}, rows, as_json=as_json)
    sys.exit(0 if built.holds else 1)
