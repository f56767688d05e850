"""The temperature behind a sensor with coarse steps: every reading is an interval, and the times at which it changes tell most.

A reading r of step q says r - q/2 <= T + e < r + q/2, with T the temperature and e a noise that is small against q.  The
likelihood of that interval is maximised together with a prior on how the rate changes from row to row: Student's t with one
degree of freedom, so that ramps and soaks are straight and corners are allowed.  Its variances are found by the EM algorithm,
as in sparse Bayesian learning (M. E. Tipping, J. Machine Learning Research 1 (2001) 211-244).  Draws of the
posterior come from solving for perturbed data (G. Papandreou and A. L. Yuille, Advances in Neural Information Processing
Systems 23 (2010)); they carry the correlation from row to row into weights and covariances.

Where the reading stands still, in a soak, the temperature may be anywhere in its interval, and all rows of the soak share that
error: there the estimate is the middle of the interval, with the standard uncertainty q / sqrt(12) (JCGM 100:2008, F.2.2.1).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DRAWS = 24
"""Draws of the posterior: a standard deviation from them is known to 1 / sqrt(2 * 24), or 14 %, of itself."""
ITERATIONS = 60
"""EM steps; with more the ramps get straighter by less than their uncertainty (60 to 150 tried on invented chambers that ramp,
settle, hunt and climb stairs)."""
FIRST_NOISE = 0.25
"""Steps of noise that EM begins with, and beyond which the readings are dithered anyway."""
FIRST_BEND = 0.01
"""Steps by which the rate may change from row to row at first, at most."""
MIN_NOISE = 1e-3
"""Steps of noise below which nothing changes."""
BETWEEN_ROWS = 0.3
"""Share of the way from row to row that is the scale on which an interval ends: when within it the reading changed is not
known."""
MIN_CHANGES = 3
"""Changes of the reading that make a ramp."""
IN_STEP = 0.8
"""Rows by which all changes of a ramp can be moved together, from which it is in step with the rows."""
SOAK_OF_RAMP = 0.5
"""Share of a plateau on the way of a ramp that must lie beyond the middle, by the rates beside it, for a soak in between."""
BESIDE_ROWS = 6
"""Rows that tell the rate beside a plateau."""
MIN_ROWS = 8
"""Rows of a segment that identify a rate."""
STILL = 0.1
"""Steps from row to row below which a stretch is slow."""
SLOW_ROWS = 21
"""Rows over which that is estimated."""
ALIKE = 0.8
"""Share of slow neighbours with the same reading from which noise does not dither the steps.  With noise of a standard
deviation s, neighbours at a place anywhere in a step of q differ with the probability 1.13 s / q for small s (2 / sqrt(pi),
the mean distance of two normal values): 0.8 is a noise of about q / 6, at which the mean reading of a soak is off by up to
0.18 q (q / pi exp(-2 pi^2 s^2 / q^2); B. Widrow, I. Kollar and M.-C. Liu, IEEE Trans. Instrum. Meas. 45 (1996) 353-361)."""
MIN_SLOW = 20
"""Slow neighbours that tell that share."""


@dataclass(frozen=True, kw_only=True)
class IntervalTemperature:
    """Temperature of each row, draws of its error about zero, and the sensor's noise that was found. [degC]

    Shapes (n,) and (n, DRAWS).  ``in_step_c`` is the part of the errors that a whole ramp shares, as a root mean square over
    the draws, shape (n,).
    """

    temperature_c: Floats
    errors_c: Floats
    in_step_c: Floats
    noise_c: float


def is_coarse(time_s: Floats, reading_c: Floats, segment: Ints, step_c: float) -> bool:
    """Whether the steps of a sensor are so coarse that its noise does not average them out where it is slow.

    Parameters
    ----------
    time_s, reading_c : ndarray of shape (n,)
        [s] [degC]
    segment : ndarray of int of shape (n,)
        Number of the stretch without gaps that each row lies in.
    step_c : float
        Step of the readings; 0: finer than they show. [degC]

    Examples
    --------
    >>> true_c = 20.0 + 0.3 * np.sin(np.arange(600) / 100.0)
    >>> noise_c = 0.1 * np.random.default_rng(1).normal(size=600)
    >>> stretch = np.zeros(600, dtype=int)
    >>> [is_coarse(10.0 * np.arange(600), np.round((true_c + noise_c) / q) * q, stretch, q) for q in (1.0, 0.25)]
    [True, False]
    """
    if step_c <= 0 or time_s.size < SLOW_ROWS:
        return False
    ahead = np.full(time_s.size, SLOW_ROWS - 1)
    first = np.minimum(np.arange(time_s.size), time_s.size - SLOW_ROWS)
    moved_c = np.abs(reading_c[first + ahead] - reading_c[first])
    # A single step in the window may be a place beside an edge, and is no way that was gone.
    slow = (moved_c < STILL * step_c * SLOW_ROWS) & (segment[first] == segment[first + ahead])
    pairs = slow[:-1] & (segment[1:] == segment[:-1])
    if pairs.sum() < MIN_SLOW:
        return False
    alike = np.abs(np.diff(reading_c)) < 0.25 * step_c
    return bool(alike[pairs].mean() > ALIKE)


def interval_temperature(
    time_s: Floats, reading_c: Floats, segment: Ints, step_c: float, seed: int = 0
) -> IntervalTemperature:
    """Temperature behind readings that are the middles of intervals.

    Parameters
    ----------
    time_s, reading_c : ndarray of shape (n,)
        Increasing times, and readings, each half a step from the ends of its interval. [s] [degC]
    segment : ndarray of int of shape (n,)
        Number of the stretch without gaps that each row lies in; each is smoothed by itself.
    step_c : float
        Length of the intervals. [degC]
    seed : int, default=0
        Of the draws: the same input gives the same output.

    Examples
    --------
    A ramp in steps of 1 degC, of which the readings are off by 0.29 degC:

    >>> t = 10.0 * np.arange(400)
    >>> found = interval_temperature(t, np.round(20.3 + t / 300.0), np.zeros(400, dtype=int), 1.0)
    >>> bool(np.std((found.temperature_c - 20.3 - t / 300.0)[30:-30]) < 0.03)
    True
    """
    rng = np.random.default_rng(seed)
    edges = [0, *(np.flatnonzero(np.diff(segment)) + 1).tolist(), segment.size]
    parts = []
    for start, stop in pairwise(edges):
        own = slice(start, stop)
        parts.append(_of_segment(_Readings(time_s[own], reading_c[own], step_c), rng))
    noise = math.sqrt(math.fsum(part.noise_c**2 * part.temperature_c.size for part in parts) / segment.size)
    return IntervalTemperature(
        temperature_c=np.concatenate([part.temperature_c for part in parts]),
        errors_c=np.concatenate([part.errors_c for part in parts]),
        in_step_c=np.concatenate([part.in_step_c for part in parts]),
        noise_c=noise,
    )


def plateaus(reading_c: Floats, step_c: float) -> tuple[Ints, Ints]:
    """First row of each stretch of equal readings, and the number of rows in it.

    Examples
    --------
    >>> plateaus(np.array([20.0, 20.0, 21.0]), 1.0)
    (array([0, 2]), array([2, 1]))
    """
    starts = np.flatnonzero(np.append(True, np.abs(np.diff(reading_c)) > 0.25 * step_c))
    return starts, np.diff(np.append(starts, reading_c.size))


@dataclass(frozen=True)
class _Readings:
    """A segment: times, the middles of its intervals, and their length."""

    time_s: Floats
    middle_c: Floats
    step_c: float

    @cached_property
    def interval_s(self) -> float:
        return float(np.median(np.diff(self.time_s)))

    @cached_property
    def nearly_alike(self) -> Floats:
        """How many rows about each row have its reading or the next to it, without a break."""
        starts, sizes = plateaus(self.middle_c, self.step_c)
        value, stops = self.middle_c[starts], starts + sizes
        count = np.empty(starts.size)
        for k in range(starts.size):
            first = last = k
            while first > 0 and abs(value[first - 1] - value[k]) < 1.25 * self.step_c:
                first -= 1
            while last < starts.size - 1 and abs(value[last + 1] - value[k]) < 1.25 * self.step_c:
                last += 1
            count[k] = stops[last] - starts[first]
        return np.repeat(count, sizes)

    @cached_property
    def at_changes(self) -> NDArray[np.bool_]:
        """Rows beside a change of the reading."""
        changes = plateaus(self.middle_c, self.step_c)[0][1:]
        beside = np.zeros(self.middle_c.size, dtype=bool)
        beside[changes], beside[changes - 1] = True, True
        return beside


def _of_segment(readings: _Readings, rng: np.random.Generator) -> IntervalTemperature:
    if readings.time_s.size < MIN_ROWS:
        anywhere_c = readings.step_c / math.sqrt(12.0) * rng.normal(size=DRAWS)
        errors_c = np.tile(anywhere_c, (readings.time_s.size, 1))
        none_c = np.zeros(readings.time_s.size)
        return IntervalTemperature(temperature_c=readings.middle_c, errors_c=errors_c, in_step_c=none_c, noise_c=0.0)
    found = _with_ramps_in_step(_Smoother(readings, rng).smoothed(), readings, rng)
    return _with_soaks_in_the_middle(found, readings, rng)


class _Smoother:
    """Maximises the likelihood of the intervals with a heavy-tailed prior on changes of the rate, by EM."""

    def __init__(self, readings: _Readings, rng: np.random.Generator) -> None:
        self.readings = readings
        count, half_c = readings.middle_c.size, readings.step_c / 2
        self.low_c, self.high_c = readings.middle_c - half_c, readings.middle_c + half_c
        # All rows of a plateau together count as one value with the variance of a rectangle: enough to hold a soak.
        self.whole = 12.0 / (readings.nearly_alike * readings.step_c**2)
        ratio = np.diff(readings.time_s) / readings.interval_s
        before, behind = 1.0 / ratio[:-1], 1.0 / ratio[1:]
        self.bend = np.array([before, -before - behind, behind])
        """Change of the rate at each inner row, in degC per usual interval, as three diagonals."""
        self.of_bends, self.of_rows = rng.normal(size=(count - 2, DRAWS)), rng.normal(size=(count, DRAWS))

    def smoothed(self) -> IntervalTemperature:
        """EM steps, each with one Newton step of the temperature; the noise falls from a quarter of a step to what it is."""
        step_c = self.readings.step_c
        noise_c = FIRST_NOISE * step_c
        bend_weight = np.full(self.bend.shape[1], self._first_bend_c() ** -2)
        even = np.full(self.low_c.size, 12.0 / step_c**2)
        temperature_c = self._solved(bend_weight, even, (even * self.readings.middle_c)[:, None])[:, 0]
        for iteration in range(ITERATIONS):
            wide_c = FIRST_NOISE * step_c * 0.75**iteration  # a narrow interval far away has no slope to follow
            scale_c = np.sqrt(noise_c**2 + wide_c**2 + (BETWEEN_ROWS * self._moved_c(temperature_c)) ** 2)
            pull, curvature = interval_score(temperature_c, self.low_c, self.high_c, scale_c)
            known = curvature + self.whole
            wanted = curvature * temperature_c + pull + self.whole * self.readings.middle_c
            drawn = self._bent(np.sqrt(bend_weight)[:, None] * self.of_bends) + np.sqrt(known)[:, None] * self.of_rows
            solved = self._solved(bend_weight, known, np.column_stack([wanted, drawn]))
            temperature_c = temperature_c + np.clip(solved[:, 0] - temperature_c, -step_c, step_c)
            errors_c = solved[:, 1:]
            squares = self._bends(temperature_c) ** 2 + np.mean(self._bends(errors_c) ** 2, axis=1)
            bend_weight = 2.0 / np.maximum(np.median(squares) + squares, (1e-6 * step_c) ** 2)
            noise_c = self._noise_c(temperature_c, scale_c, noise_c)
        none_c = np.zeros(temperature_c.size)
        return IntervalTemperature(temperature_c=temperature_c, errors_c=errors_c, in_step_c=none_c, noise_c=noise_c)

    def _first_bend_c(self) -> float:
        """Change of the rate from row to row that EM begins with: what would double a ramp's way within a plateau of it."""
        rows = float(np.quantile(plateaus(self.readings.middle_c, self.readings.step_c)[1], 0.25))
        return self.readings.step_c * min(1.0 / rows**2, FIRST_BEND)

    def _noise_c(self, temperature_c: Floats, scale_c: Floats, noise_c: float) -> float:
        """The noise after an EM step, from the rows beside a change of the reading."""
        beside = self.readings.at_changes
        if not beside.any():
            return noise_c
        pull, curvature = interval_score(temperature_c, self.low_c, self.high_c, scale_c)
        variance = scale_c**2
        squares = (variance * pull) ** 2 + np.maximum(variance - variance**2 * curvature, 0.0)
        # Twice the step of EM, which is slow where the noise is small; it ends in the same place.
        ratio = min(max(float(squares[beside].mean() / variance[beside].mean()), 0.7), 1.1)
        least_c, most_c = MIN_NOISE * self.readings.step_c, FIRST_NOISE * self.readings.step_c
        return min(max(noise_c * ratio, least_c), most_c)

    def _moved_c(self, temperature_c: Floats) -> Floats:
        """How far the temperature moves from row to row, over some rows."""
        rate = np.abs(np.gradient(temperature_c))
        return np.asarray(np.convolve(np.pad(rate, 5, "edge"), np.full(11, 1 / 11), "valid"))

    def _bends(self, temperature_c: Floats) -> Floats:
        before, here, behind = self.bend if temperature_c.ndim == 1 else self.bend[:, :, None]
        return np.asarray(before * temperature_c[:-2] + here * temperature_c[1:-1] + behind * temperature_c[2:])

    def _bent(self, values: Floats) -> Floats:
        """The transpose of `_bends`."""
        before, here, behind = self.bend[:, :, None]
        found = np.zeros((values.shape[0] + 2, values.shape[1]))
        found[:-2] += before * values
        found[1:-1] += here * values
        found[2:] += behind * values
        return found

    def _solved(self, bend_weight: Floats, known: Floats, wanted: Floats) -> Floats:
        """Solution of the posterior precision, a matrix of five diagonals."""
        from scipy.linalg import solveh_banded

        before, here, behind = self.bend
        banded = np.zeros((3, known.size))
        banded[2] = known
        banded[2, :-2] += bend_weight * before**2
        banded[2, 1:-1] += bend_weight * here**2
        banded[2, 2:] += bend_weight * behind**2
        banded[1, 1:-1] += bend_weight * before * here
        banded[1, 2:] += bend_weight * here * behind
        banded[0, 2:] = bend_weight * before * behind
        return np.asarray(solveh_banded(banded, wanted, check_finite=False))


