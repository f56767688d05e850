"""The offset between the clocks of two logs, estimated from the data.

A delay and a thermal lag both open a loop between heating and cooling, so on ramps they are the same.  Where the temperature
turns they differ: the crystal approaches exponentially, while a delayed record keeps its corner.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NoReturn

import numpy as np

from tcomp.arrays import FloatArray
from tcomp.errors import RunError
from tcomp.job import RunLog
from tcomp.logs.cleaning import longest_increasing
from tcomp.logs.record import TimeKind
from tcomp.logs.temperature_file import TemperatureSeries
from tcomp.units import SECONDS_PER_HOUR, SECONDS_PER_MINUTE, short, utc

FARTHEST_S = 14.25 * SECONDS_PER_HOUR
"""Time zones lie within 14 h of UTC (ISO 8601 designators from -12 to +14), and clocks within minutes of them."""
COARSE_STEP_S = 60.0
"""Far below the width of the minimum: thermal lag and ramps of an hour make it tens of minutes wide."""
DEGREE = 7
"""Degree of the polynomial that stands for the curve here: 3 for a crystal, and what a compensated one leaves."""
COARSE_ROWS, FINE_ROWS = 400, 1500
MIN_ROWS = 100
COVERED = 0.6
"""Share of the rows that must have temperatures at a clock offset."""
DECISIVE = 1.5
"""A clock offset whose residual variance is within this factor of the least is a rival."""
BETWEEN_STEPS = 30.0
"""Half a step from a minimum the variance is at most so many times as large: on ramps it grows with the square of the delay,
to tens of times the variance of corners and noise within half a minute."""
MAX_MINIMA = 12
APART_S = 30.0 * SECONDS_PER_MINUTE
"""Rivals nearer than this are one minimum."""
MAX_UNEXPLAINED = 0.5
"""Largest share of the offset's variance that temperature may leave; beyond it the clocks cannot be compared."""
SIGNIFICANT = 2.0
"""A clock offset of more standard uncertainties (k = 2) is applied."""
ANOTHER_LAG = 9.0
"""A second lag is fitted if it lowers the sum of squares by more variances: three standard deviations."""
LONGEST_LAG_S = 7200.0
"""As for a plan: no board follows more slowly. [s]"""
EDGE_S = 900.0
"""The ends of the records, which an offset and a lag may reach, are not compared. [s]"""
HALF_WINDOW_S = (30.0, 600.0)
"""Shortest and longest half of the window over which both records are averaged. [s]"""


@dataclass(frozen=True)
class ClockOffset:
    """What is added to the times of the second log, with its standard uncertainty [s], and a description of it."""

    offset_s: float
    u_s: float
    description: str


def aligned(
    series: TemperatureSeries, time_s: FloatArray, offset_ppb: FloatArray, kind: TimeKind, log: RunLog
) -> tuple[TemperatureSeries, str]:
    """The second log by the clock of the first, and a remark on the difference of the clocks.

    Parameters
    ----------
    time_s, offset_ppb : ndarray of shape (n,)
        The rows of the first log. [s, ppb]

    Raises
    ------
    RunError
        The logs do not overlap, or several offsets of the clocks fit the data equally well.
    """
    if log.clock_offset != "auto":
        found = ClockOffset(
            log.clock_offset, 0.0, f"clock_offset = {log.clock_offset:g} s is added to its times, as given"
        )
    else:
        found = estimated_offset(series, time_s, offset_ppb, kind, log)
    moved = series.later_by(found.offset_s)
    if not np.isfinite(moved.at_c(time_s)).any():
        _refuse_apart(moved, time_s, log)
    return moved, f"{series.name}: {found.description}."


