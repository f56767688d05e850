"""The base as states that move with time: offset, rate, logarithm and random walk, estimated from trim to trim.

b(t) = b0 + r t + a ln(1 + c t) + w(t), t from the first base; w gains a variance of q per day.  The logarithm is the form that
MIL-PRF-55310 names (second-hand).  For given c and q a Kalman filter is exact; c and q are not known, so a bank of filters runs
over a grid of them, each weighted by its prior and by how well it has predicted (D. T. Magill, IEEE Trans. Automatic Control 10
(1965) 434-439, from memory).  The mixture's tails are heavy while few bases tell the walk, as those of Student's t are.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal, overload

import numpy as np
from numpy.typing import NDArray

from tcomp.budget.budget import COVERED
from tcomp.budget.contribution import WIDER
from tcomp.budget.history import Entry
from tcomp.units import SECONDS_PER_DAY, short

Floats = NDArray[np.float64]
Form = Literal["straight", "logarithmic"]

CONTRADICTS = 3.0
"""Standard uncertainties between a base and what was predicted (k = 3, common practice, no source)."""
PER_DAY = np.geomspace(1 / 512, 2.0, 11)
"""Clocks c of the logarithm: slower ones are a straight line over years, faster ones a step. Neighbours differ by less than the
walk makes good. [1/day]"""
WALK_TIMES = 2.0 ** np.arange(-3, 4)
"""Random walks, in typical ones."""
LOG_DAYS, LOG_DAYS_ASSUMED = 5.0, 100.0
"""The logarithm's a is taken to be the rate's uncertainty times so many days; where the rate is only what is typical, times the
second, with which the middle clock moves the base in a year by about as much as the rate does (by the arithmetic; the shares of the
two are common practice, no source)."""
TINY_U = 1e-12
"""What is known exactly is taken to be known so well, as it is divided by. [ppb]"""
SLIGHT = 1e-6
"""Filters of less weight are left out of a prediction."""
STRAY, STRAY_WALKS = 0.02, 100.0
"""The share of points that are stray, and the half-width of the Cauchy distribution that they have, in typical walks of a day
(common practice, no source).  Filters are weighted by it, so that one wild point does not decide between walks."""
MIN_U = 1e-6
"""An uncertainty below this is none that anything could be weighed by. [ppb] [ppb/day]"""
BASES_TO_TELL = 4
"""With fewer bases the words say that they are few."""
SEEN = 2.0
"""Standard uncertainties beyond which a logarithm is said to be seen."""


@dataclass(frozen=True)
class Rate:
    """What is known of the ageing without a history: a rate with its standard uncertainty.

    ``bound_ppb_per_day``: it is anything within +/- this, and ``u_ppb_per_day`` that of a rectangle.  ``at_least``: times as large
    as an assumed one is at least.  ``walk_ppb`` is the standard deviation of what the base typically walks in a day; it grows with
    the root of the days.
    """

    ppb_per_day: float
    u_ppb_per_day: float
    words: str
    assumed: bool = False
    bound_ppb_per_day: float | None = None
    at_least: float = 1 / WIDER
    walk_ppb: float = 1.0


@dataclass(frozen=True, eq=False)
class FilterBank:
    """A Kalman filter for each clock of the logarithm and each walk.

    Attributes
    ----------
    per_day, walk_variance : ndarray of shape (K,)
        c [1/day], and q. [ppb**2/day]
    log_weight : ndarray of shape (K,)
        Logarithms of the weights, up to a constant.
    mean : ndarray of shape (K, 3)
        Base now [ppb], r [ppb/day], a [ppb].
    covariance : ndarray of shape (K, 3, 3)
    days : float
        Now, from the first base.
    """

    per_day: Floats
    walk_variance: Floats
    log_weight: Floats
    mean: Floats
    covariance: Floats
    days: float

    @property
    def weight(self) -> Floats:
        """Posterior probabilities, shape (K,)."""
        weight = np.exp(self.log_weight - self.log_weight.max())
        return np.asarray(weight / weight.sum())

    def moves(self, days: Floats) -> Floats:
        """By how much r and a move the base from now to these days: factors of shape (K, n, 2)."""
        logs = np.log1p(self.per_day[:, None] * np.maximum(days, 0.0))
        logs = logs - np.log1p(self.per_day * max(self.days, 0.0))[:, None]
        return np.stack([np.broadcast_to(days - self.days, logs.shape), logs], axis=-1)

    def at(self, days: float) -> FilterBank:
        """The bank at a later time."""
        transition = np.broadcast_to(np.eye(3), self.covariance.shape).copy()
        transition[:, 0, 1:] = self.moves(np.array([days]))[:, 0]
        covariance = transition @ self.covariance @ transition.transpose(0, 2, 1)
        covariance[:, 0, 0] += self.walk_variance * (days - self.days)
        mean = np.einsum("kij,kj->ki", transition, self.mean)
        return replace(self, mean=mean, covariance=covariance, days=days)

    @property
    def stray_ppb(self) -> float:
        """How far a stray point may lie. [ppb]"""
        return STRAY_WALKS * math.sqrt(float(self.walk_variance.min())) / float(WALK_TIMES[0])

    def updated(self, measured_ppb: float, u_ppb: float) -> FilterBank:
        """The bank after a measurement of the base."""
        variance = self.covariance[:, 0, 0] + u_ppb**2
        away = measured_ppb - self.mean[:, 0]
        gain = self.covariance[:, :, 0] / variance[:, None]
        mean = self.mean + gain * away[:, None]
        covariance = self.covariance - gain[:, :, None] * gain[:, None, :] * variance[:, None, None]
        return replace(self.weighed(measured_ppb, u_ppb), mean=mean, covariance=covariance)

    def away(self, measured_ppb: float, u_ppb: float) -> float:
        """Distance of a measurement from what is predicted, in standard uncertainties of the two."""
        sd = np.sqrt(self.covariance[:, :1, 0] + u_ppb**2)
        predicted, u = mixed(self.weight, self.mean[:, :1], sd)
        return abs(measured_ppb - float(predicted[0])) / float(u[0])

    def weighed(self, measured_ppb: float, u_ppb: float) -> FilterBank:
        """The bank weighted anew by a measurement that may be stray, its states as they were."""
        variance = self.covariance[:, 0, 0] + u_ppb**2
        away = measured_ppb - self.mean[:, 0]
        normal = -(np.log(2 * math.pi * variance) + away**2 / variance) / 2
        stray = -np.log(math.pi * self.stray_ppb * (1 + (away / self.stray_ppb) ** 2))
        likelihood = np.logaddexp(math.log1p(-STRAY) + normal, math.log(STRAY) + stray)
        return replace(self, log_weight=self.log_weight + likelihood)

    def stepped(self, measured_ppb: float, u_ppb: float) -> FilterBank:
        """The bank after a step: the base is what was measured, rate and logarithm stay."""
        mean, covariance = self.mean.copy(), self.covariance.copy()
        mean[:, 0] = measured_ppb
        covariance[:, 0, :] = covariance[:, :, 0] = 0.0
        covariance[:, 0, 0] = u_ppb**2
        return replace(self, mean=mean, covariance=covariance)

    def reopened(self, rate: Rate) -> FilterBank:
        """The bank where the ageing bends: rate and logarithm are as uncertain again as at first, and so are clock and walk."""
        covariance = self.covariance.copy()
        covariance[:, [1, 2], [1, 2]] += _prior_variances(rate)
        return replace(self, log_weight=_prior_bank(rate, 0.0, 1.0).log_weight, covariance=covariance)


def _prior_variances(rate: Rate) -> Floats:
    """Of r and a."""
    u = max(rate.u_ppb_per_day, MIN_U)
    return np.array([u**2, ((LOG_DAYS_ASSUMED if rate.assumed else LOG_DAYS) * u) ** 2])


def _prior_bank(rate: Rate, base_ppb: float, u_ppb: float) -> FilterBank:
    """At the first base. Clocks are alike probable on a logarithmic scale, walks as by half a Cauchy distribution about the typical
    one (A. Gelman, Bayesian Analysis 1 (2006) 515-534, from memory)."""
    per_day, times = (grid.ravel() for grid in np.meshgrid(PER_DAY, WALK_TIMES, indexing="ij"))
    mean = np.tile([base_ppb, rate.ppb_per_day, 0.0], (per_day.size, 1))
    covariance = np.tile(np.diag([u_ppb**2, *_prior_variances(rate)]), (per_day.size, 1, 1))
    return FilterBank(
        per_day, (rate.walk_ppb * times) ** 2, np.log(times / (1 + times**2)), mean, covariance, 0.0
    )  # fmt: skip


def mixed(weight: Floats, mean: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """Mean of a mixture of normal distributions, and its standard uncertainty: half of what covers as much about the mean as k = 2
    does of one.

    Parameters
    ----------
    weight : ndarray of shape (K,)
        Sums to 1.
    mean, sd : ndarray of shape (K, n)

    Examples
    --------
    >>> one, wide = np.array([[0.0]]), np.array([[0.0], [0.0]])
    >>> [round(float(mixed(np.ones(1), one, one + 2.0)[1][0]), 3),
    ...  round(float(mixed(np.full(2, 0.5), wide, np.array([[1.0], [5.0]]))[1][0]), 3)]
    [2.0, 4.225]
    """
    from scipy.special import ndtr, ndtri

    kept = weight > SLIGHT
    weight, mean, sd = weight[kept] / weight[kept].sum(), mean[kept], np.maximum(sd[kept], TINY_U)
    # Sums along the first axis: a column has the same sum whatever stands beside it.
    middle = (weight[:, None] * mean).sum(axis=0)
    low, high = np.zeros_like(middle), (np.abs(mean - middle) + 4.0 * sd).max(axis=0)
    for _ in range(40):
        half = (low + high) / 2
        inside = ndtr((middle + half - mean) / sd) - ndtr((middle - half - mean) / sd)
        enough = (weight[:, None] * inside).sum(axis=0) >= COVERED
        low, high = np.where(enough, low, half), np.where(enough, half, high)
    return np.asarray(middle), np.where(sd.max(axis=0) > TINY_U, high, 0.0) / float(ndtri(0.5 + COVERED / 2))


@dataclass(frozen=True, eq=False)
class AgeingFit:
    """How the base moves.

    Attributes
    ----------
    bank : FilterBank
        At the last base.
    start_s, end_s : float
        Times of the first and last base. [s]
    bases : int
        How many there are.
    rate : Rate
        What was known without them.
    """

    bank: FilterBank
    start_s: float
    end_s: float
    bases: int
    rate: Rate

    @property
    def span_days(self) -> float:
        """From the first base to the last. [day]"""
        return (self.end_s - self.start_s) / SECONDS_PER_DAY

    @property
    def identifiable(self) -> bool:
        """Whether the history tells the rate better than it was known before."""
        return self.bases >= BASES_TO_TELL and self.rate_ppb_per_day()[1] < self.rate.u_ppb_per_day / 2

    @property
    def form(self) -> Form:
        """Whether a logarithm is seen."""
        a_ppb, u = self._logarithm()
        return "logarithmic" if abs(a_ppb) > SEEN * u else "straight"

    @property
    def words(self) -> str:
        """What the figures rest on."""
        if self.bases < BASES_TO_TELL:
            return f"{self.bases} base{'s' * (self.bases > 1)}, too few to tell it alone, and {self.rate.words}"
        over = f"{self.bases} bases over {short(self.span_days)} days, which walk by {self.walk_ppb():.2g} ppb in a day's root"
        if self.form == "straight":
            return f"no logarithm seen in {over}"
        return f"with {self._logarithm()[0]:.3g} ppb times ln({self._clock():.2g} t + 1), t in days; {over}"

    def walk_ppb(self) -> float:
        """The random walk, root mean square of the posterior. [ppb per root day]"""
        return math.sqrt(float(self.bank.weight @ self.bank.walk_variance))

    def predicted(self, time_s: Floats) -> tuple[Floats, Floats]:
        """Base at these times, and its standard uncertainty. [ppb]

        Variances are taken at whole days from the last base, straight between them, so that a time has the same in every batch,
        and any number of times is soon done.
        """
        return self._over_days(time_s, self.bank.days, 1.0)

    def moved(self, time_s: Floats, since_s: float | None = None) -> tuple[Floats, Floats]:
        """By how much the base has moved since a time (None: the last base), and its standard uncertainty. [ppb]"""
        return self._over_days(time_s, self.bank.days if since_s is None else self._days(since_s), 0.0)

    def _over_days(self, time_s: Floats, since: float, of_base: float) -> tuple[Floats, Floats]:
        """The base, or with ``of_base`` 0 its move alone; NaN where a time is."""
        days = np.asarray(self._days(time_s), dtype=np.float64)
        known = np.isfinite(days)
        mean_ppb, u_ppb = np.full(days.shape, np.nan), np.full(days.shape, np.nan)
        if known.any():
            away = days[known] - since
            whole = np.unique(np.concatenate([np.floor(away), np.floor(away) + 1.0]))
            u_ppb[known] = np.sqrt(np.interp(away, whole, self._since(since + whole, since, of_base)[1] ** 2))
            mean_ppb[known] = of_base * float(self.bank.weight @ self.bank.mean[:, 0]) + self._mean_since(
                days[known], since
            )
        return mean_ppb, u_ppb

    def rate_ppb_per_day(self) -> tuple[float, float]:
        """Ageing at the last base, and its standard uncertainty. [ppb/day]"""
        bank = self.bank
        of_a = bank.per_day / (1 + bank.per_day * bank.days)
        factors = np.stack([np.zeros_like(of_a), np.ones_like(of_a), of_a], axis=-1)[:, None, :]
        rate, u = self._mixed(factors, np.zeros(1))
        return float(rate[0]), float(u[0])

    @overload
    def _days(self, time_s: float) -> float: ...
    @overload
    def _days(self, time_s: Floats) -> Floats: ...
    def _days(self, time_s: float | Floats) -> float | Floats:
        return (time_s - self.start_s) / SECONDS_PER_DAY

    def _since(self, days: Floats, since: float, of_base: float) -> tuple[Floats, Floats]:
        factors = self.bank.moves(days) - self.bank.moves(np.array([since]))
        base = np.full((*factors.shape[:2], 1), of_base)
        return self._mixed(np.concatenate([base, factors], axis=-1), days - since)

    def _mean_since(self, days: Floats, since: float) -> Floats:
        """The mean alone, for any number of times: clocks are few."""
        bank, weight = self.bank, self.bank.weight
        mean = (weight @ bank.mean[:, 1]) * (days - since)
        for per_day in PER_DAY:
            a_ppb = float((weight * (bank.per_day == per_day)) @ bank.mean[:, 2])
            mean = mean + a_ppb * (np.log1p(per_day * np.maximum(days, 0.0)) - math.log1p(per_day * max(since, 0.0)))
        return np.asarray(mean)

    def _mixed(self, factors: Floats, days: Floats) -> tuple[Floats, Floats]:
        """Of a linear function of the states, with what the base walks in so many days; factors of shape (K, n, 3)."""
        mean = np.einsum("kni,ki->kn", factors, self.bank.mean)
        variance = np.einsum("kni,kij,knj->kn", factors, self.bank.covariance, factors)
        variance = variance + self.bank.walk_variance[:, None] * np.abs(days)
        return mixed(self.bank.weight, mean, np.sqrt(np.maximum(variance, 0.0)))

    def _logarithm(self) -> tuple[float, float]:
        factors = np.zeros((self.bank.per_day.size, 1, 3))
        factors[:, :, 2] = 1.0
        a_ppb, u = self._mixed(factors, np.zeros(1))
        return float(a_ppb[0]), float(u[0])

    def _clock(self) -> float:
        """The likeliest. [1/day]"""
        return float(self.bank.per_day[int(np.argmax(self.bank.log_weight))])


@dataclass(frozen=True)
class DriftSince:
    """How the base has moved since the curve states it."""

    ageing: AgeingFit
    since_s: float

    def moved(self, time_s: Floats) -> tuple[Floats, Floats]:
        """By how much, and with what standard uncertainty. [ppb]"""
        return self.ageing.moved(time_s, self.since_s)


def fit_ageing(entries: tuple[Entry, ...], rate: Rate, scatter_ppb: float = 0.0) -> AgeingFit:
    """What the bases tell of the ageing, with what is known of it otherwise.

    A base that was refused does not count, unless the one behind it showed that the ageing bends.

    Parameters
    ----------
    entries : tuple of Entry
        One at least, the earliest first, and not refused.
    rate : Rate
        What is known otherwise.
    scatter_ppb : float, default=0.0
        Standard deviation from base to base besides their own uncertainties: retrace. [ppb]

    Examples
    --------
    Four bases, 30 days apart, on a straight line of 1 ppb/day, of which 0 +/- 0.5 was known before:

    >>> bases = tuple(Entry(30 * i * 86400.0, "trim", 25.0, 25.0, 30.0 * i, 1.0, 0.0, 1.0) for i in range(4))
    >>> found = fit_ageing(bases, Rate(0.0, 0.5, "stated"))
    >>> found.identifiable, [round(float(one), 1) for one in found.rate_ppb_per_day()]
    (True, [1.0, 0.1])
    """
    first = entries[0]
    bank = kept = _prior_bank(rate, first.measured_ppb, max(math.hypot(first.measured_u_ppb, scatter_ppb), MIN_U))
    bases = 1
    refused: tuple[Entry, ...] = ()
    for entry in offered_once(entries)[1:]:
        if entry.kind == "refused":
            bank = _after(bank, entry, first.time_s, scatter_ppb)
            refused = (*refused, entry)
            continue
        taken = (*refused[-1:], entry) if entry.kind == "bend" else (entry,)
        bank = kept.reopened(rate) if entry.kind == "bend" else bank
        for one in taken:
            bank = _after(bank, replace(one, kind=entry.kind), first.time_s, scatter_ppb)
        kept, bases, refused = bank, bases + len(taken), ()
    return AgeingFit(bank, first.time_s, entries[-1].time_s, bases, rate)


def offered_once(entries: tuple[Entry, ...]) -> tuple[Entry, ...]:
    """Without the points that were refused at first, and taken when they were offered again."""
    return tuple(
        one
        for one, after in zip(entries, (*entries[1:], None), strict=True)
        if after is None or after.time_s > one.time_s
    )


def _after(bank: FilterBank, entry: Entry, start_s: float, scatter_ppb: float) -> FilterBank:
    """The bank after an entry.  Runs that contradict open a new part, as a step does: a chamber may do more than measure."""
    bank = bank.at((entry.time_s - start_s) / SECONDS_PER_DAY)
    measured_ppb, u = entry.measured_ppb, max(math.hypot(entry.measured_u_ppb, scatter_ppb), MIN_U)
    if entry.kind == "refused":
        return bank.weighed(measured_ppb, u)
    if entry.kind == "step" or (entry.kind == "runs" and bank.away(measured_ppb, u) > CONTRADICTS):
        return bank.stepped(measured_ppb, u)
    return bank.updated(measured_ppb, u)
