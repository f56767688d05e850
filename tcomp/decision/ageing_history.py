"""Ageing from an oscillator's history: a straight line, or a logarithm, whichever the history supports.

The logarithm is f0 + a ln(b t + 1), the form that MIL-PRF-55310 names (second-hand); t counts from the first base.  A
history of few bases does not tell the rate; what is known of it otherwise then stands in as one more observation
(weighted least squares with a prior row, the same as a Kalman filter without process noise).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tcomp.curve.curve import Curve
from tcomp.decision.crystal_error import FAR, Watched
from tcomp.decision.history import Entry, history_path, read_history
from tcomp.decision.typical import typical
from tcomp.job import Job
from tcomp.units import SECONDS_PER_DAY, short

Floats = NDArray[np.float64]
Form = Literal["straight", "logarithmic"]

BASES_FOR_A_LINE = 4
"""Base and rate leave two freedoms to judge the scatter by."""
BASES_FOR_A_LOGARITHM = 6
"""AICc needs two freedoms beyond the logarithm's three numbers, and one more to be worth something."""
AICC_BETTER = 2.0
"""By so much the richer form must be better (K. P. Burnham and D. R. Anderson, Model Selection and Multimodel Inference,
2002; from memory)."""
LEAST_U = 1e-6
"""An uncertainty below this is none that anything could be weighed by. [ppb] [ppb/day]"""
STATED_SHARE = 0.5
"""A rate that the job states is taken to be known to half of its size (common practice, no source)."""


@dataclass(frozen=True)
class Rate:
    """What is known of the ageing without a history."""

    ppb_per_day: float
    u_ppb_per_day: float
    words: str


def known_rate(job: Job, curve: Curve, ahead_days: float) -> Rate:
    """The job's figure; that of the runs, if they were long against the time ahead; or a typical bound of either sign."""
    stated, seen = job.oscillator.ageing_ppb_per_day, curve.effect("ageing")
    if stated is not None:
        return Rate(
            stated, STATED_SHARE * abs(stated), f"{stated:g} ppb/day, as the job states, taken as known to half"
        )
    words = f"{seen.value:.3g} ppb/day in runs of {short(curve.span_days)} days"
    if seen.status == "found" and ahead_days <= FAR * curve.span_days:
        return Rate(seen.value, seen.uncertainty, words)
    guess = typical("tuning-fork" if job.oscillator.cut == "tuning-fork" else "crystal", "ageing_ppb_per_day").value
    if seen.status != "found":
        return Rate(0.0, guess / math.sqrt(3.0), f"what is typical: anything within +/- {guess:g} ppb/day")
    # A drift right after heat and handling is not that of a year; but it might go on.
    bound = max(guess, abs(seen.value))
    ahead = f"{words}, which is not carried on for {short(ahead_days)}: anything within +/- {bound:.3g} ppb/day"
    return Rate(0.0, bound / math.sqrt(3.0), ahead)


def watched_ageing(job: Job, curve: Curve) -> Watched | None:
    """What the job's history of trims has shown; None before the second base.

    Raises
    ------
    HistoryError
        The history is damaged.
    """
    entries = read_history(history_path(job)).entries
    if len(entries) < 2:
        return None
    found = fit_ageing(entries, known_rate(job, curve, job.use.recalibrate_days))
    rate, u = found.rate_ppb_per_day()
    return Watched(rate, u, found.span_days, found.words)


@dataclass(frozen=True, eq=False)
class Weighted:
    """Weighted least squares: coefficients, (X' W X)^-1, sum of squares in units of u**2, and freedoms."""

    coef: Floats
    covariance: Floats
    chi2: float
    freedom: int


def weighted_fit(columns: Floats, measured: Floats, u: Floats) -> Weighted:
    """Fit ``columns`` to values of standard uncertainty ``u``.

    Parameters
    ----------
    columns : ndarray of shape (n, p)
    measured, u : ndarray of shape (n,)

    Examples
    --------
    Two measurements of one quantity: the weighted mean.

    >>> found = weighted_fit(np.ones((2, 1)), np.array([10.0, 13.0]), np.array([1.0, 2.0]))
    >>> float(found.coef[0].round(6)), float(found.covariance[0, 0].round(6))
    (10.6, 0.8)
    """
    u = np.maximum(u, LEAST_U)
    rows, values = columns / u[:, None], measured / u
    scale = np.linalg.norm(rows, axis=0)
    orthogonal, upper = np.linalg.qr(rows / scale)
    inverse = np.linalg.pinv(upper)
    coef = inverse @ (orthogonal.T @ values) / scale
    left = values - rows @ coef
    return Weighted(coef, inverse @ inverse.T / np.outer(scale, scale), float(left @ left), values.size - coef.size)