def interval_score(value: Floats, low: Floats, high: Floats, scale: Floats) -> tuple[Floats, Floats]:
    """First and negative second derivative of log P(low <= value + e < high) by ``value``, e normal of deviation ``scale``.

    All arrays have shape (n,).  The likelihood is that of interval-censored normal data, which is log-concave.

    Examples
    --------
    Far outside it is that of a measurement at the near end:

    >>> pull, curvature = interval_score(np.array([5.0]), np.array([0.0]), np.array([1.0]), np.array([0.01]))
    >>> bool(np.isclose(pull[0], -4 / 0.01**2, rtol=1e-3)), bool(np.isclose(curvature[0], 1 / 0.01**2, rtol=1e-3))
    (True, True)
    """
    from scipy.special import log_ndtr

    below, above = (low - value) / scale, (high - value) / scale
    # On the negative side the difference of two probabilities keeps its digits.
    turned = below + above > 0
    log_less, log_more = log_ndtr(np.where(turned, -above, below)), log_ndtr(np.where(turned, -below, above))
    log_chance = log_more + np.log1p(-np.exp(np.minimum(log_less - log_more, -1e-12)))
    constant = 0.5 * math.log(2.0 * math.pi)
    at_low, at_high = (np.exp(np.minimum(-0.5 * end**2 - constant - log_chance, 100.0)) for end in (below, above))
    pull = (at_low - at_high) / scale
    curvature = pull**2 + (above * at_high - below * at_low) / scale**2
    return np.asarray(pull), np.asarray(np.maximum(curvature, 0.0))


