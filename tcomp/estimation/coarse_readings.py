"""The likelihood of readings whose step is coarse beside their noise.

A counter that rounds says no more than that the mean over its gate, with its noise, lay between two bounds: the reading
is an interval, not a value (interval-censored normal regression, see docs/method.md).  A counter of whole cycles whose phase
is random shows one of the two counts about the true one, the upper with the fraction for its probability.  Both are one
formula: the chance of a reading is a kernel of the distance between reading and mean, a box or a triangle, smoothed by
normal noise.  Time and again the samples are replaced by working responses, to which least squares with the information
for weights gives the next approximation (Newton's method for each sample's log-likelihood).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tcomp.estimation.samples import Samples
from tcomp.estimation.thermal_lag import segment_bounds

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
Kind = Literal["rounded", "counted"]

GROSS = 1e-6
"""Chance of any one reading whatever the mean: a sample less likely than that is a gross error.  Normal noise leaves its
interval by 4.9 standard deviations once in so many samples."""
COARSE = 1.25
"""A step is coarse beyond so many standard deviations of a reading's scatter, its rounding included: with noise of more than
three quarters of a step what rounding does averages out."""
TRIMMED = 0.98
"""Share of the least scattered readings that tell the scatter: glitches are not to."""
FINE = 50.0
"""Beside a step this many times finer is none."""
SAME = 1e-6
"""Of a step: readings that differ by less are equal but for round-off."""
BELIEF = 0.1
MIN_INFORMATION = 1e-12
"""Weight that is left of a sample that tells nothing, as a share of that of a reading without a step: it is used all the same."""
MIN_NOISE_SHARE = 1e-3
"""Noise below this share of the step cannot be distinguished from none."""
FACTOR = 1.5
"""By how much the noise is varied to see which way it is more likely."""
REACH = 3
"""Steps to either side in which a reading is looked for: normal noise of 0.75 steps goes no farther, but for one in 10 000."""
TAIL = 6.0
"""Standard deviations beyond the triangle's end from which its logarithm is that of the normal tail."""


@dataclass(frozen=True)
class Likelihood:
    """Of each sample at some mean and noise: logarithm, first derivative by the mean, and minus the second; shape (n,)."""

    log: Floats
    score: Floats
    information: Floats


