"""The stability of the offset over an averaging time: the Allan deviation and its variants, never across a gap.

W. J. Riley, "Handbook of Frequency Stability Analysis", NIST Special Publication 1065 (2008), defines them in section 5.2 and
their confidence intervals in 5.3 to 5.5.  The offset is a sequence of mean frequencies at equal intervals; its phase is their
running sum.

Examples
--------
White noise of 1 ppb at 10 s falls with the square root of the averaging time (simulated data):

>>> noise_ppb = np.random.default_rng(1).normal(0.0, 1.0, 20_000)
>>> found = stability([noise_ppb], interval_s=10.0)
>>> found.tau_s[[0, 4]].tolist(), found.deviation_ppb[[0, 4]].round(2).tolist(), found.noise[:2]
([10.0, 160.0], [1.0, 0.25], ('white frequency', 'white frequency'))
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tcomp.arrays import FloatArray, IntArray
from tcomp.logs.neighbours import segments_of

Kind = Literal["overlapping", "plain", "modified", "hadamard"]
"""Overlapping Allan, plain Allan, modified Allan, overlapping Hadamard deviation."""

CONFIDENCE = 0.95
MIN_MEASURED = 0.75
"""Share of a term's samples that must be measured; the rest is interpolated linearly."""
MIN_FOR_NOISE = 100
"""Averages that determine the kind of noise; for longer averaging times it is taken to stay the same.  (SP 1065, 5.5.6, asks
for 30; those determine the correlation to 0.18 only, and white noise is often taken as flicker of phase.)"""
NOISES = {
    2: "white phase",
    1: "flicker phase",
    0: "white frequency",
    -1: "flicker frequency",
    -2: "random walk of frequency",
}
"""Power-law noises by their exponent alpha, S_y(f) ~ f^alpha (IEEE Std 1139)."""


@dataclass(frozen=True, eq=False)
class Stability:
    """Deviations over averaging times, all of shape (n,), with the ends of their confidence interval. [s, ppb]

    ``terms`` is the number of differences, ``freedom`` their equivalent degrees of freedom.
    """

    kind: Kind
    tau_s: FloatArray
    deviation_ppb: FloatArray
    low_ppb: FloatArray
    high_ppb: FloatArray
    terms: IntArray
    freedom: FloatArray
    noise: tuple[str, ...]

    @property
    def time_deviation_ns(self) -> FloatArray:
        """Time deviation, tau / sqrt(3) times the modified Allan deviation (SP 1065, 5.2.6); 1 ppb s is 1 ns. [ns]"""
        if self.kind != "modified":
            raise ValueError(f"the time deviation is of the modified Allan deviation, not of kind '{self.kind}'")
        return np.asarray(self.tau_s / np.sqrt(3.0) * self.deviation_ppb)


def stability(
    stretches: Sequence[FloatArray],
    interval_s: float,
    kind: Kind = "overlapping",
    factors: Sequence[int] | None = None,
    confidence: float = CONFIDENCE,
) -> Stability:
    """Deviations of the offset, pooled over stretches; no difference spans two of them.

    Parameters
    ----------
    stretches : sequence of ndarray
        Offsets at equal intervals, without gaps; NaN where single samples are missing. [ppb]
    interval_s : float
        Between samples. [s]
    kind : Kind, default="overlapping"
    factors : sequence of int, default=None
        Averaging times in intervals; None: octaves, as long as there is a difference.
    confidence : float, default=0.95
        Level of the confidence interval, by chi-square with equivalent degrees of freedom.
    """
    filled = [_Stretch.of(stretch) for stretch in stretches if np.isfinite(stretch).sum() > 1]
    longest = max((len(one.offset_ppb) for one in filled), default=0)
    octaves = [2**power for power in range(longest.bit_length())]
    rows = []
    alpha = 0
    for factor in octaves if factors is None else factors:
        sums = [one.squares(kind, factor) for one in filled]
        if not sum(count for _, count in sums):
            continue
        alpha = _noise_exponent([one.offset_ppb for one in filled], factor, alpha)
        freedom = _pooled_freedom(
            kind, alpha, factor, [(len(one.offset_ppb), n) for one, (_, n) in zip(filled, sums, strict=True)]
        )
        mean = sum(total for total, _ in sums) / sum(count for _, count in sums)
        rows.append((factor * interval_s, np.sqrt(mean), sum(count for _, count in sums), freedom, alpha))
    tau_s, deviation, terms, freedoms, exponents = (np.array([row[i] for row in rows]) for i in range(5))
    low, high = confidence_interval(deviation, freedoms, confidence)
    noise = tuple(NOISES[int(exponent)] for exponent in exponents)
    return Stability(kind, tau_s, deviation, low, high, terms.astype(np.int64), freedoms, noise)