def _with_ramps_in_step(
    found: IntervalTemperature, readings: _Readings, rng: np.random.Generator
) -> IntervalTemperature:
    """Ramps whose readings change always at the same place between two rows: how far such a ramp can be moved is not known.

    A ramp of 0.3 degC/min passes a step of 1 degC in 20 rows of 10 s.  Other ramps change at any place between rows, and
    hardly one can be moved without leaving an interval.  A programme that is in step with the rows begins at one, so that
    the changes are where a row is, at an end of the room rather than anywhere in it, and at the same end in all ramps.
    """
    starts, _ = plateaus(readings.middle_c, readings.step_c)
    change = np.sign(np.diff(readings.middle_c[starts]))
    turns = [0, *(np.flatnonzero(np.diff(change)) + 1).tolist(), change.size]
    shared, in_step_c = rng.normal(size=DRAWS), np.zeros(found.temperature_c.size)
    for first, last in pairwise(turns):
        at = starts[first + 1 : last + 1]
        ramp = slice(starts[first + 1] - 1, starts[last] + 1) if at.size else slice(0)
        room_rows = room_of_changes(at)
        if room_rows > IN_STEP:
            moved_c = float(np.median(np.abs(np.gradient(found.temperature_c[ramp]))))
            in_step_c[ramp] = room_rows * moved_c / 2.0
    errors_c = found.errors_c + in_step_c[:, None] * shared
    return replace(found, errors_c=errors_c, in_step_c=in_step_c * math.sqrt(float(np.mean(shared**2))))


