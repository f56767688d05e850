"""``tcomp log``: a run recorded from instruments."""

from __future__ import annotations

import math
import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from tcomp.cli.paths import JobFile
from tcomp.cli.terminal import Terminal, shown

if TYPE_CHECKING:
    from tcomp.bench.recorder import Outcome
    from tcomp.bench.session import Session, View

UNITS_S = {"": 1.0, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86_400.0}


def _seconds(ctx: click.Context, param: click.Parameter, value: str | None) -> float:
    """A time span: 90, 90s, 15min, 36h, 2d; left out: without end."""
    if value is None:
        return math.inf
    match = re.fullmatch(r"(\d+(?:\.\d*)?)\s*(s|min|h|d|)", value)
    if match is None or float(match[1]) <= 0:
        raise click.BadParameter(f"'{value}' is no time span; expected such as 90s, 15min, 36h or 2d", ctx, param)
    return float(match[1]) * UNITS_S[match[2]]


def _example(ctx: click.Context, _: click.Parameter, wanted: bool) -> None:
    if wanted:
        from importlib import resources

        click.echo(
            (resources.files("tcomp.bench") / "samples" / "simulated.toml").read_text(encoding="utf-8"), nl=False
        )
        ctx.exit()


@click.command(short_help="Record a run from instruments.")
@click.argument("job", type=JobFile(), metavar="JOB.toml")
@click.option("--for", "for_s", callback=_seconds, metavar="TIME", help="End after 90s, 15min, 36h, 2d [open].")
@click.option(
    "--plan", type=click.Path(path_type=Path, dir_okay=False), metavar="PLAN.csv",
    help="Follow what `tcomp plan --csv` wrote: say what to set next, and when a soak is over.",
)  # fmt: skip
@click.option("--drive", is_flag=True, help="With --plan: set the chamber by its [controller], within the hard limits.")
@click.option(
    "--live", type=click.Path(path_type=Path, dir_okay=False), metavar="PAGE.html",
    help="Keep a page with pictures up to date, for a look from another room.",
)  # fmt: skip
@click.option(
    "--every", type=click.FloatRange(min=0.1), default=10.0, show_default=True, metavar="SECONDS", help="Between plain lines."
)  # fmt: skip
@click.option("--plain", is_flag=True, help="Plain lines, also on a terminal.")
@click.option("--json", "as_json", is_flag=True, help="Print the results as JSON.")
@click.option("--quiet", is_flag=True, help="Nothing on stderr.")
@click.option(
    "--example", is_flag=True, is_eager=True, expose_value=False, callback=_example, help="Print a simulated job."
)
def log(
    job: Path, for_s: float, plan: Path | None, drive: bool, live: Path | None, every: float, plain: bool, as_json: bool,
    quiet: bool,
) -> None:  # fmt: skip
    """Record temperature and frequency from the job's [[source]]s, until the time, the plan or Ctrl-C ends it.

    The file only grows; what is there is appended to. Exit code 0: ended as wanted; 1: the plan was not done, or something
    was lost; 2: bad input. --drive: software is no protection. The chamber needs a thermal cut-out of its own.

    \b
    Example:  tcomp log --example > bench.toml
              tcomp log bench.toml --for 12h --live bench.html
    """
    from tcomp.bench.session import Session, Wanted
    from tcomp.job import read_job

    say = Terminal(quiet).say
    checked = read_job(job, runs_needed=False)
    if drive:
        from tcomp.report.cautions import CHAMBER_CAUTIONS

        for caution in CHAMBER_CAUTIONS:
            say(f"mind: {caution}")
    views = views_of(say, live, every, lines=quiet or plain or not sys.stderr.isatty())
    session = Session(checked, Wanted(for_s, plan, drive), views)
    outcome = session.run()
    _print(session, outcome, as_json=as_json)
    sys.exit(0 if outcome.held else 1)


def views_of(say: Callable[[str], None], live: Path | None, every_s: float, *, lines: bool) -> tuple[View, ...]:
    """Who looks at the run: lines or the terminal view, and a page if one is asked for. [s]"""
    from tcomp.report.live_page import PageView
    from tcomp.report.live_terminal import TerminalView
    from tcomp.report.live_text import PlainView

    pages = (PageView(live, say),) if live is not None else ()
    return (PlainView(say, every_s) if lines else TerminalView(), *pages)


def _print(session: Session, outcome: Outcome, *, as_json: bool) -> None:
    from dataclasses import asdict

    from tcomp.files import json_text
    from tcomp.report.layout import aligned

    block = "" if session.layout.run is not None else session.layout.run_block()
    if as_json:
        figures = (
            {"schema": 1} | asdict(outcome) | {"file": str(session.layout.path), "run": session.layout.run_block()}
        )
        click.echo(json_text(figures).rstrip("\n"))
        return
    faults = ", ".join(f"{count} {kind}" for kind, count in outcome.faults.items()) or "none"
    rows = [
        ("log", str(session.layout.path)),
        ("ended", outcome.reason),
        ("rows", str(outcome.rows)),
        ("faults", faults),
    ]
    rows += [("lost lines", str(outcome.lost_lines))] if outcome.lost_lines else []
    click.echo(shown(aligned(rows)))
    if block:
        click.echo(shown(f"\nFor `tcomp inspect` and `tcomp build`, put this into {session.job.path}:\n\n{block}"))