def regular_stretches(time_s: FloatArray, values: FloatArray, interval_s: float) -> list[FloatArray]:
    """Values cut at gaps and placed at equal intervals, NaN where samples are missing.

    Each step is rounded to whole intervals, so that a logger whose interval is slightly off loses no sample.

    Examples
    --------
    >>> regular_stretches(np.array([0.0, 10.1, 30.2, 500.0, 510.0]), np.arange(5.0), 10.0)
    [array([ 0.,  1., nan,  2.]), array([3., 4.])]
    """
    segment = segments_of(time_s)
    found = []
    for number in range(int(segment[-1]) + 1 if segment.size else 0):
        inside = segment == number
        steps = np.maximum(np.round(np.diff(time_s[inside]) / interval_s), 1.0).astype(np.int64)
        place = np.concatenate([[0], np.cumsum(steps)])
        stretch = np.full(int(place[-1]) + 1, np.nan)
        stretch[place] = values[inside]
        found.append(stretch)
    return found


def confidence_interval(
    deviation: FloatArray, freedom: FloatArray, confidence: float = CONFIDENCE
) -> tuple[FloatArray, FloatArray]:
    """Ends of the confidence interval of a deviation: s^2 freedom / chi-square (SP 1065, 5.3.1). [ppb]

    Examples
    --------
    The 2.5 % and 97.5 % points of chi-square with 10 degrees are 3.247 and 20.483 (any table of it):

    >>> low, high = confidence_interval(np.array([1.0]), np.array([10.0]))
    >>> (10 / low**2).round(3).tolist(), (10 / high**2).round(3).tolist()
    ([20.483], [3.247])
    """
    from scipy.special import gammaincinv

    share = (1.0 - confidence) / 2.0
    smallest, largest = (2.0 * gammaincinv(freedom / 2.0, part) for part in (share, 1.0 - share))
    return deviation * np.sqrt(freedom / largest), deviation * np.sqrt(freedom / smallest)


@dataclass(frozen=True, eq=False)
class _Stretch:
    """A stretch with missing samples interpolated, its phase in intervals, and a running count of measured samples."""

    offset_ppb: FloatArray
    phase: FloatArray
    measured: IntArray

    @classmethod
    def of(cls, offset_ppb: FloatArray) -> _Stretch:
        there = np.isfinite(offset_ppb)
        at = np.arange(len(offset_ppb))
        # Without its mean, the running sum of a large offset keeps its digits.
        filled = np.interp(at, at[there], offset_ppb[there]) - offset_ppb[there].mean()
        return cls(filled, np.concatenate([[0.0], np.cumsum(filled)]), np.concatenate([[0], np.cumsum(there)]))

    def squares(self, kind: Kind, factor: int) -> tuple[float, int]:
        """Sum of the squares whose mean is the variance at an averaging factor, and their number. [ppb^2]"""
        order = 3 if kind == "hadamard" else 2
        difference = self.phase
        for _ in range(order):
            difference = difference[factor:] - difference[:-factor] if len(difference) > factor else difference[:0]
        reach = order * factor
        if kind == "modified":
            summed = np.concatenate([[0.0], np.cumsum(difference)])
            difference = (summed[factor:] - summed[:-factor]) / factor if len(summed) > factor else difference[:0]
            reach += factor - 1
        if kind == "plain":
            difference = difference[::factor]
        starts = np.arange(len(difference)) * (factor if kind == "plain" else 1)
        enough = self.measured[starts + reach] - self.measured[starts] >= MIN_MEASURED * reach
        scale = (6.0 if kind == "hadamard" else 2.0) * factor**2
        return float(np.sum(difference[enough] ** 2)) / scale, int(enough.sum())


