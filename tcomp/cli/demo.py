"""``tcomp demo``: the whole way on a simulated sample, whose truth is known."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from tcomp.cli.log import views_of
from tcomp.cli.options import print_result
from tcomp.cli.paths import ResultFolder
from tcomp.cli.terminal import Terminal, direct


@click.command(short_help="See it work, on a simulated sample whose truth is known.")
@click.argument("sample", type=click.Choice(["river_gauge", "weather_station"]), default="river_gauge")
@click.option("--into", type=ResultFolder(), help="Folder for logs and results [SAMPLE.demo/].")
@click.option(
    "--live", is_flag=True, help="Log a simulated bench of the river gauge first, and look on; live.html is the page."
)
@click.option("--json", "as_json", is_flag=True, help="Print the results as JSON.")
@click.option("--quiet", is_flag=True, help="No remarks and no progress on stderr.")
def demo(sample: str, into: Path | None, live: bool, as_json: bool, quiet: bool) -> None:
    """Simulate a sample run, build it, and hold the result against the truth.

    \b
    Example:  tcomp demo weather_station
              tcomp demo --live
    """
    from tcomp import demonstration
    from tcomp.documents.fields import values_of
    from tcomp.documents.summary import DemoDocument
    from tcomp.report.text import summary_rows, truth_rows

    terminal = Terminal(quiet, direct(sys.stderr))
    into = into or Path(f"{sample}.demo")
    if live:
        if sample != "river_gauge":
            raise click.UsageError("--live goes with river_gauge, whose bench is the one that is simulated")
        views = views_of(terminal, into / "live.html", 5.0, lines=quiet or not sys.stderr.isatty())
        built, error = demonstration.demo_live(into, views, terminal.notify, terminal.progress)
    else:
        built, error = demonstration.demo(sample, into, terminal.notify, terminal.progress)
    rows = [*summary_rows(built.summary), *truth_rows(error)]
    print_result(DemoDocument(**values_of(built.summary), against_truth=error), rows, as_json=as_json)
    sys.exit(0 if built.holds else 1)
