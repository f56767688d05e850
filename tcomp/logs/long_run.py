"""A long log becomes a clean run of cells, block by block, in an amount of memory that does not grow with its length.

`logs/long_log.py` looks at the head of a log and at rows from all over it, reads them as short logs are read, and so finds
how the rest is written. The rest is read in blocks by a fast reader of typed columns; a block in which anything is odd is
read as short logs are. `logs/long_run.py` cleans each block by the rules of short runs (`faults`), with 64 rows of its
neighbours beside it, and puts it into the cells of one grid; both blocks must see alike what is stuck between them, and
times must go on. What blocks cannot tell (a clock that is set back, a value stuck for longer than a block, text where a
number belongs) makes `clean_long_run` give None, and the log is read as a whole, cleaned, and put into cells by
`in_cells`. So there is one set of rules, and `tests/test_logs_long_log.py` holds one way against the other.

From there on a cell is a sample whose `Samples.cells` say more:

- The curve's columns are the mean over two points, a standard deviation to either side of the cell's temperature: exact
  for a cubic. The filter's input is corrected for the chord between samples, a twelfth of a cell's length squared times the
  second derivative. With both, a lag of 170 s comes out alike within a thousandth of a second from cells of 10 s and from samples
  of 1 s.
- Samples are weighed by Tukey's function within their cell, cells by their own scatter, by a function twice as wide:
  means of normal noise are to pass, corners that a cell cannot follow are not.
- Scores, residuals and effective samples are stated for single samples (`estimation/single_samples.py`).
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from tcomp.job import Oscillator, RunLog, Sensor
from tcomp.logs.cells import CellGrid, CellSums, cell_frame, cell_sums, dropped_frame, joined, run_of_cells
from tcomp.logs.cleaning import REASONS, STUCK_COUNTER, STUCK_SENSOR, Codes, faults, refuse_useless
from tcomp.logs.long_log import AROUND_ROWS, LongLog, NotAlikeError, Rows
from tcomp.logs.neighbours import quantum_of
from tcomp.logs.record import CleanRun
from tcomp.progress import ProgressCallback

if TYPE_CHECKING:
    import pandas as pd

STUCK = tuple(REASONS.index(reason) for reason in (STUCK_SENSOR, STUCK_COUNTER))
COMPARED = AROUND_ROWS // 2
"""Rows on either side of a block's end that both blocks must judge alike."""


@dataclass(frozen=True, eq=False)
class _Stuck:
    """Which values are stuck around both ends of a block, as judged from that block: the last rows before it, its own first and
    last, and the first behind it."""

    before: Codes
    first: Codes
    last: Codes
    behind: Codes


@dataclass(frozen=True, eq=False)
class _Cleaned:
    """What is kept of a block, and what is compared with its neighbours.

    ``first`` and ``last`` are the samples of its first and last cell, which may continue in the neighbouring blocks; ``inner``
    are the cells between.  A block within one cell has only a ``first``.
    """

    first: Rows
    inner: CellSums | None
    last: Rows | None
    dropped: pd.DataFrame | None
    lines: int
    first_s: float
    last_s: float
    stuck: _Stuck


@dataclass(frozen=True)
class _Cleaner:
    """Cleans blocks and reduces them to cells."""

    long: LongLog
    grid: CellGrid
    quantum_c: float
    quantum_ppb: float

    def __call__(self, block: tuple[int, int]) -> _Cleaned:
        rows = self.long.rows(*block)
        dropped, _ = faults(
            rows.time_s, rows.temperature_c, rows.offset_ppb,
            ordered=True, quantum_c=self.quantum_c, quantum_ppb=self.quantum_ppb,
        )  # fmt: skip
        codes, own = dropped[rows.own], rows.part(rows.own)
        kept = own.part(codes == 0) if codes.any() else own
        first, inner, last = self._parts(kept)
        return _Cleaned(
            first, inner, last,
            dropped=_dropped(own, codes, self.grid),
            lines=rows.lines,
            first_s=float(kept.time_s.min(initial=np.inf)),
            last_s=float(kept.time_s.max(initial=-np.inf)),
            stuck=_stuck_at_ends(dropped, rows),
        )  # fmt: skip

    def _parts(self, kept: Rows) -> tuple[Rows, CellSums | None, Rows | None]:
        """The samples of the first cell, the cells between, and the samples of the last."""
        starts = self.grid.starts(kept.time_s)[1] if len(kept.time_s) else np.empty(0, dtype=np.int64)
        if len(starts) < 2:
            return Rows.joined([kept]), None, None
        inner = kept.part(slice(starts[1], starts[-1]))
        sums = _sums(inner, self.grid) if len(inner.time_s) else None
        # Copies: views of the block's arrays would keep all of it in memory.
        first, last = (Rows.joined([kept.part(part)]) for part in (slice(starts[1]), slice(starts[-1], None)))
        return first, sums, last


