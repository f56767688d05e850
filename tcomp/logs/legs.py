"""A run cut into sweeps, and sweeps into heating, cooling and soaks; which temperatures they cover.

A sweep is one monotone part of a run.  A soak belongs to the sweep that it ends, so a new sweep begins where the plateau at a
turning point ends.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from typing import TYPE_CHECKING, Literal

import numpy as np

from tcomp.arrays import BoolArray, FloatArray, IntArray, robust_sd
from tcomp.logs.neighbours import neighbour_values, row_median, segments_of
from tcomp.logs.record import CleanRun
from tcomp.units import SECONDS_PER_MINUTE, degc_text

if TYPE_CHECKING:
    from tcomp.logs.prepared import PreparedRun


MIN_TURN_C = 1.0
SMALL_SPAN_C = 5.0
"""Below this span, the least turn is a share of the span alone. [degC]"""

SOAK_RATE = 0.15
"""A soak moves slower than this share of the sweep's usual rate."""

RIPPLE = 0.3
"""Share of a sweep's travel in the least time of a soak; movement below it is the chamber's ripple."""

SMOOTHED_SAMPLES = 5

NOISE_SPANS = 6.0
"""The smoothed temperature of a sensor at rest spans at most so many standard deviations of its noise: a median and a mean of
five halve it, and thousands of such values span some seven times their own."""


@dataclass(frozen=True)
class Leg:
    """One stretch of a run: heating, cooling, a soak, or an unordered table.

    ``start`` and ``stop`` are positions in the kept samples, ``stop`` excluded.  ``direction`` is that of the leg's sweep: 1
    heating, -1 cooling, 0 unordered.  ``rate_c_per_min`` is the median slope, with its sign. [s, degC, degC/min]
    """

    kind: Literal["heating", "cooling", "soak", "unordered"]
    sweep: int
    direction: int
    start: int
    stop: int
    start_s: float
    end_s: float
    low_c: float
    high_c: float
    rate_c_per_min: float

    @property
    def samples(self) -> int:
        """Number of its kept samples."""
        return self.stop - self.start

    @property
    def duration_s(self) -> float:
        """From its first to its last sample. [s]"""
        return self.end_s - self.start_s


def cut_legs(run: CleanRun) -> tuple[Leg, ...]:
    """Cut a run into legs, in order, so that each kept sample belongs to one.

    The smoothed temperature turns where it comes back by more than 1 degC, five quanta and a tenth of the run's span (a fifth
    where the span is under 5 degC), and by six standard deviations of its noise; a smaller movement is part of the sweep around
    it.

    Examples
    --------
    >>> from tcomp.logs.cleaning import clean_run
    >>> from tcomp.logs.record import RawRun, frame_of
    >>> up = np.linspace(0.0, 40.0, 241)
    >>> temperature_c = np.concatenate([up, np.full(180, 40.0), up[::-1]])
    >>> frame = frame_of(10.0 * np.arange(662), temperature_c, 3.0 * temperature_c)
    >>> for leg in cut_legs(clean_run(RawRun("up_down.csv", frame, "elapsed", ()))):
    ...     print(leg.sweep, leg.kind, round(leg.rate_c_per_min, 2))
    0 heating 1.0
    0 soak 0.0
    1 cooling -1.0
    """
    temperature_c = run.kept["temperature_c"].to_numpy()
    if run.time_kind == "none":
        nan, low_c, high_c = float("nan"), float(temperature_c.min()), float(temperature_c.max())
        return (Leg("unordered", 0, 0, 0, len(temperature_c), nan, nan, low_c, high_c, nan),)
    time_s = run.kept["time_s"].to_numpy()
    smooth_c = smoothed_c(time_s, temperature_c)
    turn_c = max(_turn_c(smooth_c, run.quantum_c), NOISE_SPANS * noise_c(temperature_c))
    sweeps = _Sweeps(time_s, smooth_c, turning_points(smooth_c, turn_c), _travel_c(smooth_c, run.quantum_c))
    return tuple(_leg(where, time_s, temperature_c, sweeps.slope_c_per_s) for where in sweeps.legs())


def sweep_of_sample(legs: Sequence[Leg], count: int) -> IntArray:
    """The number of the sweep that each kept sample belongs to."""
    sweep = np.full(count, -1, dtype=np.int64)
    for leg in legs:
        sweep[leg.start : leg.stop] = leg.sweep
    return sweep