def room_of_changes(at: Ints) -> float:
    """How far all changes of a straight ramp can be moved together, in rows; not above 0 if it is not straight or too short.

    A change that is seen at row k was between k - 1 and k.  Changes at even distances, of any length, leave the room
    1 - (largest - smallest) of what is left of k.

    Examples
    --------
    Every 20 rows, and every 20.3 rows:

    >>> steps = np.arange(30)
    >>> [round(room_of_changes(np.ceil(distance * steps).astype(int)), 2) for distance in (20.0, 20.3)]
    [1.0, 0.09]
    """
    if at.size <= MIN_CHANGES:
        return 0.0
    number = np.arange(at.size) - (at.size - 1) / 2
    distance = float(number @ at) / float(number @ number)
    # No line within the room has a distance further off: it would leave it at an end.
    distances = distance + np.linspace(-2.0, 2.0, 81) / at.size
    left = at - distances[:, None] * number
    return float(1.0 - np.ptp(left, axis=1).min())


def _with_soaks_in_the_middle(
    found: IntervalTemperature, readings: _Readings, rng: np.random.Generator
) -> IntervalTemperature:
    """Plateaus long enough for a soak: on the way from the edges to the middle at the rate of the ramps, and there anywhere."""
    starts, sizes = plateaus(readings.middle_c, readings.step_c)
    temperature_c, errors_c = found.temperature_c.copy(), found.errors_c.copy()
    rate = np.abs(np.gradient(found.temperature_c, readings.time_s))
    for start, stop in zip(starts.tolist(), (starts + sizes).tolist(), strict=True):
        share, edge_c = _way_to_the_middle(readings, rate, start, stop)
        through = start > 0 and stop < readings.time_s.size and _passes(readings.middle_c, start, stop)
        if np.mean(share >= 1.0) < (SOAK_OF_RAMP if through else 1e-9):
            continue  # a ramp, or the tip of two
        middle_c, own = readings.middle_c[start], slice(start, stop)
        temperature_c[own] = np.where(share >= 1.0, middle_c, edge_c + (middle_c - edge_c) * share)
        anywhere_c = readings.step_c / math.sqrt(12.0) * rng.normal(size=DRAWS)
        errors_c[own] = errors_c[own] * (1.0 - share)[:, None] + share[:, None] * anywhere_c
    return replace(found, temperature_c=temperature_c, errors_c=errors_c)


