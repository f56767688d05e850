"""Mistakes that people make with logs: each gives one right sentence and exit code 2, or a line that warns, or is read right.

All logs here are invented: a river gauge's board is warmed and cooled, and its oscillator follows a known parabola, so that
what is read can be compared with what was written.  A row of `MISTAKES` is one mistake; add yours below its kind.
"""

from __future__ import annotations

import gzip
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from tcomp.cli import main
from tcomp.job import read_job
from tcomp.logs.prepared import prepare_runs

NOMINAL_HZ = 10e6
ROWS = 160
INTERVAL_S = 10.0
ELAPSED_S = INTERVAL_S * np.arange(ROWS)
# Up and down by 1.9 degC/min, as a homemade chamber does; a step of the sensor is 0.01 degC.
BOARD_C = np.round(np.interp(np.arange(ROWS), [0, ROWS / 2, ROWS - 1], [5.0, 30.0, 6.0]), 2)
OFFSET_PPB = np.round(3000.0 - 20.0 * (BOARD_C - 25.0) ** 2 / 10.0 + 10.0 * BOARD_C, 3)
OSC_HZ = NOMINAL_HZ * (1.0 + 1e-9 * OFFSET_PPB)
START = datetime(2026, 3, 2, 23, 50, tzinfo=UTC)
STAMPS = [START + timedelta(seconds=float(one)) for one in ELAPSED_S]

Cells = Sequence[object]


def table(separator: str = ",", **columns: Cells) -> str:
    """A log with a header; numbers with all their digits."""
    rows = zip(*columns.values(), strict=True)
    return "\n".join([separator.join(columns), *(separator.join(map(cell, row)) for row in rows)]) + "\n"


def cell(value: object) -> str:
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def elapsed(time: str = "elapsed_s", values: Cells = tuple(ELAPSED_S), board: Cells = tuple(BOARD_C)) -> str:
    """A log with the time since a start."""
    return table(**{time: values, "board_c": board, "osc_hz": [f"{one:.4f}" for one in OSC_HZ]})


def stamped(stamps: Cells, **more: Cells) -> str:
    return table(**{"utc": stamps, "board_c": tuple(BOARD_C), "osc_hz": [f"{one:.4f}" for one in OSC_HZ], **more})


def offsets(unit_ppb: float, name: str = "off") -> str:
    return table(**{"elapsed_s": tuple(ELAPSED_S), "board_c": tuple(BOARD_C), name: tuple(OFFSET_PPB / unit_ppb)})


def job(
    time: str = '"elapsed_s"',
    quantity: str = 'frequency = "osc_hz"',
    *,
    more: str = "",
    sensor: str = "",
    file: str = "log.csv",
) -> str:
    """A job with one run."""
    return (
        f'[oscillator]\nname = "gauge 07"\nnominal_hz = {NOMINAL_HZ:.0f}\n[[run]]\nfile = "{file}"\ntime = {time}\n'
        f'temperature = "board_c"\n{quantity}\n{more}\n[sensor]\n{sensor}\n'
    )


def in_unit(unit: str, name: str = "off") -> str:
    return job(quantity=f'offset = "{name}"\noffset_unit = "{unit}"')


BY_NUMBER = job("1", "frequency = 3").replace('temperature = "board_c"', "temperature = 2")
UTC_JOB = job('"utc"')


@dataclass(frozen=True, kw_only=True)
class Mistake:
    """A log and a job, and one of: the sentence of a refusal, a warning, or what is said where the log is read right."""

    log: str | bytes
    job: str = job()
    refused: str = ""
    warning: str = ""
    read: str = ""
    file: str = "log.csv"


def clock(hours: float, form: str) -> list[str]:
    return [(one + timedelta(hours=hours)).strftime(form) for one in STAMPS]


def in_cells(column: Callable[[float], str], where: str = "osc") -> str:
    """The log with semicolons, one column written in another way."""
    written = {"board": [f"{one:.2f}" for one in BOARD_C], "osc": [f"{one:.4f}" for one in OSC_HZ]}
    written[where] = [column(float(one)) for one in (BOARD_C if where == "board" else OSC_HZ)]
    return table(";", elapsed_s=tuple(ELAPSED_S), board_c=written["board"], osc_hz=written["osc"])


