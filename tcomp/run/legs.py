"""A run cut into sweeps, and sweeps into heating, cooling and soaks.

A sweep is one monotone part of a run; a soak belongs to the sweep that it ends, so a new sweep
begins where the plateau at a turning point ends.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tcomp.run.neighbours import neighbour_values, row_median, segments_of
from tcomp.run.record import CleanRun
from tcomp.units import SECONDS_PER_MINUTE

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

LEAST_TURN_C = 1.0
SMALL_SPAN_C = 5.0
"""Below this span, what counts as a turn is a share of the span alone."""

SOAK_RATE = 0.15
"""Slower than this share of the sweep's usual rate is a soak."""

RIPPLE = 0.3
"""Share of a sweep's travel during a soak's least time; movement below it is the chamber's ripple."""

SMOOTHED_SAMPLES = 5

NOISE_SPANS = 6.0
"""The smoothed temperature of a sensor at rest keeps within so many standard deviations of its noise: a median and a mean of
five leave about half of them, and thousands of those span some seven times their own."""


@dataclass(frozen=True)
class Leg:
    """One stretch of a run: heating, cooling, a soak, or an unordered table.

    ``start`` and ``stop`` are positions in the kept samples, ``stop`` excluded; ``direction`` is that
    of the leg's sweep: 1 heating, -1 cooling, 0 unordered.  Times in [s], temperatures in [degC];
    ``rate_c_per_min`` is the median slope [degC/min], with its sign.
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
        """How many kept samples it has."""
        return self.stop - self.start

    @property
    def duration_s(self) -> float:
        """From its first to its last sample. [s]"""
        return self.end_s - self.start_s


def cut_legs(run: CleanRun) -> tuple[Leg, ...]:
    """Cut a run into legs, in order, so that each kept sample belongs to one.

    The smoothed temperature turns where it comes back by more than 1 degC, five quanta and a tenth
    of the run's span (a fifth where the span is under 5 degC), and by six standard deviations of its
    noise; what turns less is part of the sweep around it.

    Examples
    --------
    >>> from tcomp.run.cleaning import clean_run
    >>> from tcomp.run.record import RawRun, frame_of
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


def sweep_of_sample(legs: Sequence[Leg], count: int) -> NDArray[np.int64]:
    """The number of the sweep that each kept sample belongs to."""
    sweep = np.full(count, -1, dtype=np.int64)
    for leg in legs:
        sweep[leg.start : leg.stop] = leg.sweep
    return sweep