def turning_points(smooth_c: FloatArray, turn_c: float) -> list[int]:
    """Ends of the monotone parts, including the first and last sample.

    An extremum is a turning point once the temperature has come back from it by ``turn_c``.

    Examples
    --------
    >>> turning_points(np.array([0.0, 5.0, 4.5, 9.0, 2.0, 2.5, 0.0]), 1.0)
    [0, 3, 6]
    """
    points = [0]
    direction = low = high = 0
    values = smooth_c.tolist()
    for index, value in enumerate(values):
        if value > values[high]:
            high = index
        if value < values[low]:
            low = index
        if direction >= 0 and values[high] - value >= turn_c:
            # What precedes the first turn in the other direction is part of the first sweep.
            points += [high] if direction else []
            direction, low = -1, index
        elif direction <= 0 and value - values[low] >= turn_c:
            points += [low] if direction else []
            direction, high = 1, index
    return [*points, len(values) - 1]


def noise_c(temperature_c: FloatArray) -> float:
    """Standard deviation of a sensor's noise, from second differences, which do not contain a ramp. [degC]

    >>> rng = np.random.default_rng(1)
    >>> round(noise_c(np.linspace(0, 50, 5000) + rng.normal(0, 0.1, 5000)), 2)
    0.1
    """
    if len(temperature_c) < 3:
        return 0.0
    # A second difference of independent noise has six times its variance.
    return robust_sd(np.diff(temperature_c, 2)) / math.sqrt(6.0)


def smoothed_c(time_s: FloatArray, temperature_c: FloatArray) -> FloatArray:
    """Moving median, then moving mean, never across a gap. [degC]"""
    segment = segments_of(time_s)
    reach = SMOOTHED_SAMPLES // 2
    window = range(-reach, reach + 1)
    middle = row_median(neighbour_values(temperature_c, segment, window))
    return np.asarray(np.nanmean(neighbour_values(middle, segment, window), axis=1))


def _turn_c(smooth_c: FloatArray, quantum_c: float) -> float:
    span_c = float(np.ptp(smooth_c))
    if span_c < SMALL_SPAN_C:
        return max(0.2 * span_c, 5.0 * quantum_c)
    return max(MIN_TURN_C, 0.1 * span_c, 5.0 * quantum_c)


def _travel_c(smooth_c: FloatArray, quantum_c: float) -> float:
    """How far a sweep moves in the time over which a rate is taken: much farther than ripple and quanta. [degC]"""
    return min(max(MIN_TURN_C, 5.0 * quantum_c), max(0.2 * float(np.ptp(smooth_c)), 5.0 * quantum_c))


class _Sweeps:
    """Where sweeps and their soaks begin and end."""

    def __init__(self, time_s: FloatArray, smooth_c: FloatArray, turns: list[int], travel_c: float) -> None:
        self.time_s, self.smooth_c, self.turns, self.travel_c = time_s, smooth_c, turns, travel_c
        self.slope_c_per_s, least_s = np.zeros(len(time_s)), np.zeros(len(time_s))
        slow = np.zeros(len(time_s), dtype=bool)
        interval_s = float(np.median(np.diff(time_s)))
        for first, last in pairwise(turns):
            part = slice(first, last + 1)
            usual = _usual_rate(time_s[part], smooth_c[part], travel_c / 2)
            least_s[part] = max(travel_c / usual if usual > 0 else np.inf, SMOOTHED_SAMPLES * interval_s)
            self.slope_c_per_s[part] = self._slope(part, least_s[first])
            slow[part] = np.abs(self.slope_c_per_s[part]) < SOAK_RATE * usual
        self.soak = self._lasting(slow, least_s)

    def _slope(self, part: slice, window_s: float) -> FloatArray:
        """Slope over a window around each sample, cut off at the run's ends. [degC/s]"""
        at_s = self.time_s[part]
        ends_s = [np.clip(at_s + sign * window_s / 2, self.time_s[0], self.time_s[-1]) for sign in (-1, 1)]
        ends_c = [np.interp(end_s, self.time_s, self.smooth_c) for end_s in ends_s]
        return np.asarray((ends_c[1] - ends_c[0]) / (ends_s[1] - ends_s[0]))

    def _lasting(self, slow: BoolArray, least_s: FloatArray) -> BoolArray:
        """Slow stretches that last; first, breaks in which the temperature hardly moves are closed."""
        soak = slow.copy()
        for start, stop in _stretches(~soak):
            if stop - start < len(soak) and np.ptp(self.smooth_c[start:stop]) < RIPPLE * self.travel_c:
                soak[start:stop] = True
        for start, stop in _stretches(soak):
            if self.time_s[stop - 1] - self.time_s[start] < least_s[start]:
                soak[start:stop] = False
        return soak

    def legs(self) -> list[tuple[int, int, bool, int, int]]:
        """Sweep, direction, whether a soak, start and stop of each leg."""
        inner = [self._end_of_plateau(turn, following) for turn, following in pairwise(self.turns[1:])]
        bounds = [0, *inner, len(self.time_s)]
        found = []
        for sweep, (start, stop) in enumerate(pairwise(bounds)):
            rise_c = self.smooth_c[self.turns[sweep + 1]] - self.smooth_c[self.turns[sweep]]
            edges = np.flatnonzero(np.diff(self.soak[start:stop])) + start + 1
            cuts = [start, *edges.tolist(), stop]
            found += [(sweep, 1 if rise_c > 0 else -1, bool(self.soak[a]), a, b) for a, b in pairwise(cuts)]
        return found

    def _end_of_plateau(self, turn: int, following: int) -> int:
        """The end of the soak at a turning point, at the next turning point at the latest, so that each sweep has samples.

        The extremum may be an overshoot before the soak.  With a coarse sensor and short sweeps, a soak can seem to last over
        several turning points.
        """
        away = np.abs(self.smooth_c[turn:] - self.smooth_c[turn]) > self.travel_c
        near = self.soak[turn : turn + int(np.argmax(away))]
        if not near.any():
            return turn + 1
        last = turn + int(np.flatnonzero(near)[-1])
        moving = np.flatnonzero(~self.soak[last:following])
        return max(last + int(moving[0]) if moving.size else following, turn + 1)