FROZEN_C = np.where(np.arange(ROWS) < 110, BOARD_C, BOARD_C[110])
RESTARTED_S = np.where(np.arange(ROWS) < 90, ELAPSED_S, ELAPSED_S - ELAPSED_S[90])
TIMES: dict[str, Mistake] = {
    "milliseconds by name": Mistake(
        log=elapsed("t_ms", tuple(1e3 * ELAPSED_S)),
        job=job('"t_ms"'),
        read="Times are taken as milliseconds since a start, by the name",
    ),
    "millis of a board": Mistake(
        log=elapsed("millis", tuple(1e3 * ELAPSED_S)), job=job('"millis"'), read="taken as milliseconds"
    ),
    "microseconds by name": Mistake(
        log=elapsed("micros", tuple(1e6 * ELAPSED_S)), job=job('"micros"'), read="taken as microseconds"
    ),
    "minutes by name": Mistake(
        log=elapsed("time_min", tuple(ELAPSED_S / 60)), job=job('"time_min"'), read="taken as minutes"
    ),
    "hours by name": Mistake(log=elapsed("hours", tuple(ELAPSED_S / 3600)), job=job('"hours"'), read="taken as hours"),
    "days by name": Mistake(
        log=elapsed("Elapsed (days)", tuple(ELAPSED_S / 86400)), job=job('"Elapsed (days)"'), read="taken as days"
    ),
    "minutes by the job": Mistake(
        log=elapsed("x", tuple(ELAPSED_S / 60)), job=job('"x"', more='time_unit = "min"'), read=""
    ),
    "milliseconds without a name": Mistake(
        log=elapsed("x", tuple(1e5 * ELAPSED_S)),
        job=job('"x"'),
        warning=r'the log would last 1840 days: .*time_unit = "ms"',
    ),
    "hours without a name": Mistake(
        log=elapsed("x", tuple(ELAPSED_S / 3600)),
        job=job('"x"'),
        warning=r'the temperature would move by .* degC/min: .*time_unit = "h"',
    ),
    "an interval in minutes": Mistake(
        log=elapsed(),
        job=job().replace('time = "elapsed_s"', "interval_s = 0.1667"),
        warning="the temperature would move by 1.* degC/min",
    ),
    "row numbers as the time": Mistake(
        log=elapsed("row", tuple(range(ROWS))),
        job=job('"row"'),
        warning="'row' seems to count the rows and is taken as seconds.*interval_s",
    ),
    "a spreadsheet's date": Mistake(
        log=elapsed("when", [f"{46_083 + (85_800 + one) / 86_400:.9f}" for one in ELAPSED_S]),
        job=job('"when"'),
        read=r"the serial date of a spreadsheet \(days since 1899-12-30\)",
    ),
    "a Julian Date": Mistake(
        log=elapsed("jd", [f"{2_461_101.5 + (85_800 + one) / 86_400:.9f}" for one in ELAPSED_S]),
        job=job('"jd"'),
        read="taken as Julian Date",
    ),
    "digits joined": Mistake(
        log=stamped(clock(0, "%Y%m%d%H%M%S")),
        job=UTC_JOB,
        refused=r'log.csv: column \'utc\' holds 20260302235000, .*time_format = "%Y%m%d%H%M%S"',
    ),
    "digits joined, as the job says": Mistake(
        log=stamped(clock(0, "%Y%m%d%H%M%S")), job=job('"utc"', more='time_format = "%Y%m%d%H%M%S"'), read="no zone"
    ),
    "a time of day in digits": Mistake(
        log=stamped(clock(-4, "%H%M%S")),
        job=UTC_JOB,
        refused=r'holds 195000 and never ends in 60 to 99.*time_format = "%H%M%S"',
    ),
    "a time of day in digits over midnight, as the job says": Mistake(
        log=stamped([one.lstrip("0") or "0" for one in clock(0, "%H%M%S")]),
        job=job('"utc"', more='time_format = "%H%M%S"'),
        read="continued, first at",
    ),
    "elapsed hours, minutes and seconds": Mistake(
        log=stamped([str(timedelta(seconds=float(one))) for one in ELAPSED_S]), job=UTC_JOB, read="Times have no date"
    ),
    "a time of day over midnight": Mistake(
        log=stamped(clock(0, "%H:%M:%S")), job=UTC_JOB, read="continued, first at line 62"
    ),
    "AM and PM without a date": Mistake(
        log=stamped(clock(0, "%I:%M:%S %p")), job=UTC_JOB, read="continued, first at line 62"
    ),
    "minutes and seconds": Mistake(
        log=stamped(clock(0, "%M:%S")),
        job=job('"utc"', more='time_format = "%M:%S"'),
        read="continued, first at line 62",
    ),
    "hours and minutes": Mistake(
        log=stamped([f"{int(one // 60)}:{int(one % 60):02d}" for one in ELAPSED_S]),
        job=UTC_JOB,
        warning=r"as hours and minutes; .*time_format = \"%M:%S\"",
    ),
    "AM and PM with a date": Mistake(
        log=stamped(clock(0, "%m/%d/%Y %I:%M:%S %p")),
        job=UTC_JOB,
        refused=r'log.csv:2: .*time_format = "%m/%d/%Y %I:%M:%S %p"',
    ),
    "AM and PM with an ISO date": Mistake(
        log=stamped(clock(0, "%Y-%m-%d %I:%M:%S %p")),
        job=UTC_JOB,
        refused=r'log.csv:2: .*time_format = "%Y-%m-%d %I:%M:%S %p"',
    ),
    "a date that stays at midnight": Mistake(
        log=stamped([f"2026-03-02 {one}" for one in clock(0, "%H:%M:%S")]),
        job=UTC_JOB,
        read="The date does not advance at midnight.*line 62",
    ),
    "day and month swapped": Mistake(
        log=stamped(clock(0, "%d/%m/%Y %H:%M:%S")),
        job=job('"utc"', more='time_format = "%m/%d/%Y %H:%M:%S"'),
        warning="at line 62 the time jumps ahead by 27 days .*day and month are probably swapped",
    ),
    "stamps of whole minutes": Mistake(
        log=stamped(clock(0, "%Y-%m-%dT%H:%MZ")),
        job=UTC_JOB,
        refused="log.csv:3: 133 of 160 rows have the time of the row before.*interval_s",
    ),
    "a date alone": Mistake(
        log=stamped(clock(0, "%Y-%m-%d")), job=UTC_JOB, refused="holds '2026-03-02', a date without a time of day"
    ),
    "a clock that starts anew": Mistake(
        log=elapsed(values=tuple(RESTARTED_S)),
        refused="log.csv:92: the clock goes back from 890 s to 0 s and runs on from there.*split it",
    ),
    "two logs in one file": Mistake(
        log=elapsed() + elapsed().split("\n", 1)[1], refused="log.csv:162: the clock goes back from 1590 s to 0 s"
    ),
    "a counter of 32 bits": Mistake(
        log=elapsed("micros", [int(1e6 * one + 4_000_000_000) % 2**32 for one in ELAPSED_S]),
        job=job('"micros"'),
        read=r"wraps at 2\^32 counts and is continued, first at line 32",
    ),
    "the newest row first": Mistake(
        log="\n".join([elapsed().split("\n")[0], *elapsed().split("\n")[-2:0:-1], ""]),
        read="The newest row comes first, so the log was reversed",
    ),
    "a unit behind the time": Mistake(
        log=elapsed("t", [f"{1e3 * one:.0f} ms" for one in ELAPSED_S]),
        job=job('"t"'),
        read="taken as milliseconds since a start, by the unit",
    ),
    "time_unit with stamps": Mistake(
        log=stamped(clock(0, "%Y-%m-%dT%H:%M:%SZ")),
        job=job('"utc"', more='time_unit = "s"'),
        refused="but time_unit goes with plain numbers",
    ),
}