@dataclass(frozen=True)
class CoarseReadings:
    """Readings in steps; arrays of shape (n,).

    Attributes
    ----------
    kind : "rounded" or "counted"
        Rounded to the nearest step, or whole cycles counted from a random phase.
    low_ppb : ndarray
        The reading; of a cell of many the lower of the two steps about their mean.
    share : ndarray
        How many of a cell's readings stand a step higher, as a share.
    count : ndarray
        Readings in the cell.
    step_ppb : ndarray
    middle : ndarray
        Information of the weak belief that the mean is near the reading, see `_of_stretches`. [ppb**-2]
    """

    kind: Kind
    low_ppb: Floats
    share: Floats
    count: Floats
    step_ppb: Floats
    middle: Floats

    @property
    def reading_ppb(self) -> Floats:
        """The reading as it is shown, or the mean of a cell's. [ppb]"""
        return self.low_ppb + self.share * self.step_ppb

    def likelihood(self, mean_ppb: Floats, sd_ppb: Floats, gross: float = GROSS) -> Likelihood:
        """Log-likelihood of each sample and its derivatives, gross errors of this chance allowed for.

        Examples
        --------
        A reading of 0 in steps of 10 tells nothing of a mean well inside, and how far a mean outside lies off:

        >>> one = np.ones(2)
        >>> readings = CoarseReadings("rounded", 0 * one, 0 * one, one, 10 * one, 0 * one)
        >>> terms = readings.likelihood(np.array([0.0, 9.0]), one)
        >>> terms.information.round(2).tolist(), (terms.score / terms.information).round(1).tolist()
        ([0.0, 0.92], [0.0, -4.4])
        """
        found = _likelihood(self.kind, mean_ppb - self.low_ppb, sd_ppb, self.step_ppb, gross)
        if not self.share.any():
            return Likelihood(*(self.count * part for part in found))
        upper = _likelihood(self.kind, mean_ppb - self.low_ppb - self.step_ppb, sd_ppb, self.step_ppb, gross)
        return Likelihood(
            *(self.count * ((1 - self.share) * a + self.share * b) for a, b in zip(found, upper, strict=True))
        )

    def working(self, mean_ppb: Floats, sd_ppb: Floats) -> tuple[Floats, Floats]:
        """Responses and their weights, with which least squares makes a step of Newton's method. [ppb] [ppb**-2]"""
        terms = self.likelihood(mean_ppb, sd_ppb)
        weight = np.maximum(terms.information + self.middle, MIN_INFORMATION / sd_ppb**2)
        return mean_ppb + (terms.score + self.middle * (self.reading_ppb - mean_ppb)) / weight, weight

    def noise(self, noise: Noise, mean_ppb: Floats, slope_ppb_per_c: Floats, use: Mask) -> Noise:
        """The noise of greatest likelihood at this mean, or half or twice of what it was if it is farther off."""

        def log(noise: Noise) -> float:
            return float(self.likelihood(mean_ppb, noise.sd(mean_ppb, slope_ppb_per_c)).log[use].sum())

        least = MIN_NOISE_SHARE * float(self.step_ppb.max())
        reading = max(_better(noise.reading_ppb, lambda value: log(replace(noise, reading_ppb=value))), least)
        noise = replace(noise, reading_ppb=reading)
        least = MIN_NOISE_SHARE * reading / max(float(np.abs(slope_ppb_per_c).max()), 1e-12)
        sensor = max(_better(max(noise.sensor_c, least), lambda value: log(replace(noise, sensor_c=value))), least)
        return replace(noise, sensor_c=sensor)


@dataclass(frozen=True)
class FittedReadings:
    """Coarse readings about the mean that a fit predicts for each, with their noise. [ppb]"""

    readings: CoarseReadings
    mean_ppb: Floats
    sd_ppb: Floats
    noise_ppb: float

    def part(self, which: Mask | Ints | slice) -> FittedReadings:
        """Those of some samples."""
        parts = (getattr(self.readings, name) for name in ("low_ppb", "share", "count", "step_ppb", "middle"))
        readings = CoarseReadings(self.readings.kind, *(values[which] for values in parts))
        return FittedReadings(readings, self.mean_ppb[which], self.sd_ppb[which], self.noise_ppb)

    def moved(self, by_ppb: Floats) -> FittedReadings:
        """With other means."""
        return replace(self, mean_ppb=self.mean_ppb + by_ppb)

    @property
    def logs(self) -> Floats:
        """Log-likelihood of each."""
        return self.readings.likelihood(self.mean_ppb, self.sd_ppb).log

    def deviance(self, among: Mask) -> float:
        """-2 ln of the likelihood of some samples."""
        return -2.0 * float(self.logs[among].sum())

    @property
    def expected_information(self) -> Floats:
        """Fisher's information: what a reading at this mean tells of it on average over all readings there might be."""
        step_ppb = self.readings.step_ppb
        away_ppb = np.mod(self.mean_ppb - self.readings.low_ppb, step_ppb)
        information = np.zeros_like(away_ppb)
        for steps in range(-REACH, REACH + 2):
            log, score, _ = _likelihood(self.readings.kind, away_ppb - steps * step_ppb, self.sd_ppb, step_ppb)
            information += np.exp(log) * score**2
        return np.asarray(self.readings.count * information)

    @property
    def residual_ppb(self) -> Floats:
        """What the mean with its noise is expected to be, given the reading, less the mean: zero well within a step.

        Of a gross error, or beyond a jump, it is how far the reading's interval is off.
        """
        score = self.readings.likelihood(self.mean_ppb, self.sd_ppb, gross=0.0).score
        return np.asarray(score * self.sd_ppb**2 / self.readings.count)

    @property
    def error_ppb(self) -> Floats:
        """The reading as it is shown less the mean."""
        return self.readings.reading_ppb - self.mean_ppb


