"""``tcomp log``: a run recorded from instruments."""

from __future__ import annotations

import math
import os
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from tcomp.cli.paths import JobFile
from tcomp.cli.terminal import Terminal, direct, shown, written_within

if TYPE_CHECKING:
    from tcomp.bench.live import View
    from tcomp.bench.session import Session
    from tcomp.documents.log import LogDocument

NOT_SAFE = 3
"""Exit code after an alarm of the chamber."""
UNITS_S = {"": 1.0, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86_400.0}


def _seconds(ctx: click.Context, param: click.Parameter, value: str | None) -> float:
    """A time span such as 90, 90s, 15min, 36h or 2d; left out: without end. [s]"""
    if value is None:
        return math.inf
    match = re.fullmatch(r"(\d+(?:\.\d*)?)\s*(s|min|h|d|)", value)
    if match is None or float(match[1]) <= 0:
        raise click.BadParameter(
            f"'{value}' is not a time span; expected one such as 90s, 15min, 36h or 2d", ctx, param
        )
    return float(match[1]) * UNITS_S[match[2]]


def _example(ctx: click.Context, _: click.Parameter, is_given: bool) -> None:
    if is_given:
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
    help="Follow what `tcomp plan --csv` wrote: print what to set next, and when a soak has settled.",
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

    The file only grows; what is there is appended to. Exit code 0: ended as planned; 1: the plan was not done, or something
    was lost; 2: bad input; 3: the chamber was not safe: switch it off by hand. --drive: software is no protection. The chamber
    needs an independent thermal cut-out.

    \b
    Example:  tcomp log --example > bench.toml
              tcomp log bench.toml --for 12h --live bench.html
    """
    from tcomp.bench.session import Session, SessionOptions
    from tcomp.documents.fields import document_text
    from tcomp.job import read_job

    terminal = Terminal(quiet, direct(sys.stderr))
    checked = read_job(job, runs_needed=False)
    if drive:
        from tcomp.report.words import CHAMBER_CAUTIONS

        written_within(lambda: terminal.notify("\n".join(f"warning: {caution}" for caution in CHAMBER_CAUTIONS)))
    views = views_of(terminal, live, every, lines=quiet or plain or not sys.stderr.isatty())
    session = Session(checked, SessionOptions(for_s, plan, drive), views)
    outcome = session.run()
    code = NOT_SAFE if outcome.alarms else 0 if outcome.held else 1
    text, out = document_text(outcome).rstrip("\n") if as_json else _summary(session, outcome), direct(sys.stdout)
    if not written_within(lambda: click.echo(text, file=out)):
        os._exit(code)  # stdout takes nothing, and a regular exit would wait for it
    sys.exit(code)


def views_of(terminal: Terminal, live: Path | None, every_s: float, *, lines: bool) -> tuple[View, ...]:
    """The views of the run: lines or the terminal view, and a page if one is requested; lines come each ``every_s``. [s]"""
    from tcomp.report.live_page import PageView
    from tcomp.report.live_terminal import TerminalView
    from tcomp.report.live_text import PlainView

    pages = (PageView(live, terminal.notify),) if live is not None else ()
    view = PlainView(terminal.notify, every_s, terminal.ring) if lines else TerminalView(terminal.stream)
    return (view, *pages)


def _summary(session: Session, outcome: LogDocument) -> str:
    """What is printed at the end, for people."""
    from tcomp.report.layout import aligned

    faults = ", ".join(f"{count} {kind}" for kind, count in outcome.faults.items()) or "none"
    rows = [
        ("log", outcome.file),
        ("ended", outcome.reason),
        ("rows", str(outcome.rows)),
        ("faults", faults),
    ]
    rows += [("lost lines", str(outcome.lost_lines))] if outcome.lost_lines else []
    rows += [("file fault", text) for text in outcome.file_faults]
    rows += [("ALARM", alarm) for alarm in outcome.alarms]
    text = shown(aligned(rows))
    is_named = session.layout.run is not None and outcome.file == str(session.layout.path)
    if not is_named:
        text += shown(f"\n\nFor `tcomp inspect` and `tcomp build`, put this into {session.job.path}:\n\n{outcome.run}")
    return text
