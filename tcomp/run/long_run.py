"""A long log becomes a clean run of cells, block by block, in little memory however long it is."""

from __future__ import annotations

import os
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from tcomp.job import Oscillator, RunLog, Sensor
from tcomp.progress import Told
from tcomp.run.cells import CellGrid, CellSums, cell_frame, cell_sums, dropped_frame, joined, run_of_cells
from tcomp.run.cleaning import REASONS, STUCK_COUNTER, STUCK_SENSOR, Codes, faults, refuse_useless
from tcomp.run.long_log import AROUND_ROWS, LongLog, NotAlikeError, Rows
from tcomp.run.neighbours import quantum_of
from tcomp.run.record import CleanRun

if TYPE_CHECKING:
    import pandas as pd

STUCK = tuple(REASONS.index(reason) for reason in (STUCK_SENSOR, STUCK_COUNTER))
COMPARED = AROUND_ROWS // 2
"""Rows to either side of a block's end that both blocks must see alike."""


@dataclass(frozen=True, eq=False)
class _Stuck:
    """Where values are stuck about both ends of a block, as the block itself sees it: the last rows before it, its own
    first and last, and the first behind it."""

    before: Codes
    first: Codes
    last: Codes
    behind: Codes


@dataclass(frozen=True, eq=False)
class _Cleaned:
    """What is kept of a block, and what its neighbours are held against.

    ``first`` and ``last`` are the samples of the cells that the block begins and ends in, which the neighbours may have more
    of; ``inner`` are the cells between; a block that lies in one cell has a ``first`` alone.
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
    """Cleans blocks and puts them into cells."""

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
            return Rows.together([kept]), None, None
        inner = kept.part(slice(starts[1], starts[-1]))
        sums = _sums(inner, self.grid) if len(inner.time_s) else None
        # Copies: parts of the block's own arrays would keep all of it in memory.
        first, last = (Rows.together([kept.part(part)]) for part in (slice(starts[1]), slice(starts[-1], None)))
        return first, sums, last


def clean_long_run(log: RunLog, oscillator: Oscillator, sensor: Sensor, told: Told) -> CleanRun | None:
    """Read, clean and put into cells a long log; None if it is to be read as a short one.

    The steps of sensor and counter, the interval and the length of a cell are found from rows of all over the file.

    Raises
    ------
    RunError
        No sample is left, or all have one temperature.
    """
    long = LongLog.of(log, oscillator, sensor)
    if long is None:
        return None
    cleaner = _cleaner(long)
    if cleaner is None:
        return None
    whole = _Whole(cleaner.grid, long.dialect.first_line)
    try:
        _read_into(whole, cleaner, long.blocks, told)
    except NotAlikeError:
        return None
    cells = whole.cells()
    if cells is None:
        return None
    sample = long.sample
    about = CleanRun(log.file.name, sample.time_kind, sample.frame, (), sample.assumptions, 0.0, cleaner.quantum_c)
    run = run_of_cells(about, cell_frame(cells), whole.dropped)
    refuse_useless(run)
    return run


def _cleaner(long: LongLog) -> _Cleaner | None:
    """How to clean a log, by some of its rows; None where these are not in order, or too few lie in a cell."""
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


def _read_into(whole: _Whole, cleaner: _Cleaner, blocks: list[tuple[int, int]], told: Told) -> None:
    """Clean all blocks, some at a time, and put them together in their order."""
    with ThreadPoolExecutor(max_workers=min(os.cpu_count() or 1, 8)) as threads:
        results: Iterable[_Cleaned] = threads.map(cleaner, blocks)
        try:
            for block, part in zip(blocks, results, strict=True):
                whole.add(part)
                told(f"reading {cleaner.long.log.file.name}", block[1] / 1e6, cleaner.long.size / 1e6, "MB")
        except NotAlikeError:
            threads.shutdown(cancel_futures=True)
            raise


class _Whole:
    """What has been kept of the blocks so far: cells that are complete, the samples of one that is not, what was dropped."""

    def __init__(self, grid: CellGrid, first_line: int) -> None:
        self._grid, self._line = grid, first_line
        self._found: list[CellSums] = []
        self._open: list[Rows] = []
        self._before: tuple[float, _Stuck] | None = None
        self.dropped: list[pd.DataFrame] = []

    def add(self, part: _Cleaned) -> None:
        """The next block.

        Raises
        ------
        NotAlikeError
            It does not follow the one before it in time, or both do not see alike what is stuck between them.
        """
        if self._before is not None and not _fit(*self._before, part):
            raise NotAlikeError
        self._before = part.last_s, part.stuck
        if part.dropped is not None:
            self.dropped.append(part.dropped.assign(line=part.dropped["line"] + self._line))
        self._open.append(part.first.moved(self._line))
        if part.last is not None:
            self._found.append(_sums(Rows.together(self._open), self._grid))
            self._open = [part.last.moved(self._line)]
            if part.inner is not None:
                self._found.append(replace(part.inner, line=part.inner.line + self._line))
        self._line += part.lines

    def cells(self) -> CellSums | None:
        """All cells; None if no sample was kept."""
        last = Rows.together(self._open)
        return joined([*self._found, _sums(last, self._grid)]) if len(last.time_s) else None


def _sums(kept: Rows, grid: CellGrid) -> CellSums:
    return cell_sums(kept.time_s, kept.temperature_c, kept.offset_ppb, kept.line, grid)


def _dropped(own: Rows, codes: Codes, grid: CellGrid) -> pd.DataFrame | None:
    if not codes.any():
        return None
    return dropped_frame(own.time_s, own.temperature_c, own.offset_ppb, own.line, codes, grid)


def _stuck_at_ends(dropped: Codes, rows: Rows) -> _Stuck:
    """Where values are stuck about the ends of a block.

    Raises
    ------
    NotAlikeError
        A stuck stretch goes on where the block does not look.
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
    """Whether a block follows the one before it in time, and both see alike what is stuck between them."""
    before, behind = other.stuck.before, stuck.behind
    return (
        last_s < other.first_s
        and np.array_equal(stuck.last[len(stuck.last) - len(before) :], before)
        and np.array_equal(other.stuck.first[: len(behind)], behind)
    )