SENSORS: dict[str, Mistake] = {
    "degF by name": Mistake(
        log=elapsed(board=tuple(BOARD_C * 1.8 + 32)).replace("board_c", "board_f"),
        job=job().replace("board_c", "board_f"),
        warning="column 'board_f' sounds like degF; .*degc_per_count = 0.5555556",
    ),
    "degF by value": Mistake(log=elapsed(board=tuple(BOARD_C * 1.2 + 50)), warning="but .* look like degF"),
    "degF in the cells": Mistake(
        log=in_cells(lambda c: f"{c * 1.8 + 32:.2f} F", "board"),
        refused="log.csv:2: .*holds numbers in 'F', which are not degC; give",
    ),
    "kelvin": Mistake(log=elapsed(board=tuple(BOARD_C + 273.15)), refused="they look like kelvin; if they are, give"),
    "tenths of a degC": Mistake(
        log=elapsed(board=tuple(np.round(10 * BOARD_C))),
        refused=r"they look like tenths of a degC; if they are, give .*degc_per_count = 0.1",
    ),
    "tenths of a cool board": Mistake(
        log=elapsed(board=tuple(np.round(10 * (BOARD_C / 2 + 3)))),
        warning="in whole numbers look like tenths of a degC; .*degc_per_count = 0.1",
    ),
    "thousandths of a degC": Mistake(
        log=elapsed(board=tuple(np.round(1000 * BOARD_C))),
        refused=r"they look like thousandths of a degC; .*degc_per_count = 0.001",
    ),
    "thousandths, as the job says": Mistake(
        log=elapsed(board=tuple(np.round(1000 * BOARD_C))),
        job=job(sensor='kind = "linear"\ndegc_per_count = 0.001'),
        read="",
    ),
    "columns swapped": Mistake(
        log=elapsed(),
        job=job(quantity='frequency = "board_c"').replace('temperature = "board_c"', 'temperature = "osc_hz"'),
        refused="they look like frequencies: see whether two columns are swapped",
    ),
    "a set-point for a temperature": Mistake(
        log=elapsed().replace("board_c", "setpoint_c"),
        job=job().replace("board_c", "setpoint_c"),
        warning="'setpoint_c' sounds like a set-point",
    ),
    "a sensor that freezes for good": Mistake(
        log=elapsed(board=tuple(FROZEN_C)),
        warning="the sensor stands still at .* degC from line 112 to 161 while the offset moves by .*50 samples are left out",
    ),
    "a unit behind the temperature": Mistake(
        log=in_cells(lambda c: f"{c:.2f} C", "board"),
        read="The unit 'C' behind the numbers of column 'board_c' was taken off",
    ),
}