@dataclass(frozen=True, eq=False)
class AgeingFit:
    """How the base moves.

    Attributes
    ----------
    form : {"straight", "logarithmic"}
    fit : Weighted
        Bases of the parts between steps, then the rate [ppb/day]; or a [ppb] and, of ln b, its step from log_per_day.
        Its covariance is scaled to the scatter found.
    log_per_day : float
        b; 0 for a straight line. [1/day]
    start_s, end_s : float
        Times of the first and last base. [s]
    bases : int
        How many there are.
    told : bool
        Whether the history alone tells the rate.
    words : str
        What was found, in words.
    """

    form: Form
    fit: Weighted
    log_per_day: float
    start_s: float
    end_s: float
    bases: int
    told: bool
    words: str

    @property
    def span_days(self) -> float:
        """From the first base to the last. [day]"""
        return (self.end_s - self.start_s) / SECONDS_PER_DAY

    def predicted(self, time_s: Floats) -> tuple[Floats, Floats]:
        """Base at these times, and its standard uncertainty. [ppb]"""
        drift = self._drift_columns(np.asarray(time_s))
        columns = np.zeros((drift.shape[0], self.fit.covariance.shape[0]))
        columns[:, -drift.shape[1] :] = drift
        columns[:, -drift.shape[1] - 1] = 1.0  # the part behind the last step
        variance = np.einsum("ij,jk,ik->i", columns, self.fit.covariance, columns)
        return np.asarray(columns @ self._coef), np.sqrt(np.maximum(variance, 0.0))

    def moved(self, time_s: Floats, since_s: float | None = None) -> tuple[Floats, Floats]:
        """By how much the base has moved since a time (None: the last base), and its standard uncertainty. [ppb]"""
        begin_s = np.array([self.end_s if since_s is None else since_s])
        since = self._drift_columns(np.asarray(time_s)) - self._drift_columns(begin_s)
        size = since.shape[1]
        variance = np.einsum("ij,jk,ik->i", since, self.fit.covariance[-size:, -size:], since)
        return np.asarray(since @ self._coef[-size:]), np.sqrt(np.maximum(variance, 0.0))

    def rate_ppb_per_day(self) -> tuple[float, float]:
        """Ageing at the last base, and its standard uncertainty. [ppb/day]"""
        moved, u = self.moved(np.array([self.end_s + SECONDS_PER_DAY / 100]))
        return 100.0 * float(moved[0]), 100.0 * float(u[0])

    @property
    def _coef(self) -> Floats:
        """The linear coefficients; the step of ln b is nought at the solution."""
        return np.append(self.fit.coef, 0.0) if self.form == "logarithmic" else self.fit.coef

    def _drift_columns(self, time_s: Floats) -> Floats:
        days = (time_s - self.start_s) / SECONDS_PER_DAY
        if self.form == "straight":
            return np.asarray(days)[:, None]
        return _log_columns(days, self.log_per_day, float(self.fit.coef[-1]))


@dataclass(frozen=True)
class DriftSince:
    """How the base has moved since the curve states it."""

    ageing: AgeingFit
    since_s: float

    def moved(self, time_s: Floats) -> tuple[Floats, Floats]:
        """By how much, and with what standard uncertainty. [ppb]"""
        return self.ageing.moved(time_s, self.since_s)


