"""A long log read in blocks holds what the same log holds when it is read as a short one.

All logs are invented: a river gauge's board that is heated and cooled.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tcomp.errors import RunError
from tcomp.job import Job, Oscillator, RunLog, Sensor, read_job_text
from tcomp.logs import cells, long_log
from tcomp.logs.cells import in_cells
from tcomp.logs.cleaning import clean_run
from tcomp.logs.inspection import inspect_run
from tcomp.logs.log_file import read_run
from tcomp.logs.long_log import LongLog
from tcomp.logs.long_run import clean_long_run
from tcomp.logs.prepared import prepare_runs
from tcomp.logs.record import CleanRun
from tcomp.progress import no_progress
from tcomp.report.runs import run_rows

BOARD, SENSOR = Oscillator("gauge 07", nominal_hz=12.8e6), Sensor(resolution_c=0.0625)
ROWS = 9000
NOON_MS = 1_772_452_800_000  # 2026-03-02T12:00:00Z: 20514 days of 86 400 s and 43 200 s (arithmetic)

Lines = list[str]


@pytest.fixture(autouse=True)
def _short_logs_are_long(monkeypatch: pytest.MonkeyPatch) -> None:
    """Some thousand rows are a long log of a dozen blocks, so that the tests are short."""
    monkeypatch.setattr(long_log, "BLOCK_BYTES", 30_000)
    monkeypatch.setattr(cells, "LONG_SAMPLES", 1000)


def lines_of(rows: int = ROWS, stamp: Callable[[int], str] | None = None) -> Lines:
    """A header and a row each second; the temperature comes in steps of 1/16 degC, the frequency with 12 digits."""
    rng = np.random.default_rng(1)
    along = np.arange(rows) / rows
    temperature_c = 20.0 + 40.0 * np.abs((2.0 * along) % 2.0 - 1.0)
    stepped_c = np.round(temperature_c / 0.0625) * 0.0625
    hz = 12.8e6 * (1 + 1e-9 * (-200.0 * (temperature_c - 25.0) + rng.normal(size=rows)))
    said = stamp or iso
    return ["utc,board_c,osc_hz", *(f"{said(i)},{stepped_c[i]:.4f},{hz[i]:.4f}" for i in range(rows))]


def iso(row: int) -> str:
    return str(np.datetime64(NOON_MS + 1000 * row, "ms")) + "Z"


def log_of(tmp_path: Path, lines: Lines, end: str = "\n", **keys: object) -> RunLog:
    file = tmp_path / "log.csv"
    file.write_bytes((end.join(lines) + end).encode())
    given = {"file": file, "time": "utc", "temperature": "board_c", "frequency": "osc_hz", **keys}
    return RunLog(**given)  # type: ignore[arg-type]


def both_ways(log: RunLog) -> tuple[CleanRun, CleanRun]:
    in_blocks = clean_long_run(log, BOARD, SENSOR, no_progress)
    assert in_blocks is not None
    return in_blocks, in_cells(clean_run(read_run(log, BOARD, SENSOR), SENSOR.resolution_c))


def with_fields(lines: Lines, row: int, utc: str = "", board_c: str = "", osc_hz: str = "") -> None:
    """Write other fields into a row; what is not given stays."""
    old = lines[row + 1].split(",")
    new = (utc, board_c, osc_hz)
    lines[row + 1] = ",".join(one or other for one, other in zip(new, old, strict=True))


def plain(lines: Lines) -> None:
    pass


def blank_lines(lines: Lines) -> None:
    lines[3000:3000] = ["", "  "]
    lines[5000:5000] = ["# the lid was opened", "", lines[0]]


def gaps(lines: Lines) -> None:
    del lines[4000:4700]
    del lines[7000:7010]


def duplicates(lines: Lines) -> None:
    for row in (500, 2047, 6000):
        lines[row] = lines[row - 1]
    lines[3000], lines[3001] = lines[3001], lines[3000]


def spikes(lines: Lines) -> None:
    for row in range(400, ROWS, 317):
        with_fields(lines, row, osc_hz="12800128.0000")
    with_fields(lines, 5555, board_c="85.0000")


def words(lines: Lines) -> None:
    for row, word in ((700, "nan"), (1700, "NA"), (2700, "-999"), (3700, "OVLD"), (4700, "Nan")):
        with_fields(lines, row, osc_hz=word)
    with_fields(lines, 5700, board_c="null")
    with_fields(lines, 6700, utc="NA")
    lines[8001] = lines[8001].rsplit(",", 1)[0]


def stuck(lines: Lines) -> None:
    held = lines[3001].split(",")[2]
    for row in range(3000, 3025):
        with_fields(lines, row, osc_hz=held)
    for row in range(6500, 6520):
        with_fields(lines, row, board_c="85.0000")


FAULTS = [plain, blank_lines, gaps, duplicates, spikes, words, stuck]
MISSING = ("-999", "OVLD")


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.__name__)
@pytest.mark.parametrize("end", ["\n", "\r\n"], ids=["newline", "windows"])
def test_blocks_hold_the_rows_of_the_log(tmp_path: Path, fault: Callable[[Lines], None], end: str) -> None:
    lines = lines_of()
    fault(lines)
    log = log_of(tmp_path, lines, end, missing=MISSING)
    long = LongLog.of(log, BOARD, SENSOR)
    assert long is not None
    assert len(long.blocks) > 5
    blocks = [long.rows(*block) for block in long.blocks]
    firsts = np.cumsum([2, *(block.lines for block in blocks)])
    own = [block.part(block.own) for block in blocks]
    whole = read_run(log, BOARD, SENSOR)
    line = np.concatenate([part.line + first for part, first in zip(own, firsts[:-1], strict=True)])
    np.testing.assert_array_equal(line, whole.frame["line"])
    assert firsts[-1] == len(lines) + 1
    for name in ("time_s", "temperature_c", "offset_ppb"):
        found = np.concatenate([getattr(part, name) for part in own])
        # The two readers of numbers may differ in the last bit of a frequency, 2e-9 Hz or 1.5e-7 ppb.
        np.testing.assert_allclose(found, whole.frame[name], rtol=0, atol=3e-7)
    assert long.sample.assumptions == whole.assumptions


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.__name__)
def test_both_ways_drop_the_same_and_give_the_same_cells(tmp_path: Path, fault: Callable[[Lines], None]) -> None:
    lines = lines_of()
    fault(lines)
    one, other = both_ways(log_of(tmp_path, lines, missing=MISSING))
    assert one.dropped_counts == other.dropped_counts
    assert bool(one.dropped_counts) == (fault in (duplicates, spikes, words, stuck))
    assert (one.samples_kept, len(one.gaps)) == (other.samples_kept, len(other.gaps))
    assert one.assumptions == other.assumptions
    for name in ("line", "samples"):
        np.testing.assert_array_equal(one.kept[name], other.kept[name])
    np.testing.assert_allclose(one.kept["noise_ppb"], other.kept["noise_ppb"], rtol=1e-6)
    # How far off a sample is to count less is told by the noise, which rows of all over the file give within a few per
    # cent; so a mean of ten samples, 10 s and 0.9 degC or 180 ppb wide, may move along its own line, which is straight.
    apart_s = (one.kept["time_s"] - other.kept["time_s"]).to_numpy()
    along_ppb = apart_s * one.kept["slope_ppb_per_s"]
    assert np.abs(apart_s).max() < 0.3
    assert np.quantile(np.abs(apart_s), 0.99) < 0.03
    np.testing.assert_allclose(one.kept["offset_ppb"] - along_ppb, other.kept["offset_ppb"], rtol=0, atol=0.05)


@pytest.mark.parametrize(
    "stamp",
    [lambda row: iso(row)[:-1], lambda row: str(NOON_MS + 1000 * row), lambda row: f"{row}.0", lambda row: f"{row}"],
    ids=["no zone", "milliseconds", "elapsed", "elapsed whole"],
)
def test_times_are_taken_alike(tmp_path: Path, stamp: Callable[[int], str]) -> None:
    one, other = both_ways(log_of(tmp_path, lines_of(stamp=stamp)))
    assert (one.time_kind, one.assumptions) == (other.time_kind, other.assumptions)
    np.testing.assert_allclose(one.kept["time_s"], other.kept["time_s"], rtol=0, atol=0.3)


def test_a_block_ends_where_it_may(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    log = log_of(tmp_path, lines_of())
    monkeypatch.setattr(long_log, "BLOCK_BYTES", 10**9)
    whole = both_ways(log)[0]
    for size in (7_001, 29_989):
        monkeypatch.setattr(long_log, "BLOCK_BYTES", size)
        one = both_ways(log)[0]
        for name in ("samples", "line", "time_s", "temperature_c", "offset_ppb", "noise_ppb", "spread_s"):
            np.testing.assert_allclose(one.kept[name], whole.kept[name], rtol=1e-12)


def decimal_comma(lines: Lines) -> None:
    lines[:] = [line.replace(",", ";").replace(".", ",") for line in lines]


def clock_set_back(lines: Lines) -> None:
    for row in range(5000, ROWS):
        with_fields(lines, row, utc=iso(row - 3600))


def stuck_for_blocks(lines: Lines) -> None:
    for row in range(3000, 5500):
        with_fields(lines, row, board_c="85.0000")


@pytest.mark.parametrize("fault", [decimal_comma, clock_set_back, stuck_for_blocks], ids=lambda fault: fault.__name__)
def test_what_cannot_be_told_from_blocks_is_read_as_a_whole(tmp_path: Path, fault: Callable[[Lines], None]) -> None:
    lines = lines_of()
    fault(lines)
    log = log_of(tmp_path, lines)
    assert clean_long_run(log, BOARD, SENSOR, no_progress) is None
    (prepared,) = prepare_runs(job_of(log))
    assert prepared.run.dropped_counts == clean_run(read_run(log, BOARD, SENSOR), 0.0625).dropped_counts
    assert prepared.run.has_cells


def test_text_in_a_number_column_far_down_is_quoted_with_its_line(tmp_path: Path) -> None:
    lines = lines_of()
    with_fields(lines, 7777, osc_hz="O.L")
    with pytest.raises(ValueError, match=r"log\.csv:7779: column 'osc_hz' holds 'O\.L'"):
        prepare_runs(job_of(log_of(tmp_path, lines)))


def test_the_reading_tells_how_far_it_is(tmp_path: Path) -> None:
    log = log_of(tmp_path, lines_of())
    heard: list[tuple[str, float, float, str]] = []
    clean_long_run(log, BOARD, SENSOR, lambda *result: heard.append(result))  # type: ignore[arg-type]
    size_mb = log.file.stat().st_size / 1e6
    assert {(what, of, unit) for what, _, of, unit in heard} == {("reading log.csv", size_mb, "MB")}
    done = [one[1] for one in heard]
    assert done == sorted(done)
    assert len(done) > 5
    assert done[-1] == size_mb


def test_an_inspection_says_that_it_is_of_cells(tmp_path: Path) -> None:
    (prepared,) = prepare_runs(job_of(log_of(tmp_path, lines_of())))
    rows = dict(run_rows(inspect_run(prepared, None)))
    assert rows["log.csv"] == "9000 samples kept, in cells of 10 s, over 2.5 h"
    assert rows["  sensor"].startswith("steps of 0.0625 degC")


def job_of(log: RunLog) -> Job:
    text = '[oscillator]\nname = "gauge 07"\nnominal_hz = 12_800_000\n[sensor]\nresolution_c = 0.0625\n'
    text += f'[[run]]\nfile = "{log.file}"\n'
    return read_job_text(text + 'time = "utc"\ntemperature = "board_c"\nfrequency = "osc_hz"\n')


def restart_late(lines: Lines) -> None:
    """The last 150 rows are of another start of the logger."""
    for row in range(ROWS - 150, ROWS):
        with_fields(lines, row, utc=iso(row - ROWS + 150))


def frozen_to_the_end(lines: Lines) -> None:
    board_c = lines[6001].split(",")[1]
    for row in range(6000, ROWS):
        with_fields(lines, row, board_c=board_c)


def date_stays(lines: Lines) -> None:
    """At a midnight late in the log the date is advanced a hundred rows late."""
    for row in range(ROWS):
        with_fields(lines, row, utc=iso(row + 34_800 - (86_400 if 8400 <= row < 8500 else 0)))


def newest_first(lines: Lines) -> None:
    lines[1:] = lines[:0:-1]


def milliseconds(lines: Lines) -> None:
    for row in range(ROWS):
        with_fields(lines, row, utc=str(1000 * row))
    lines[0] = "t_ms,board_c,osc_hz"


def wrapped(lines: Lines) -> None:
    for row in range(ROWS):
        with_fields(lines, row, utc=str((1000 * row + 2**32 - 8_900_000) % 2**32))
    lines[0] = "t_ms,board_c,osc_hz"


def times_of_day(lines: Lines) -> None:
    for row in range(ROWS):
        with_fields(lines, row, utc=iso(row + 40_000)[11:19])


def units_in_cells(lines: Lines) -> None:
    for row in range(ROWS):
        lines[row + 1] += " Hz"


def blanks(lines: Lines) -> None:
    lines[:] = [line.replace(",", "  ") for line in lines]


@pytest.mark.parametrize(
    "change",
    [
        restart_late,
        frozen_to_the_end,
        date_stays,
        newest_first,
        milliseconds,
        wrapped,
        times_of_day,
        units_in_cells,
        blanks,
    ],
)
def test_a_mistake_is_told_alike_in_blocks_and_at_once(tmp_path: Path, change: Callable[[Lines], None]) -> None:
    lines = lines_of()
    change(lines)
    log = log_of(tmp_path, lines, time=lines[0].replace("  ", ",").split(",")[0])
    in_blocks, at_once = told_of(log, blocks=True), told_of(log, blocks=False)
    assert in_blocks == at_once


def told_of(log: RunLog, *, blocks: bool) -> tuple[object, ...]:
    """What a log holds, or the sentence that refuses it."""
    try:
        run = clean_long_run(log, BOARD, SENSOR, no_progress) if blocks else None
        if run is None:
            run = in_cells(clean_run(read_run(log, BOARD, SENSOR), SENSOR.resolution_c))
    except RunError as error:
        return (str(error),)
    assert run.samples_kept > 2000
    # Cells are as long as the rows that were looked at suggest, so their mean times differ by less than one of them.
    middle_s = float(np.average(run.kept["time_s"], weights=run.kept["samples"]))
    return run.warnings, run.dropped_counts, run.samples_kept, round(middle_s)