def _passes(middle_c: Floats, start: int, stop: int) -> bool:
    """Whether a plateau is left on the other side than it was reached from."""
    return bool((middle_c[start - 1] - middle_c[start]) * (middle_c[stop] - middle_c[start]) < 0)


def _way_to_the_middle(readings: _Readings, rate: Floats, start: int, stop: int) -> tuple[Floats, Floats]:
    """How far each row of a plateau is from the edge to the middle of its interval, 0 to 1, at the rate beside the plateau; and
    which edge that is [degC], NaN where there is none."""
    half_c, middle_c = readings.step_c / 2, readings.middle_c[start]
    inside_c, edge_c = np.full(stop - start, half_c), np.full(stop - start, np.nan)
    for crossed, beside in (
        (start, slice(max(start - BESIDE_ROWS, 0), start)),
        (stop, slice(stop, stop + BESIDE_ROWS)),
    ):
        if not 0 < crossed < readings.time_s.size:
            continue
        at_s = (readings.time_s[crossed - 1] + readings.time_s[crossed]) / 2
        way_c = float(rate[beside].mean()) * np.abs(readings.time_s[start:stop] - at_s)
        other_c = readings.middle_c[crossed - 1 if crossed == start else crossed]
        edge_c = np.where(way_c < inside_c, middle_c + math.copysign(half_c, other_c - middle_c), edge_c)
        inside_c = np.minimum(way_c, inside_c)
    return inside_c / half_c, edge_c
