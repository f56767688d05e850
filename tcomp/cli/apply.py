"""``tcomp apply``: a log of readings, corrected after the fact."""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

import click

from tcomp.cli.options import print_result
from tcomp.cli.paths import JobFile, LogFile, ResultFile
from tcomp.cli.terminal import Terminal


@click.command(short_help="Correct readings already logged.")
@click.argument("promised", type=ResultFile(), metavar="TABLE_OR_CURVE")
@click.argument("log", type=LogFile(), metavar="LOG")
@click.option("--frequency", metavar="COLUMN", help="Column with a frequency as shown [that of the job's first run].")
@click.option("--interval", metavar="COLUMN", help="Column with an interval as counted, in any unit.")
@click.option("--job", type=JobFile(), help="Job with the columns [NAME.toml beside NAME.out/].")
@click.option("--into", type=click.Path(path_type=Path), help="Corrected log [LOG-stem.corrected.csv]; - for stdout.")
@click.option("--json", "as_json", is_flag=True, help="Print the results as JSON.")
@click.option("--quiet", is_flag=True, help="No remarks and no progress on stderr.")
def apply(
    promised: Path,
    log: Path,
    frequency: str | None,
    interval: str | None,
    job: Path | None,
    into: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Correct the readings in LOG, of an instrument that runs on the oscillator, by a curve.json or table.json.

    A frequency is multiplied by 1 + y, an interval divided by it, with y at the crystal's temperature behind the lag.
    Each row keeps its text and gains the true value and its standard uncertainty, both in the reading's unit, and a
    state: ok, after a start (the lag is not settled), outside range, no reading, no time, no temperature.

    \b
    Example:  tcomp apply gauge07.out/curve.json night.csv --frequency shown_hz
    """
    from tcomp import upkeep
    from tcomp.errors import TcompError
    from tcomp.files import json_text, whole_file
    from tcomp.report.keep_text import apply_rows
    from tcomp.report.layout import aligned

    if frequency is not None and interval is not None:
        raise TcompError("--frequency and --interval are both given; expected one of them")
    text = interval if interval is not None else frequency
    column = int(text) if text is not None and text.isdecimal() else text
    to_stdout = into == Path("-")
    path = into or Path(f"{log.name.split('.')[0]}.corrected.csv")
    if path.exists() and log.exists() and path.samefile(log):
        raise TcompError(f"{path}: is the log itself; name another file with --into")
    with _stdout() if to_stdout else whole_file(path) as out:
        figures = upkeep.apply(
            promised, log, out, Terminal(quiet).say, job=job, column=column,
            quantity="frequency" if interval is None else "interval",
        )  # fmt: skip
    if to_stdout:  # the log is the result; what is said of it goes beside
        Terminal(quiet).say(json_text(figures).rstrip("\n") if as_json else aligned(apply_rows(figures)))
        return
    print_result(figures | {"written": str(path)}, [*apply_rows(figures), ("written", str(path))], as_json=as_json)


@contextmanager
def _stdout() -> Iterator[IO[bytes]]:
    """All that is written arrives, or is told: without a buffer (PYTHONUNBUFFERED) a write may take a part alone."""
    plain = sys.stdout.buffer
    if not isinstance(plain, io.RawIOBase):
        yield plain
        plain.flush()
        return
    out = io.BufferedWriter(plain)
    yield out
    out.detach()  # and flush