def coarse_readings(samples: Samples, kind: Kind) -> CoarseReadings | None:
    """The samples as readings in steps; None where no run's step is coarse beside its noise."""
    step_ppb = samples.step_ppb
    bounds = segment_bounds(samples.run) if samples.has_time else []
    coarse = [float(step_ppb[start]) for start, stop in bounds if _is_coarse(samples, slice(start, stop))]
    if not coarse:
        return None
    # Of a run whose step is fine a value is an interval narrow enough.
    step_ppb = np.maximum(step_ppb, max(coarse) / FINE)
    low_ppb, share, count = samples.offset_ppb, np.zeros_like(step_ppb), np.ones_like(step_ppb)
    if samples.cells is not None:
        steps = (samples.offset_ppb - samples.shown_ppb) / step_ppb
        share = np.clip(steps - np.floor(steps + SAME), 0.0, 1.0)
        low_ppb, count = samples.offset_ppb - share * step_ppb, samples.cells.count
    middle = _of_stretches(low_ppb + share * step_ppb, step_ppb) if kind == "rounded" else np.zeros_like(step_ppb)
    return CoarseReadings(kind, low_ppb, share, count, step_ppb, middle)


def changing(samples: Samples) -> Mask:
    """Samples whose reading differs from that of a neighbour in the segment, shape (n,)."""
    differs = (np.diff(samples.offset_ppb) != 0) & (np.diff(samples.segment) == 0)
    return np.asarray(np.append(differs, False) | np.insert(differs, 0, False))


def _is_coarse(samples: Samples, run: slice) -> bool:
    """Whether the step of a run is more than the noise of a reading, nearly.

    With less, the error of rounding is like noise of its own (B. Widrow and I. Kollar).  The scatter about the two
    neighbours is estimated by its mean, since half of all readings or more do not differ from theirs.
    """
    step_ppb, y = float(samples.step_ppb[run.start]), samples.offset_ppb[run]
    if samples.cells is not None:
        scatter_ppb = float(np.mean(np.sort(samples.cells.noise_ppb[run])[: max(int(TRIMMED * y.size), 1)]))
    else:
        bend = np.sort(np.abs(y[:-2] - 2 * y[1:-1] + y[2:]))
        scatter_ppb = (
            float(np.mean(bend[: max(int(TRIMMED * bend.size), 1)])) * math.sqrt(math.pi / 2 / 6) if bend.size else 0.0
        )
    return step_ppb > COARSE * scatter_ppb


def _of_stretches(reading_ppb: Floats, step_ppb: Floats) -> Floats:
    """Information of the belief that the mean is near the reading, shape (n,). [ppb**-2]

    Where intervals alone leave the curve free it is to pass by their middles.  A stretch of equal readings is one such
    statement, by a rectangular distribution, however many samples it has; beside the information of a step that is
    crossed it is next to nothing.
    """
    first = np.concatenate([[True], np.diff(reading_ppb) != 0])
    stretch = np.cumsum(first) - 1
    return np.asarray(BELIEF * 12.0 / step_ppb**2 / np.bincount(stretch)[stretch])


@dataclass(frozen=True)
class Noise:
    """Noise of a reading and of the sensor, and what the mean passes within a sample as a share of its change to the next.

    The readings of a cell are spread over that (``spread``), beside their noise.
    When within a sample a step was crossed is not seen, so that a sample tells its mean no better than it moves in it.
    """

    reading_ppb: float
    sensor_c: float
    passed: Floats | float
    spread: bool = False

    def sd(self, mean_ppb: Floats, slope_ppb_per_c: Floats) -> Floats:
        """Standard deviation of each sample. [ppb]"""
        passed = (np.gradient(mean_ppb) * self.passed) ** 2
        noise = self.reading_ppb**2 + (slope_ppb_per_c * self.sensor_c) ** 2
        return np.asarray(np.sqrt(noise + passed if self.spread else np.maximum(noise, passed)))