def estimated_offset(
    series: TemperatureSeries, time_s: FloatArray, offset_ppb: FloatArray, kind: TimeKind, log: RunLog
) -> ClockOffset:
    """How far the second clock is behind the first, from the data.

    Raises
    ------
    RunError
        The logs do not overlap and the data do not determine how far they are apart, or several offsets fit equally well.
    """
    usable = np.isfinite(time_s) & (np.abs(offset_ppb) < 2e6)
    time_s, offset_ppb = time_s[usable], offset_ppb[usable]
    same = kind == series.time_kind
    covered = float(np.mean(np.isfinite(series.at_c(time_s)))) if time_s.size else 0.0
    starts_s = float(time_s[0] - series.time_s[0]) if time_s.size else 0.0
    if time_s.size < MIN_ROWS:
        return _as_it_is("there are too few rows to compare them", covered, same, series, time_s, log)
    centre_s = 0.0 if same else starts_s
    reach_s = FARTHEST_S if kind == "clock" and same else max(np.ptp(time_s), np.ptp(series.time_s)) / 2
    search = _Search(series, time_s, offset_ppb)
    grid_s = centre_s + np.arange(-reach_s, reach_s + 1, COARSE_STEP_S)
    variance = np.array([search.variance(one) for one in grid_s])
    if not np.isfinite(variance).any():
        _refuse_apart(series, time_s, log)
    least = float(np.nanmin(variance))
    if least > MAX_UNEXPLAINED:
        return _as_it_is("the offset follows the temperature at none", covered, same, series, time_s, log)
    rivals_s = _minima(grid_s, variance, search.variance)
    if len(rivals_s) > 1:
        near = [one for one in rivals_s if abs(one) < APART_S]
        if not (same and near):
            raise RunError(
                f"{log.file}: the clock of {series.name} may be off by {' or '.join(map(_duration, rivals_s[:3]))}, which fit "
                "the data equally well, as the temperature repeats itself; give clock_offset in seconds"
            )
        return search.refined(near[0], f"{_duration(rivals_s[1])} and others fit equally well, the smallest is taken")
    return search.refined(rivals_s[0], "")


def _minima(grid_s: FloatArray, variance: FloatArray, variance_at: Callable[[float], float]) -> list[float]:
    """Clock offsets that fit about as well as the best, the smallest first; each is refined beyond the grid. [s]"""
    remaining = np.where(np.isfinite(variance), variance, np.inf)
    found: dict[float, float] = {}
    limit = BETWEEN_STEPS * remaining.min()
    while remaining.min() <= limit and len(found) < MAX_MINIMA:
        at = grid_s[int(np.argmin(remaining))]
        near = {float(at + step): variance_at(float(at + step)) for step in np.arange(-60.0, 61.0, 10.0)}
        known = {one: value for one, value in near.items() if np.isfinite(value)}
        one = min(known, key=lambda offset_s: known[offset_s])
        found[one] = known[one]
        remaining = np.where(np.abs(grid_s - at) < APART_S, np.inf, remaining)
    return sorted((one for one, value in found.items() if value <= DECISIVE * min(found.values())), key=abs)