QUANTITIES: dict[str, Mistake] = {
    "ppm where ppb are meant": Mistake(
        log=offsets(1.0), job=in_unit("ppm"), refused='offset_unit = "ppm" is probably wrong; "ppb" would fit'
    ),
    "some offsets beyond any crystal": Mistake(
        log=table(elapsed_s=tuple(ELAPSED_S), board_c=tuple(BOARD_C), off=tuple(np.linspace(-2600.0, 2600.0, ROWS))),
        job=in_unit("ppm"),
        refused='% of the offsets are beyond the 2000 ppm of any crystal: offset_unit = "ppm" is probably wrong; "ppb" would fit',
    ),
    "a span beyond any crystal": Mistake(
        log=table(elapsed_s=tuple(ELAPSED_S), board_c=tuple(BOARD_C), off=tuple(np.linspace(-600.0, 600.0, ROWS))),
        job=in_unit("ppm"),
        refused='the offsets span 1080 ppm, .*"ppb" would fit',
    ),
    "a pure number as ppb": Mistake(
        log=offsets(1e9),
        job=in_unit("ppb"),
        refused='the counter probably runs on .*offset_unit = "ppb" is probably wrong; "1" would fit',
    ),
    "a name that says another unit": Mistake(
        log=offsets(1.0, "off_ppm"),
        job=in_unit("ppb", "off_ppm"),
        warning="""'off_ppm' is taken in the unit "ppb", but its name says ppm""",
    ),
    "seconds per day": Mistake(log=offsets(1e9 / 86_400), job=in_unit("s/day"), read=""),
    # A month is a twelfth of 365.25 days.
    "seconds per month": Mistake(log=offsets(1e9 / (86_400 * 365.25 / 12)), job=in_unit("s/month"), read=""),
    "parts in ten to the eighth": Mistake(log=offsets(10.0), job=in_unit("1e-8"), read=""),
    "Hz off the nominal": Mistake(log=offsets(1e9 / NOMINAL_HZ), job=in_unit("Hz"), read=""),
    "Hz off a nominal that is not given": Mistake(
        log=offsets(100.0),
        job=in_unit("Hz").replace("nominal_hz = 10000000\n", ""),
        refused=r'job.toml:\d+: offset_unit = "Hz" needs \[oscillator\] nominal_hz',
    ),
    "Hz off the nominal as the frequency": Mistake(
        log=offsets(100.0, "osc_hz"),
        refused='seems to hold deviations from the nominal; name it as offset, with offset_unit = "Hz"',
    ),
    "periods": Mistake(
        log=in_cells(lambda hz: f"{1e9 / hz:.10f}"),
        refused="seems to hold periods in ns; log the frequency, which is 1 / period",
    ),
    "counts over a gate": Mistake(
        log=in_cells(lambda hz: f"{10 * hz:.2f}"), refused="seems to count over a gate of 10 s; divide it by that"
    ),
    "another unit in the cells": Mistake(
        log=in_cells(lambda hz: f"{hz / 1e6:.10f} MHz"),
        refused='holds numbers in \'MHz\', but frequency_unit = "Hz"; give frequency_unit = "MHz"',
    ),
    "too few digits": Mistake(
        log=in_cells(lambda hz: f"{hz:.5E}"),
        refused="log.csv:2: column 'osc_hz' holds '1.00000E.07', numbers of too few digits",
    ),
    "an unknown unit": Mistake(
        log=offsets(1.0), job=in_unit("s/week"), refused=r'offset_unit = "s/week": expected "1" or "ppm"'
    ),
}