NO_NOISE = Noise(0.0, 0.0, 0.0)


def _better(value: float, log: Callable[[float], float]) -> float:
    """A positive number nearer to where the log-likelihood is greatest, by a parabola over its logarithm."""
    low, here, high = (log(value * factor) for factor in (1 / FACTOR, 1.0, FACTOR))
    bent = low - 2 * here + high
    if bent >= 0:
        return value * (FACTOR if high > low else 1 / FACTOR)
    step = 0.5 * (low - high) / bent
    return float(value * FACTOR ** min(max(step, -1.0), 1.0))


def _likelihood(
    kind: Kind, away_ppb: Floats, sd_ppb: Floats, step_ppb: Floats, gross: float = GROSS
) -> tuple[Floats, Floats, Floats]:
    """Logarithm, score and information of one reading each, as a mixture with gross errors.

    Of the mixture the score is exact; the information is that of the part that is no gross error, times the chance that
    the sample is of it, so that it is never negative.
    """
    log, score, information = (_rounded if kind == "rounded" else _counted)(np.abs(away_ppb), sd_ppb, step_ppb)
    if gross == 0:
        return log, score * np.sign(away_ppb), information
    good = 1.0 / (1.0 + gross * np.exp(np.minimum(-log, 700.0)))
    return np.logaddexp(log, math.log(gross)), good * score * np.sign(away_ppb), good * information


def _rounded(away_ppb: Floats, sd_ppb: Floats, step_ppb: Floats) -> tuple[Floats, Floats, Floats]:
    """A box of one step: Phi(a) - Phi(b), with both on the side where they are small."""
    a, b = (step_ppb / 2 - away_ppb) / sd_ppb, (-step_ppb / 2 - away_ppb) / sd_ppb
    from scipy.special import log_ndtr

    log = log_ndtr(a)
    log += np.log1p(-np.exp(np.minimum(log_ndtr(b) - log, -1e-15)))
    at_a, at_b = (np.exp(-0.5 * z * z - log) / math.sqrt(2 * math.pi) for z in (a, b))
    score = (at_b - at_a) / sd_ppb
    return log, score, np.maximum(score**2 + (a * at_a - b * at_b) / sd_ppb**2, 0.0)


def _counted(away_ppb: Floats, sd_ppb: Floats, step_ppb: Floats) -> tuple[Floats, Floats, Floats]:
    """A triangle of two steps, smoothed: the second difference of z Phi(z) + phi(z)."""
    end = (away_ppb - step_ppb) / sd_ppb
    z = [end + step_ppb / sd_ppb, np.minimum(end, TAIL), end + 2 * step_ppb / sd_ppb]
    from scipy.special import ndtr

    normal, density = [ndtr(-one) for one in z], [np.exp(-0.5 * one * one) / math.sqrt(2 * math.pi) for one in z]
    # On the side of -z nothing cancels: G(-z) = phi(z) - z Phi(-z).
    chance = [p - one * n for one, n, p in zip(z, normal, density, strict=True)]
    unit = sd_ppb / step_ppb
    inside = np.maximum(unit * (chance[1] - 2 * chance[0] + chance[2]), 1e-300)
    score = -(normal[1] - 2 * normal[0] + normal[2]) / step_ppb / inside
    curved = (density[1] - 2 * density[0] + density[2]) / (step_ppb * sd_ppb) / inside
    tail = end > TAIL
    log = np.log(inside) - np.where(tail, 0.5 * (end**2 - TAIL**2), 0.0)
    # Beyond the range of floats only where the tail takes its place.
    score = np.where(tail, -end / sd_ppb, np.clip(score, -1e150, 1e150))
    return log, score, np.where(tail, 1 / sd_ppb**2, np.maximum(score**2 - curved, 0.0))