@dataclass(frozen=True, eq=False)
class _Search:
    """How well temperatures explain the offsets, for a clock offset and a thermal lag."""

    series: TemperatureSeries
    time_s: FloatArray
    offset_ppb: FloatArray

    def variance(self, clock_s: float) -> float:
        """Share of the offset's variance that temperature does not explain; NaN where too few rows have temperatures."""
        every = slice(None, None, max(1, len(self.time_s) // COARSE_ROWS))
        time_s, y = self.time_s[every], self.offset_ppb[every]
        x = self.series.at_c(time_s - clock_s)
        known = np.isfinite(x)
        if np.mean(known) < COVERED or np.ptp(x[known]) == 0 or np.ptp(y[known]) == 0:
            return float("nan")
        residual = _residual_ppb(x[known], time_s[known], y[known])
        return float(np.mean(residual**2) / np.var(y[known]))

    def refined(self, near_s: float, remark: str) -> ClockOffset:
        """Clock offset and lag by least squares, from a coarse clock offset; ``remark`` is appended to the description.

        Both records are first averaged over the same window: a lag would average the sensor's noise and steps as well, and its
        estimate would be too long.  A second lag acts almost as a delay: it is fitted if the data require it; if not, half of
        what it would change is part of the uncertainty.
        """
        from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]  # comes with scikit-learn

        half_s = self._half_window_s()
        time_s, y_mean = self._averaged(half_s)
        known = np.isfinite(y_mean)
        for side_s in (-EDGE_S, 0.0, EDGE_S):  # the rows stay the same ones while the offset moves
            inner = known & np.isfinite(self.series.mean_c(*_window(time_s - near_s - side_s, half_s)))
            known = inner if inner.sum() > MIN_ROWS else known
        time_s, y_mean = time_s[known], y_mean[known]

        def residual(point: FloatArray) -> FloatArray:
            behind = self.series
            for lag_s in point[1:]:
                behind = behind.lagged(float(lag_s))
            x = behind.mean_c(*_window(time_s - near_s - point[0], half_s))
            return _residual_ppb(np.where(np.isfinite(x), x, np.nanmedian(x)), time_s, y_mean)

        with threadpool_limits(1):  # many small products: threads cost more than they help
            one, two = (_fitted(residual, lags) for lags in (1, 2))
            u_one_s, u_two_s = (_uncertainty_s(point, residual) for point in (one, two))
            base = residual(two)
            gain = float(np.sum(residual(one) ** 2) - np.sum(base**2))
        noise = float(np.mean(base**2)) * _correlation(base)
        if gain > ANOTHER_LAG * noise:
            return self._stated(near_s + float(two[0]), u_two_s, float(two[1:].sum()), remark)
        u_s = float(np.hypot(u_one_s, abs(one[0] - two[0]) / 2))
        return self._stated(near_s + float(one[0]), u_s, float(one[1]), remark)

    def _half_window_s(self) -> float:
        """Half of a window so wide that neither the sensor's steps nor the intervals of the two logs matter. [s]"""
        rate = np.abs(np.diff(self.series.temperature_c)).sum() / np.ptp(self.series.time_s)
        step_s = self.series.quantum_c / rate if rate > 0 else 0.0
        intervals_s = (float(np.median(np.diff(one))) for one in (self.time_s, self.series.time_s))
        return float(np.clip(max(step_s, *(3 * one for one in intervals_s)), *HALF_WINDOW_S))

    def _averaged(self, half_s: float) -> tuple[FloatArray, FloatArray]:
        """Times at equal distances, and the mean of the offsets around each; NaN at the ends and across gaps. [s, ppb]"""
        kept = longest_increasing(self.time_s)
        offsets = TemperatureSeries("", self.time_s[kept], self.offset_ppb[kept], "clock", ())
        count = int(np.clip(np.ptp(self.time_s) / half_s, MIN_ROWS, FINE_ROWS))
        time_s = np.linspace(self.time_s[0], self.time_s[-1], count)
        return time_s, offsets.mean_c(*_window(time_s, half_s))

    def _stated(self, offset_s: float, u_s: float, lag_s: float, remark: str) -> ClockOffset:
        intervals_s = [float(np.median(np.diff(one))) for one in (self.time_s, self.series.time_s)]
        # A stamp may mark the beginning or the end of a reading; the data do not show which (JCGM 100:2008, 4.3.7).
        u_s = float(np.hypot(u_s, max(intervals_s) / np.sqrt(12)))
        also = f"; {remark}" if remark else ""
        found = f"{_duration(offset_s)} (u {short(u_s)} s), with a lag of {short(lag_s)} s"
        if not abs(offset_s) > SIGNIFICANT * u_s:
            return ClockOffset(0.0, u_s, f"no difference of the two clocks is seen: {found}; none is applied{also}")
        side = "behind" if offset_s > 0 else "ahead"
        zone = _zone_remark(offset_s)
        return ClockOffset(
            round(offset_s, 1), u_s,
            f"its clock is {_duration(abs(offset_s))} {side} (u {short(u_s)} s{zone}), estimated from the data, as with "
            f"clock_offset = {offset_s:.1f}{also}",
        )  # fmt: skip


def _fitted(residual: Callable[[FloatArray], FloatArray], lags: int) -> FloatArray:
    """The clock offset and so many lags with the least residual. [s]"""
    from scipy.optimize import least_squares

    more = lags - 1
    lowest, highest = (-LONGEST_LAG_S, *[0.0] * lags), (LONGEST_LAG_S, *[LONGEST_LAG_S] * lags)
    fits = [
        least_squares(
            residual, (-lag_s, lag_s, *[1.0] * more), bounds=(lowest, highest), x_scale=(10.0, 30.0, *[10.0] * more),
            diff_step=[1e-3] * (1 + lags), max_nfev=60,
        )
        for lag_s in (60.0, 300.0)
    ]  # fmt: skip
    return np.asarray(min(fits, key=lambda one: one.cost).x)


def _uncertainty_s(point: FloatArray, residual: Callable[[FloatArray], FloatArray]) -> float:
    """Standard uncertainty of the clock offset with free lags and correlated residuals; infinite if not determined. [s]"""
    base = residual(point)
    steps = np.maximum(2.0, 0.02 * np.abs(point))
    size = len(point)
    columns = np.column_stack([(residual(point + np.eye(size)[i] * steps[i]) - base) / steps[i] for i in range(size)])
    information = columns.T @ columns
    if np.linalg.cond(information) > 1e12:
        return float("inf")
    scale = float(np.mean(base**2)) * _correlation(base)
    return float(np.sqrt(scale * np.linalg.inv(information)[0, 0]))


def _window(time_s: FloatArray, half_s: float) -> tuple[FloatArray, FloatArray]:
    return time_s - half_s, time_s + half_s


def _residual_ppb(x: FloatArray, time_s: FloatArray, y: FloatArray) -> FloatArray:
    """Residual of the offsets after a polynomial of the temperature and a drift, of shape (n,). [ppb]"""
    middle, half = (x.max() + x.min()) / 2, max(float(np.ptp(x)) / 2, 1e-9)
    columns = np.polynomial.chebyshev.chebvander((x - middle) / half, DEGREE)
    span_s = max(float(np.ptp(time_s)), 1.0)
    design = np.column_stack([columns, (time_s - time_s[0]) / span_s])
    orthogonal, _ = np.linalg.qr(design)
    return np.asarray(y - orthogonal @ (orthogonal.T @ y))


def _correlation(residual: FloatArray) -> float:
    """The factor by which correlation raises the variance of a mean: 1 + 2 sum of rho, up to the first rho <= 0."""
    size = 1 << int(2 * len(residual) - 1).bit_length()
    power = np.abs(np.fft.rfft(residual - residual.mean(), size)) ** 2
    rho = np.fft.irfft(power, size)[: len(residual) // 4]
    rho = rho / rho[0]
    negative = np.flatnonzero(rho <= 0)
    return float(max(1.0, 1.0 + 2.0 * rho[1 : negative[0] if negative.size else None].sum()))


def _duration(offset_s: float) -> str:
    """
    >>> _duration(33.4), _duration(-7200.0), _duration(7233.0)
    ('33 s', '-2 h', '2 h 33 s')
    """
    quarters = round(offset_s / (SECONDS_PER_HOUR / 4))
    rest_s = offset_s - quarters * SECONDS_PER_HOUR / 4
    if not quarters:
        return f"{short(rest_s)} s"
    hours = f"{quarters / 4:g} h"
    return hours if abs(rest_s) < 0.5 else f"{hours} {'' if rest_s * quarters > 0 else 'less '}{short(abs(rest_s))} s"


def _zone_remark(offset_s: float) -> str:
    return ", probably another time zone" if abs(offset_s) > SECONDS_PER_HOUR / 4 else ""


def _as_it_is(
    why: str, covered: float, same: bool, series: TemperatureSeries, time_s: FloatArray, log: RunLog
) -> ClockOffset:
    """No clock offset, where the logs overlap as they are.

    Raises
    ------
    RunError
        They do not overlap.
    """
    if not same:
        raise RunError(
            f"{log.file}: one of this log and {series.name} has times of a clock and the other seconds since a start, and the "
            f"data do not determine their difference, as {why}; give clock_offset in seconds"
        )
    if covered < COVERED:
        _refuse_apart(series, time_s, log)
    description = (
        f"whether its clock differs is not determined, as {why}; no offset is applied; if it does, give clock_offset"
    )
    return ClockOffset(0.0, float("inf"), description)


def _refuse_apart(series: TemperatureSeries, time_s: FloatArray, log: RunLog) -> NoReturn:
    ends = [
        f"{utc(float(one[0]))} to {utc(float(one[-1]))}"
        for one in (time_s[np.isfinite(time_s)], series.time_s)
        if len(one)
    ]
    raise RunError(
        f"{log.file}: its rows ({ends[0]}) and those of {series.name} ({ends[-1]}) do not overlap enough to be joined; check "
        "temperature_file, or give clock_offset in seconds"
    )