LAYOUTS: dict[str, Mistake] = {
    "blanks between fields": Mistake(log=elapsed().replace(",", "   "), read="Fields are separated by blanks"),
    "blanks, as the job says": Mistake(log=elapsed().replace(",", " "), job=job(more='separator = " "'), read=""),
    "blanks without a header": Mistake(
        log=re.sub(r"(?m)^", "  ", elapsed().replace(",", "  ").split("\n", 1)[1]),
        job=BY_NUMBER,
        read="Fields are separated by blanks",
    ),
    "date and time of day between blanks": Mistake(
        log=stamped(clock(0, "%Y-%m-%d %H:%M:%S")).replace(",", " "),
        job=UTC_JOB,
        refused=r"the row has 4 fields, the header .* 3; .*time = \[1, 2\]",
    ),
    "thousands marks": Mistake(
        log=in_cells(lambda hz: f"{hz:,.4f}"), read="Thousands marks in column 'osc_hz' were taken off"
    ),
    "thousands blanks": Mistake(
        log=in_cells(lambda hz: f"{hz:,.4f}".replace(",", " ")), read="Thousands marks in column 'osc_hz'"
    ),
    "thousands marks in quotes": Mistake(
        log=in_cells(lambda hz: f'"{hz:,.4f}"').replace(";", ","), read="Thousands marks in column 'osc_hz'"
    ),
    "thousands marks between commas": Mistake(
        log=in_cells(lambda hz: f"{hz:,.4f}").replace(";", ","),
        refused="log.csv:2: .*the commas in 10,000,0.* look like those between fields",
    ),
    "decimal commas between commas": Mistake(
        log=in_cells(lambda hz: f"{hz:.4f}".replace(".", ",")).replace(";", ","),
        refused="log.csv:2: the row has 4 fields.*a decimal comma looks like a comma between",
    ),
    "a unit behind the frequency": Mistake(
        log=in_cells(lambda hz: f"{hz:.4f} Hz"), read="The unit 'Hz' behind the numbers of column 'osc_hz'"
    ),
    "a unit here and there": Mistake(
        log=in_cells(lambda hz: f"{hz:.4f}").replace(".0\n", "\n", 1).replace(";5.00;", ";5.00 C;"),
        refused="holds '5.00 C'",
    ),
    "a column too narrow": Mistake(
        log=in_cells(lambda hz: "########" if hz > 10_000_031.0 else f"{hz:.4f}"),
        refused="'########', which a spreadsheet writes",
    ),
    "a comment above rows without a header": Mistake(
        log="# gauge 7, warm day, no wind\n" + elapsed().split("\n", 1)[1], job=BY_NUMBER, read=""
    ),
    "names for a log without a header": Mistake(
        log=elapsed().split("\n", 1)[1],
        refused="there is no column 'elapsed_s' and no header, .*columns by number, 1 to 3",
    ),
    "columns from 0": Mistake(
        log=elapsed(),
        job=BY_NUMBER.replace("time = 1", "time = 0"),
        refused="there is no column 0; the columns are 1 to 3",
    ),
    "a workbook": Mistake(
        log=b"PK\x03\x04" + bytes(range(256)),
        refused="log.csv: is not a text log but a zip archive or a spreadsheet's workbook; save the sheet as CSV",
    ),
    "an old workbook": Mistake(
        log=b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), refused="is not a text log but a spreadsheet's workbook"
    ),
    "random bytes": Mistake(
        log=np.random.RandomState(7).bytes(5000), refused="log.csv: is not text but binary data; give a log of rows"
    ),
    "random bytes, packed": Mistake(
        log=gzip.compress(np.random.RandomState(7).bytes(5000), mtime=0),
        file="log.csv.gz",
        job=job(file="log.csv.gz"),
        refused="is not text but binary data",
    ),
    "a web page": Mistake(
        log="<!DOCTYPE html>\n<html><body>404</body></html>\n", refused="is not a text log but a web page"
    ),
    "JSON": Mistake(log='{"t": 0, "board_c": 20.0, "osc_hz": 1e7}\n', refused="is JSON, which is not read"),
    "a Parquet file by another name": Mistake(
        log=b"PAR1" + bytes(100), refused="is not a text log but a Parquet file; give it a name that ends in .parquet"
    ),
    "nothing but a header": Mistake(log=elapsed().split("\n")[0] + "\n", refused="holds no rows"),
}