def fit_ageing(entries: tuple[Entry, ...], rate: Rate, scatter_ppb: float = 0.0) -> AgeingFit:
    """Ageing as the bases tell it; of few of them, with the known rate as one more observation.

    Parameters
    ----------
    entries : tuple of Entry
        One at least, the earliest first.
    rate : Rate
        What is known otherwise.
    scatter_ppb : float, default=0.0
        Standard deviation from base to base besides their own uncertainties: retrace. [ppb]

    Examples
    --------
    Two bases, 10 days apart, and a rate that is known to 0.5 ppb/day: the bases tell it better.

    >>> bases = tuple(Entry(10 * i * 86400.0, "trim", 25.0, 25.0, 30.0 * i, 1.0, 0.0, 1.0) for i in range(2))
    >>> found = fit_ageing(bases, Rate(1.0, 0.5, "stated"))
    >>> found.told, [round(float(one), 2) for one in found.rate_ppb_per_day()]
    (False, [2.85, 0.14])
    """
    start_s, end_s = entries[0].time_s, entries[-1].time_s
    days = np.array([(one.time_s - start_s) / SECONDS_PER_DAY for one in entries])
    measured = np.array([one.measured_ppb for one in entries])
    u = np.hypot([one.measured_u_ppb for one in entries], scatter_ppb)
    part = np.cumsum([one.kind == "step" for one in entries])
    parts = np.asarray(part[:, None] == np.arange(part[-1] + 1), dtype=np.float64)
    columns = np.column_stack([parts, days])
    count, freedom = len(entries), len(entries) - columns.shape[1]
    if count < BASES_FOR_A_LINE or freedom < 2:
        columns = np.vstack([columns, np.eye(columns.shape[1])[-1]])
        measured, u = np.append(measured, rate.ppb_per_day), np.append(u, rate.u_ppb_per_day)
        few = f"{count} base{'s' * (count > 1)}, too few to tell it alone, and {rate.words}"
        return AgeingFit("straight", weighted_fit(columns, measured, u), 0.0, start_s, end_s, count, False, few)
    line = weighted_fit(columns, measured, u)
    over = f"{count} bases over {short(days[-1])} days"
    if count >= BASES_FOR_A_LOGARITHM and freedom > 2:
        curved, log_per_day = _log_fit(parts, days, measured, u)
        if _aicc(curved, 1, curved) < _aicc(line, 0, curved) - AICC_BETTER:
            found = _scaled(_with_log_clock(curved, parts, days, log_per_day, u), curved.chi2, curved.freedom - 1)
            words = f"{curved.coef[-1]:.3g} ppb times ln({log_per_day:.2g} t + 1), t in days; {over}"
            return AgeingFit("logarithmic", found, log_per_day, start_s, end_s, count, True, words)
    found = _scaled(line, line.chi2, line.freedom)
    words = f"a straight line through {over}"
    return AgeingFit("straight", found, 0.0, start_s, end_s, count, True, words)


def _log_fit(parts: Floats, days: Floats, measured: Floats, u: Floats) -> tuple[Weighted, float]:
    """The best logarithm; b is searched where the bases can tell it from a line and from a step."""
    from scipy.optimize import minimize_scalar

    def at(log_b: float) -> Weighted:
        return weighted_fit(np.column_stack([parts, np.log1p(math.exp(log_b) * days)]), measured, u)

    steps = np.diff(days)
    grid = np.linspace(math.log(0.1 / days[-1]), math.log(100.0 / steps[steps > 0].min()), 80)
    best = int(np.argmin([at(log_b).chi2 for log_b in grid]))
    ends = grid[max(best - 1, 0)], grid[min(best + 1, grid.size - 1)]
    log_b = float(minimize_scalar(lambda one: at(one).chi2, bounds=ends, method="bounded").x)
    return at(log_b), math.exp(log_b)


def _log_columns(days: Floats, per_day: float, a_ppb: float) -> Floats:
    """ln(b t + 1), and what a step of ln b does to a times it."""
    return np.column_stack([np.log1p(per_day * days), a_ppb * per_day * days / (1.0 + per_day * days)])


def _with_log_clock(curved: Weighted, parts: Floats, days: Floats, per_day: float, u: Floats) -> Weighted:
    """The same fit with b's own uncertainty in the covariance."""
    columns = np.column_stack([parts, _log_columns(days, per_day, float(curved.coef[-1]))])
    return Weighted(curved.coef, weighted_fit(columns, np.zeros_like(days), u).covariance, curved.chi2, curved.freedom)


def _aicc(fit: Weighted, more: int, richest: Weighted) -> float:
    """Akaike's criterion for few data, the scatter taken from the richest fit where it exceeds what is stated."""
    scatter = max(1.0, richest.chi2 / max(richest.freedom - 1, 1))
    numbers, count = fit.coef.size + more, fit.coef.size + fit.freedom
    return fit.chi2 / scatter + 2 * numbers + 2 * numbers * (numbers + 1) / (count - numbers - 1)


def _scaled(fit: Weighted, chi2: float, freedom: int) -> Weighted:
    """Covariance by the scatter found, where that exceeds what the bases' uncertainties explain.

    Widened to where k = 2 covers 95 % although the scatter is an estimate itself: Student's t, JCGM 100:2008 G.3.
    """
    from scipy.stats import t

    ratio = chi2 / freedom
    if ratio <= 1.0:
        return fit
    widened = float(t.ppf(0.97725, freedom)) / 2.0
    return Weighted(fit.coef, fit.covariance * ratio * widened**2, fit.chi2, fit.freedom)