def _noise_exponent(stretches: Sequence[FloatArray], factor: int, before: int) -> int:
    """Exponent alpha of the noise from the correlation of neighbouring averages (SP 1065, 5.5.6).

    Averages without their straight line are differenced until their correlation r allows r / (1 + r) < 1/4.
    """
    averages = [
        _without_line(stretch[: len(stretch) // factor * factor].reshape(-1, factor).mean(axis=1))
        for stretch in stretches
    ]
    for differenced in range(3):
        parts = [np.diff(part, n=differenced) for part in averages if len(part) > differenced + 1]
        if sum(len(part) for part in parts) < MIN_FOR_NOISE:
            return before
        parts = [part - part.mean() for part in parts]
        square = sum(float(part @ part) for part in parts)
        if square == 0:
            return before
        correlation = sum(float(part[1:] @ part[:-1]) for part in parts) / square
        delta = correlation / (1.0 + correlation)
        if delta < 0.25 or differenced == 2:
            return int(np.clip(round(-2.0 * delta) - 2 * differenced, -2, 2))
    return before


def _without_line(values: FloatArray) -> FloatArray:
    along = np.arange(len(values)) - (len(values) - 1) / 2
    spread = float(along @ along)
    return values - values.mean() - (along * (along @ values) / spread if spread else 0.0) if len(values) else values


def _pooled_freedom(kind: Kind, alpha: int, factor: int, stretches: list[tuple[int, int]]) -> float:
    """Degrees of freedom of all stretches, from those of each, weighted by its terms (Welch and Satterthwaite)."""
    terms = sum(count for _, count in stretches)
    inverse = sum(
        (count / terms) ** 2 / equivalent_freedom(kind, alpha, factor, samples + 1)
        for samples, count in stretches
        if count
    )
    return 1.0 / inverse


def equivalent_freedom(kind: Kind, alpha: int, factor: int, phases: int) -> float:
    """Equivalent degrees of freedom of a deviation of power-law noise.

    Parameters
    ----------
    kind : Kind
    alpha : int
        Exponent of the noise, 2 (white phase) to -2 (random walk of frequency).
    factor : int
        Averaging time in intervals.
    phases : int
        Number of phases: one more than the samples without gap.

    References
    ----------
    C. A. Greenhall and W. J. Riley, "Uncertainty of stability variances based on finite
    differences", 35th PTTI meeting (2003), the sum of its equations 8 to 10, which SP 1065 adopts in 5.4.1.  The shortcuts that
    both give for long sums are not needed.

    Examples
    --------
    Nine frequencies, white, differenced once: fewer than eight independent squares.

    >>> round(equivalent_freedom("overlapping", 0, 1, 10), 2)
    6.47
    """
    order = 3 if kind == "hadamard" else 2
    inside = 1 if kind == "modified" else factor
    stride = 1 if kind == "plain" else factor
    length = factor / inside + factor * order
    number = 1 + int(stride * (phases - length) / factor)
    reach = min(number, (order + 1) * stride)
    lags = np.arange(reach + 1)
    covariance = _covariance(lags / stride, inside, alpha, order)
    weight = 2.0 * (1.0 - lags / number)
    weight[[0, -1]] = 1.0, 1.0 - reach / number
    return float(number * covariance[0] ** 2 / np.sum(weight * covariance**2))


def _covariance(lag: FloatArray, inside: int, alpha: int, order: int) -> FloatArray:
    """Covariance of the differences at lags in averaging times, up to a factor (equations 7 to 9)."""

    def generalised(t: FloatArray) -> FloatArray:
        t = np.abs(t)
        log = np.log(np.where(t > 0, t, 1.0))
        return {2: -t, 1: t**2 * log, 0: t**3, -1: -(t**4) * log, -2: -(t**5)}[alpha]

    def averaged(t: FloatArray) -> FloatArray:
        return inside**2 * (2 * generalised(t) - generalised(t - 1 / inside) - generalised(t + 1 / inside))

    binomial = {2: (1, -4, 6, -4, 1), 3: (-1, 6, -15, 20, -15, 6, -1)}[order]
    return np.asarray(sum(share * averaged(lag + shift - order) for shift, share in enumerate(binomial)))