def turning_points(smooth_c: Floats, turn_c: float) -> list[int]:
    """Ends of the monotone parts, the first and last sample included.

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
            # What lies before the first turn in the other direction is a remnant of the first sweep.
            points += [high] if direction else []
            direction, low = -1, index
        elif direction <= 0 and value - values[low] >= turn_c:
            points += [low] if direction else []
            direction, high = 1, index
    return [*points, len(values) - 1]


def noise_c(temperature_c: Floats) -> float:
    """Standard deviation of a sensor's noise from sample to sample, by second differences, which a ramp does not enter. [degC]

    >>> rng = np.random.default_rng(1)
    >>> round(noise_c(np.linspace(0, 50, 5000) + rng.normal(0, 0.1, 5000)), 2)
    0.1
    """
    if len(temperature_c) < 3:
        return 0.0
    # Of independent noise a second difference has six times the variance; 1.4826: the median of a normal variable's size.
    return 1.4826 * float(np.median(np.abs(np.diff(temperature_c, 2)))) / math.sqrt(6.0)


def smoothed_c(time_s: Floats, temperature_c: Floats) -> Floats:
    """Moving median, then moving mean, never across a gap. [degC]"""
    segment = segments_of(time_s)
    reach = SMOOTHED_SAMPLES // 2
    window = range(-reach, reach + 1)
    middle = row_median(neighbour_values(temperature_c, segment, window))
    return np.asarray(np.nanmean(neighbour_values(middle, segment, window), axis=1))


def _turn_c(smooth_c: Floats, quantum_c: float) -> float:
    span_c = float(np.ptp(smooth_c))
    if span_c < SMALL_SPAN_C:
        return max(0.2 * span_c, 5.0 * quantum_c)
    return max(LEAST_TURN_C, 0.1 * span_c, 5.0 * quantum_c)


def _travel_c(smooth_c: Floats, quantum_c: float) -> float:
    """How far a sweep moves in the time over which a rate is taken: ripple and quanta vanish in it."""
    return min(max(LEAST_TURN_C, 5.0 * quantum_c), max(0.2 * float(np.ptp(smooth_c)), 5.0 * quantum_c))


class _Sweeps:
    """Where sweeps and their soaks begin and end."""

    def __init__(self, time_s: Floats, smooth_c: Floats, turns: list[int], travel_c: float) -> None:
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

    def _slope(self, part: slice, window_s: float) -> Floats:
        """Slope over a window around each sample, cut at the run's ends. [degC/s]"""
        at_s = self.time_s[part]
        ends_s = [np.clip(at_s + sign * window_s / 2, self.time_s[0], self.time_s[-1]) for sign in (-1, 1)]
        ends_c = [np.interp(end_s, self.time_s, self.smooth_c) for end_s in ends_s]
        return np.asarray((ends_c[1] - ends_c[0]) / (ends_s[1] - ends_s[0]))

    def _lasting(self, slow: Mask, least_s: Floats) -> Mask:
        """Slow stretches that last: breaks in which the temperature hardly moves are closed first."""
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
        bounds = [0, *(self._end_of_plateau(turn) for turn in self.turns[1:-1]), len(self.time_s)]
        found = []
        for sweep, (start, stop) in enumerate(pairwise(bounds)):
            rise_c = self.smooth_c[self.turns[sweep + 1]] - self.smooth_c[self.turns[sweep]]
            edges = np.flatnonzero(np.diff(self.soak[start:stop])) + start + 1
            cuts = [start, *edges.tolist(), stop]
            found += [(sweep, 1 if rise_c > 0 else -1, bool(self.soak[a]), a, b) for a, b in pairwise(cuts)]
        return found

    def _end_of_plateau(self, turn: int) -> int:
        """Where the soak at a turning point ends; the extremum may be an overshoot before it."""
        away = np.abs(self.smooth_c[turn:] - self.smooth_c[turn]) > self.travel_c
        near = self.soak[turn : turn + int(np.argmax(away))]
        if not near.any():
            return turn + 1
        last = turn + int(np.flatnonzero(near)[-1])
        return last + int(np.argmin(self.soak[last:]))


def _usual_rate(time_s: Floats, smooth_c: Floats, cell_c: float) -> float:
    """The rate at which a sweep moves where it moves: median over cells of temperature. [degC/s]"""
    travelled_c = np.maximum.accumulate(np.abs(smooth_c - smooth_c[0]))
    if travelled_c[-1] == 0:
        return 0.0
    levels_c = np.linspace(0.0, travelled_c[-1], max(4, round(travelled_c[-1] / cell_c)) + 1)
    first = np.searchsorted(travelled_c, levels_c[:-1], side="right") - 1
    last = np.searchsorted(travelled_c, levels_c[1:], side="left")
    return float(np.median((travelled_c[last] - travelled_c[first]) / (time_s[last] - time_s[first])))


def _stretches(mask: Mask) -> list[tuple[int, int]]:
    """Start and stop of each stretch of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]])))
    return [(int(start), int(stop)) for start, stop in edges.reshape(-1, 2)]


def _leg(where: tuple[int, int, bool, int, int], time_s: Floats, temperature_c: Floats, slope_c_per_s: Floats) -> Leg:
    sweep, direction, soak, start, stop = where
    inside_c = temperature_c[start:stop]
    return Leg(
        kind="soak" if soak else "heating" if direction > 0 else "cooling",
        sweep=sweep, direction=direction, start=start, stop=stop,
        start_s=float(time_s[start]), end_s=float(time_s[stop - 1]),
        low_c=float(inside_c.min()), high_c=float(inside_c.max()),
        rate_c_per_min=float(np.median(slope_c_per_s[start:stop])) * SECONDS_PER_MINUTE,
    )  # fmt: skip