def _usual_rate(time_s: FloatArray, smooth_c: FloatArray, cell_c: float) -> float:
    """The rate of a sweep while it moves: the median over cells of temperature. [degC/s]"""
    travelled_c = np.maximum.accumulate(np.abs(smooth_c - smooth_c[0]))
    if travelled_c[-1] == 0:
        return 0.0
    levels_c = np.linspace(0.0, travelled_c[-1], max(4, round(travelled_c[-1] / cell_c)) + 1)
    first = np.searchsorted(travelled_c, levels_c[:-1], side="right") - 1
    last = np.searchsorted(travelled_c, levels_c[1:], side="left")
    return float(np.median((travelled_c[last] - travelled_c[first]) / (time_s[last] - time_s[first])))


def _stretches(mask: BoolArray) -> list[tuple[int, int]]:
    """Start and stop of each stretch of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]])))
    return [(int(start), int(stop)) for start, stop in edges.reshape(-1, 2)]


def _leg(
    where: tuple[int, int, bool, int, int], time_s: FloatArray, temperature_c: FloatArray, slope_c_per_s: FloatArray
) -> Leg:
    sweep, direction, soak, start, stop = where
    inside_c = temperature_c[start:stop]
    return Leg(
        kind="soak" if soak else "heating" if direction > 0 else "cooling",
        sweep=sweep, direction=direction, start=start, stop=stop,
        start_s=float(time_s[start]), end_s=float(time_s[stop - 1]),
        low_c=float(inside_c.min()), high_c=float(inside_c.max()),
        rate_c_per_min=float(np.median(slope_c_per_s[start:stop])) * SECONDS_PER_MINUTE,
    )  # fmt: skip


CELLS = 20
MIN_IN_CELL = 5
MIN_CELLS = 4


@dataclass(frozen=True)
class CellLines:
    """A straight line through a leg's samples in each cell of temperature, all of shape (cells,).

    ``offset_ppb`` is the line's value at the cell's middle; NaN where a cell holds too little.
    """

    middle_c: FloatArray
    offset_ppb: FloatArray
    slope_ppb_per_c: FloatArray
    time_s: FloatArray


def cell_lines(prepared: PreparedRun, legs: list[Leg]) -> list[CellLines]:
    """Lines through the samples of each leg, over cells that all legs share."""
    run = prepared.run
    kept = run.kept
    temperature_c = kept["temperature_c"].to_numpy()
    low_c, high_c = float(temperature_c.min()), float(temperature_c.max())
    cells = CELLS if run.quantum_c == 0 else int(np.clip((high_c - low_c) / (5.0 * run.quantum_c), MIN_CELLS, CELLS))
    edges_c = np.linspace(low_c, high_c, cells + 1)
    columns = (temperature_c, kept["offset_ppb"].to_numpy(), kept["time_s"].to_numpy())
    return [_lines(edges_c, *(column[leg.start : leg.stop] for column in columns)) for leg in legs]


def _lines(edges_c: FloatArray, temperature_c: FloatArray, offset_ppb: FloatArray, time_s: FloatArray) -> CellLines:
    cells = len(edges_c) - 1
    middle_c = (edges_c[1:] + edges_c[:-1]) / 2
    cell = np.clip(np.searchsorted(edges_c, temperature_c, side="right") - 1, 0, cells - 1)
    away_c = temperature_c - middle_c[cell]

    def summed(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(cell, values, minlength=cells), dtype=np.float64)

    n, along, squared = summed(np.ones_like(away_c)), summed(away_c), summed(away_c**2)
    with np.errstate(all="ignore"):
        mean_ppb, spread = summed(offset_ppb) / n, squared - along**2 / n
        # Samples spread evenly over half a cell have this variance; a smaller one determines no slope.
        enough = (n >= MIN_IN_CELL) & (spread / n > ((edges_c[1] - edges_c[0]) / 2) ** 2 / 12)
        slope = np.where(enough, (summed(away_c * offset_ppb) - along * mean_ppb) / spread, np.nan)
        return CellLines(middle_c, mean_ppb - slope * along / n, slope, np.where(enough, summed(time_s) / n, np.nan))


@dataclass(frozen=True)
class Coverage:
    """Per cell of temperature: the number of sweeps that pass its middle: heating, cooling, unordered.

    ``edges_c`` has one value more than the others. [degC]
    """

    edges_c: tuple[float, ...]
    heating: tuple[int, ...]
    cooling: tuple[int, ...]
    unordered: tuple[int, ...]

    def sentences(self) -> tuple[str, ...]:
        """The temperatures that were passed in one direction only, or not at all; empty if all were passed in both."""
        return tuple(self._sentences())

    def _sentences(self) -> Iterator[str]:
        for verdict, cells in groupby(range(len(self.heating)), key=self._verdict):
            if verdict:
                numbers = list(cells)
                yield f"From {degc_text(self.edges_c[numbers[0]])} to {degc_text(self.edges_c[numbers[-1] + 1])} degC {verdict}."

    def _verdict(self, cell: int) -> str:
        if self.heating[cell] and self.cooling[cell]:
            return ""
        if self.heating[cell]:
            return "the runs only heat, so lag, hysteresis and ageing cannot be separated there"
        if self.cooling[cell]:
            return "the runs only cool, so lag, hysteresis and ageing cannot be separated there"
        return "only unordered samples exist, of unknown direction" if self.unordered[cell] else "nothing was measured"


def coverage(runs: Sequence[Sequence[Leg]], low_c: float, high_c: float, cells: int = 10) -> Coverage:
    """Count the sweeps of all runs that pass each cell of a range of temperature.

    Parameters
    ----------
    runs : sequence of sequences of Leg
        The legs of each run, as `cut_legs` gives them.
    low_c, high_c : float
        The range. [degC]
    cells : int, default=10
        Cells of equal width.

    Examples
    --------
    >>> def leg(kind, sweep, low_c, high_c):
    ...     return Leg(kind, sweep, 1 if kind == "heating" else -1, 0, 9, 0.0, 80.0, low_c, high_c, 1.0)
    >>> seen = coverage([[leg("heating", 0, 0.0, 40.0), leg("cooling", 1, 20.0, 40.0)]], 0.0, 60.0, cells=3)
    >>> seen.heating, seen.cooling
    ((1, 1, 0), (0, 1, 0))
    >>> seen.sentences()[1]
    'From 40 to 60 degC nothing was measured.'
    """
    edges_c = np.linspace(low_c, high_c, cells + 1)
    middles_c = (edges_c[1:] + edges_c[:-1]) / 2
    passed = {direction: np.zeros(cells, dtype=int) for direction in (1, -1, 0)}
    for legs in runs:
        for _, group in groupby(legs, key=lambda leg: leg.sweep):
            sweep = list(group)
            low, high = min(leg.low_c for leg in sweep), max(leg.high_c for leg in sweep)
            passed[sweep[0].direction] += (middles_c >= low) & (middles_c <= high)
    counts = [tuple(int(count) for count in passed[direction]) for direction in (1, -1, 0)]
    return Coverage(tuple(float(edge) for edge in edges_c), *counts)