MISTAKES = TIMES | SENSORS | QUANTITIES | LAYOUTS


def run(*words: str) -> Result:
    return CliRunner().invoke(main, list(words), catch_exceptions=False)


def written(folder: Path, mistake: Mistake) -> Path:
    log = mistake.log if isinstance(mistake.log, bytes) else mistake.log.encode()
    (folder / mistake.file).write_bytes(log)
    (folder / "job.toml").write_text(mistake.job)
    return folder / "job.toml"


@pytest.mark.parametrize("mistake", MISTAKES.values(), ids=MISTAKES)
def test_a_mistake_in_a_log_is_refused_warned_of_or_read_right(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, mistake: Mistake
) -> None:
    monkeypatch.chdir(tmp_path)
    job_file = written(tmp_path, mistake)
    if mistake.refused:
        result = run("inspect", "job.toml", "--quiet")
        assert result.exit_code == 2, result.stdout
        assert result.stdout == ""
        (sentence,) = result.stderr.splitlines()
        assert re.search(mistake.refused, sentence), sentence
    elif mistake.warning:
        result = run("inspect", "job.toml", "--quiet")
        assert result.exit_code == 0, result.stderr
        warnings = [line for line in result.stdout.splitlines() if line.startswith("  warning")]
        assert len(warnings) == 1, result.stdout
        assert re.search(mistake.warning, warnings[0]), warnings[0]
    else:
        (prepared,) = prepare_runs(read_job(job_file))
        assert prepared.run.warnings == ()
        assert re.search(mistake.read, "\n".join(prepared.run.assumptions)), prepared.run.assumptions
        kept = prepared.run.kept
        # Rows are written with 0.1 mHz of 10 MHz, 0.01 ppb; temperatures with 0.01 degC; times with 9 digits of a day.
        np.testing.assert_allclose(kept["time_s"] - kept["time_s"].iloc[0], ELAPSED_S, rtol=0, atol=1e-4)
        np.testing.assert_allclose(kept["temperature_c"], BOARD_C, rtol=0, atol=6e-3)
        np.testing.assert_allclose(kept["offset_ppb"], OFFSET_PPB, rtol=0, atol=2e-2)


def headerless(separator: str = ",") -> str:
    return elapsed().replace(",", separator).split("\n", 1)[1]


@dataclass(frozen=True, kw_only=True)
class Started:
    """A log, what `tcomp start` writes for it, and what it says of that; ``nominal`` is what the user has to add."""

    log: str
    job: tuple[str, ...]
    said: str = ""
    add: str = ""


