"""``tcomp apply``: a log of readings, corrected after the fact."""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
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
@click.option("--times", metavar="COLUMN", help="Column with the stamps of a clock that runs on the oscillator.")
@click.option("--mark", metavar="TIME", help="Stamp at which that clock was right [first row].")
@click.option("--job", type=JobFile(), help="Job with the columns [NAME.toml beside NAME.out/].")
@click.option("--into", type=click.Path(path_type=Path), help="Corrected log [LOG-stem.corrected.csv]; - for stdout.")
@click.option("--json", "as_json", is_flag=True, help="Print the results as JSON.")
@click.option("--quiet", is_flag=True, help="No remarks and no progress on stderr.")
def apply(
    promised: Path,
    log: Path,
    frequency: str | None,
    interval: str | None,
    times: str | None,
    mark: str | None,
    job: Path | None,
    into: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Correct the readings in LOG, of an instrument that runs on the oscillator, by a curve.json or table.json.

    A frequency is multiplied by 1 + y, an interval divided by it, with y at the crystal's temperature behind the lag. The
    stamps of a clock are corrected by the integral of y since a mark, at which the clock was right.
    Each row keeps its text and gains the true value and its standard uncertainty, both in the reading's unit, and a
    state: ok, after a start (the lag is not settled), outside range, no reading, no time, no temperature.

    \b
    Example:  tcomp apply gauge07.out/curve.json night.csv --frequency shown_hz
    """
    from tcomp import maintenance
    from tcomp.documents.fields import document_text
    from tcomp.errors import TcompError
    from tcomp.files import whole_file
    from tcomp.report.layout import aligned
    from tcomp.report.upkeep import apply_rows

    if sum(one is not None for one in (frequency, interval, times)) > 1:
        raise TcompError("of --frequency, --interval and --times several are given; expected one of them")
    if mark is not None and times is None:
        raise TcompError("--mark goes with --times: a reading is corrected by itself; leave it out")
    text = next((one for one in (interval, times, frequency) if one is not None), None)
    column = int(text) if text is not None and text.isdecimal() else text
    to_stdout = into == Path("-")
    path = into or Path(f"{log.name.split('.')[0]}.corrected.csv")
    if path.exists() and log.exists() and path.samefile(log):
        raise TcompError(f"{path}: is the log itself; name another file with --into")
    with _stdout() if to_stdout else whole_file(path) as out:
        found = maintenance.apply(
            promised, log, out, Terminal(quiet).notify, job=job, column=column,
            quantity="times" if times is not None else "frequency" if interval is None else "interval",
            mark_s=None if mark is None else _mark_s(mark),
        )  # fmt: skip
    if to_stdout:  # the log is the result; what is said of it goes beside
        Terminal(quiet).notify(document_text(found).rstrip("\n") if as_json else aligned(apply_rows(found)))
        return
    rows = [*apply_rows(found), ("written", str(path))]
    print_result(replace(found, written=str(path)), rows, as_json=as_json)


def _mark_s(text: str) -> float:
    """A stamp as in the log: a number, or a date.

    >>> _mark_s("3600"), _mark_s("1970-01-01T01:00Z")
    (3600.0, 3600.0)
    """
    from tcomp.errors import TcompError

    try:
        return float(text)
    except ValueError:
        pass
    try:
        when = datetime.fromisoformat(text)
    except ValueError as error:
        raise TcompError(
            f"--mark {text}: is no stamp; expected one as in the log: a number, or a date by ISO 8601"
        ) from error
    return (when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp()


@contextmanager
def _stdout() -> Iterator[IO[bytes]]:
    """All that is written arrives, or its loss is reported: without a buffer (PYTHONUNBUFFERED) a write may take a part alone."""
    plain = sys.stdout.buffer
    if not isinstance(plain, io.RawIOBase):
        yield plain
        plain.flush()
        return
    out = io.BufferedWriter(plain)
    yield out
    out.detach()  # and flush