def clean_long_run(log: RunLog, oscillator: Oscillator, sensor: Sensor, progress: ProgressCallback) -> CleanRun | None:
    """Read and clean a long log, reduced to cells; None if it must be read as a short one.

    The steps of sensor and counter, the interval and the length of a cell are found from rows of all over the file.

    Raises
    ------
    RunError
        No sample is kept, or all have the same temperature or offset.
    """
    long = LongLog.of(log, oscillator, sensor)
    if long is None:
        return None
    cleaner = _cleaner(long)
    if cleaner is None:
        return None
    whole = _Whole(cleaner.grid, long.dialect.first_line)
    try:
        _read_into(whole, cleaner, long.blocks, progress)
    except NotAlikeError:
        return None
    cells = whole.cells()
    if cells is None:
        return None
    sample = long.sample
    about = CleanRun(
        log.file.name, sample.time_kind, sample.frame, (), sample.assumptions, 0.0, cleaner.quantum_c, cleaner.quantum_ppb,
        float(sample.frame["offset_ppb"].iloc[0]), sample.warnings,
    )  # fmt: skip
    run = run_of_cells(about, cell_frame(cells), whole.dropped)
    refuse_useless(run)
    return run


def _cleaner(long: LongLog) -> _Cleaner | None:
    """How to clean a log, from some of its rows; None where these are not in order, or too few."""
    frame = long.sample.frame
    columns = frame[["time_s", "temperature_c", "offset_ppb"]].to_numpy()
    time_s, temperature_c, offset_ppb = columns[np.isfinite(columns).all(axis=1)].T
    if long.sample.time_kind == "none" or len(time_s) < AROUND_ROWS or not np.all(np.diff(time_s) > 0):
        return None
    quantum_c = long.sensor.resolution_c if long.sensor.resolution_c is not None else quantum_of(temperature_c)
    quantum_ppb = quantum_of(offset_ppb)
    return _Cleaner(
        long, CellGrid.of(time_s, temperature_c, offset_ppb, quantum_c, quantum_ppb), quantum_c, quantum_ppb
    )


def _read_into(whole: _Whole, cleaner: _Cleaner, blocks: list[tuple[int, int]], progress: ProgressCallback) -> None:
    """Clean all blocks, several at a time, and add them in order."""
    with ThreadPoolExecutor(max_workers=min(os.cpu_count() or 1, 8)) as threads:
        results: Iterable[_Cleaned] = threads.map(cleaner, blocks)
        try:
            for block, part in zip(blocks, results, strict=True):
                whole.add(part)
                progress(f"reading {cleaner.long.log.file.name}", block[1] / 1e6, cleaner.long.size / 1e6, "MB")
        except NotAlikeError:
            threads.shutdown(cancel_futures=True)
            raise


class _Whole:
    """What is kept of the blocks so far: complete cells, the samples of an incomplete one, dropped samples."""

    def __init__(self, grid: CellGrid, first_line: int) -> None:
        self._grid, self._line = grid, first_line
        self._found: list[CellSums] = []
        self._open: list[Rows] = []
        self._before: tuple[float, _Stuck] | None = None
        self.dropped: list[pd.DataFrame] = []

    def add(self, part: _Cleaned) -> None:
        """Add the next block.

        Raises
        ------
        NotAlikeError
            It does not follow the one before it in time, or the two judge values between them differently.
        """
        if self._before is not None and not _fit(*self._before, part):
            raise NotAlikeError
        self._before = part.last_s, part.stuck
        if part.dropped is not None:
            self.dropped.append(part.dropped.assign(line=part.dropped["line"] + self._line))
        self._open.append(part.first.moved(self._line))
        if part.last is not None:
            self._found.append(_sums(Rows.joined(self._open), self._grid))
            self._open = [part.last.moved(self._line)]
            if part.inner is not None:
                self._found.append(replace(part.inner, line=part.inner.line + self._line))
        self._line += part.lines

    def cells(self) -> CellSums | None:
        """All cells; None if no sample is kept."""
        last = Rows.joined(self._open)
        return joined([*self._found, _sums(last, self._grid)]) if len(last.time_s) else None


def _sums(kept: Rows, grid: CellGrid) -> CellSums:
    return cell_sums(kept.time_s, kept.temperature_c, kept.offset_ppb, kept.line, grid)


def _dropped(own: Rows, codes: Codes, grid: CellGrid) -> pd.DataFrame | None:
    if not codes.any():
        return None
    return dropped_frame(own.time_s, own.temperature_c, own.offset_ppb, own.line, codes, grid)


def _stuck_at_ends(dropped: Codes, rows: Rows) -> _Stuck:
    """Which values are stuck around the ends of a block.

    Raises
    ------
    NotAlikeError
        A stuck stretch continues beyond the rows that the block has.
    """
    stuck = np.where(np.isin(dropped, STUCK), dropped, 0).astype(np.int8) if dropped.any() else dropped
    start, stop = rows.own.start, rows.own.stop
    if (start > 0 and stuck[0]) or (stop < len(stuck) and stuck[-1]):
        raise NotAlikeError
    return _Stuck(
        before=stuck[max(start - COMPARED, 0) : start],
        first=stuck[start : min(start + COMPARED, stop)],
        last=stuck[max(stop - COMPARED, start) : stop],
        behind=stuck[stop : stop + COMPARED],
    )


def _fit(last_s: float, stuck: _Stuck, other: _Cleaned) -> bool:
    """Whether a block follows the one before it in time, and both judge alike which values between them are stuck."""
    before, behind = other.stuck.before, stuck.behind
    return (
        last_s < other.first_s
        and np.array_equal(stuck.last[len(stuck.last) - len(before) :], before)
        and np.array_equal(other.stuck.first[: len(behind)], behind)
    )