STARTED: dict[str, Started] = {
    "a comment with commas above rows": Started(
        log="# gauge 7, warm day, no wind\n" + headerless(),
        job=("time = 1\n", "temperature = 2\n", "frequency = 3\n"),
        said="the log has no header",
    ),
    "names in a comment": Started(
        log="# elapsed_s, board_c, osc_hz\n" + headerless(),
        job=('time = "elapsed_s"', 'temperature = "board_c"', 'frequency = "osc_hz"'),
    ),
    "blanks and no header": Started(
        log=headerless(" "), job=("time = 1\n", "frequency = 3\n"), said="by their numbers"
    ),
    "blanks below a header": Started(
        log=elapsed().replace(",", " "), job=('time = "elapsed_s"', 'frequency = "osc_hz"')
    ),
    "Hz off the nominal": Started(
        log=offsets(100.0, "freq_error_hz"),
        job=('offset = "freq_error_hz"', 'offset_unit = "Hz"', "# nominal_hz ="),
        said="is taken as Hz off the nominal: fill in nominal_hz",
        add="nominal_hz = 10e6",
    ),
    "df": Started(
        log=offsets(100.0, "df"),
        job=('offset = "df"',),
        said="no column looks like the unit of the offset",
        add='offset_unit = "Hz"\nnominal_hz = 10e6',
    ),
    "seconds per day": Started(log=offsets(1e9 / 86_400, "gain_s_per_day"), job=('offset_unit = "s/day"',)),
    "parts in ten to the ninth": Started(log=offsets(1.0, "offset_e-9"), job=('offset_unit = "1e-9"',)),
    "parts per trillion": Started(log=offsets(1e-3, "y_ppt"), job=('offset_unit = "ppt"',)),
    "milliseconds": Started(
        log=elapsed("millis", tuple(1e3 * ELAPSED_S)),
        job=('time_unit = "ms"',),
        said="time_unit = 'ms' is taken from the name",
    ),
    "hours": Started(log=elapsed("hours", tuple(ELAPSED_S / 3600)), job=('time_unit = "h"',)),
    "thousandths of a degC": Started(
        log=elapsed(board=tuple(np.round(1000 * BOARD_C))),
        job=('kind = "linear"', "degc_per_count = 0.001"),
        said="1000 counts per degC by its size",
    ),
    "a set-point and a measurement": Started(
        log=table(
            elapsed_s=tuple(ELAPSED_S),
            setpoint_c=tuple(np.round(BOARD_C)),
            board_c=tuple(BOARD_C),
            osc_hz=[f"{one:.4f}" for one in OSC_HZ],
        ),
        job=('temperature = "board_c"',),
    ),
    "a unit in the cells": Started(log=in_cells(lambda c: f"{c:.2f} C", "board"), job=('temperature = "board_c"',)),
    "AM and PM": Started(
        log=stamped(clock(0, "%m/%d/%Y %I:%M:%S %p")),
        job=('time_format = "%m/%d/%Y %I:%M:%S %p"',),
        said="reads the times",
    ),
    "digits joined": Started(log=stamped(clock(0, "%Y%m%d%H%M%S")), job=('time_format = "%Y%m%d%H%M%S"',)),
    "times of day": Started(
        log=stamped(clock(0, "%H:%M:%S")), job=('time = "utc"',), said="continued at each midnight"
    ),
}


@pytest.mark.parametrize("started", STARTED.values(), ids=STARTED)
def test_a_job_that_is_begun_for_a_log_reads_it_right(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, started: Started
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "log.csv").write_text(started.log)
    result = run("start", "log.csv")
    assert result.exit_code == 0, result.stderr
    text = (tmp_path / "job.toml").read_text()
    for line in started.job:
        assert re.search(rf"(?m)^{re.escape(line)}", text), (line, text)
    assert re.search(started.said, result.stderr), result.stderr
    for line in started.add.splitlines():
        text = text.replace(f"# {line.split(' =')[0]} =", line, 1)
    (tmp_path / "job.toml").write_text(text)
    (prepared,) = prepare_runs(read_job("job.toml"))
    kept = prepared.run.kept
    np.testing.assert_allclose(kept["time_s"] - kept["time_s"].iloc[0], ELAPSED_S, rtol=0, atol=1e-4)
    np.testing.assert_allclose(kept["temperature_c"], BOARD_C, rtol=0, atol=6e-3)
    np.testing.assert_allclose(kept["offset_ppb"], OFFSET_PPB, rtol=0, atol=2e-2)


@pytest.mark.parametrize("word", ["--out", "--output", "-o"])
def test_the_option_for_the_results_is_named_to_who_asks_for_another(word: str) -> None:
    for command in ("build", "inspect", "apply", "start"):
        result = run(command, word, "x")
        assert result.exit_code == 2
        assert "--into" in result.stderr


def test_a_range_that_ends_at_round_off_ends_at_0(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    written(tmp_path, Mistake(log=elapsed(board=["4.392e-13", *(BOARD_C[1:] - 5.0)])))
    result = run("inspect", "job.toml")
    assert "range    0 to 25 degC" in result.stdout
    assert "e-1" not in result.stdout


def test_there_are_as_many_mistakes_as_people_make() -> None:
    assert len(MISTAKES) >= 70
