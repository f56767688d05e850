"""Curve, bases, lag, ageing and hysteresis in one weighted least-squares fit.

y_i = f(Tx_i) + base_p + a (t_i - t_end) + h s_i + e_i, with Tx the sensor's temperature through
one or two time constants.  Those, and the filter's unknown starts, enter through the slope of the
curve and are found by Gauss-Newton steps; all else is linear and solved exactly at each (separable
least squares: G. H. Golub and V. Pereyra, SIAM J. Numer. Anal. 10 (1973) 413-432, from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from tcomp.curve.effects import Effect, Terms, gate_words, independent_share, judged
from tcomp.curve.samples import Samples
from tcomp.curve.thermal_lag import SensorLog, segment_bounds
from tcomp.curve.uncertainty import clustered_covariance, stretches
from tcomp.model.basis import Basis

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

STEPS = 15
"""Gauss-Newton steps at most; four or five are usual."""
GRID = 28
"""Time constants per sign on the grid that is scanned first: steps of about 20 to 30 %."""
MEMORY = 6.0
"""Time constants over which the lag filter spreads the sensor's noise: it is small beside that of the readings, and an
autoregression overlooks it, but it averages out far more slowly."""
START_SHARE = 0.25
"""Share of the range by which the crystal may be off the steady lag when a run starts: where a run cannot tell, the
steps are held to this."""
LAG_NAMES = ("lag", "second lag")


@dataclass(frozen=True)
class Model:
    """What one fit estimates: a curve, linear effects, time constants, and whether those are free."""

    basis: Basis
    terms: Terms
    lags_s: tuple[float, ...] = ()
    free_lags: bool = False
    penalty: Floats | None = None
    """Roughness penalty on the curve's coefficients, times its strength; None: no penalty."""


@dataclass(frozen=True)
class _Judgement:
    """How well a fit is known."""

    covariance: Floats
    base_covariance: Floats
    effects: tuple[Effect, ...]


@dataclass(frozen=True)
class JointFit:
    """A fit: the curve's coefficients with their covariance, the effects, and what is left. Arrays are (n,)."""

    model: Model
    coef: Floats
    base_ppb: Floats
    """Base of each part but the last, against the last, shape (parts - 1,). [ppb]"""
    crystal_c: Floats
    residual_ppb: Floats
    """Offset less all that was estimated, also where a sample carried no weight. [ppb]"""
    corrected_ppb: Floats
    """Offset less bases and ageing, hysteresis left in: what the curve is to describe. [ppb]"""
    weight: Floats
    usable: Mask
    """Samples within the range and settled, whatever weight they carry."""
    judge: Callable[[], _Judgement] = field(repr=False)

    @cached_property
    def _judged(self) -> _Judgement:
        # Most fits are steps on the way, of which nobody asks how well they are known.
        return self.judge()

    @property
    def covariance(self) -> Floats:
        """Covariance of the curve's coefficients. [ppb**2]"""
        return self._judged.covariance

    @property
    def base_covariance(self) -> Floats:
        """Covariance of the bases. [ppb**2]"""
        return self._judged.base_covariance

    @property
    def effects(self) -> tuple[Effect, ...]:
        """The effects estimated, with the verdict on each."""
        return self._judged.effects

    @property
    def gross(self) -> Mask:
        """Usable samples that carry no weight."""
        return self.usable & ~self.used

    @property
    def used(self) -> Mask:
        """Samples that carried weight."""
        return self.weight > 0

    @property
    def misfit(self) -> float:
        """Weighted sum of squares."""
        return float(self.weight @ self.residual_ppb**2)

    def rms_ppb(self, among: Mask) -> float:
        """RMS of what is left of these samples, all alike. [ppb]"""
        return float(np.sqrt(np.mean(self.residual_ppb[among] ** 2)))

    def slope_at(self, crystal_c: float) -> float:
        """Slope of the curve at a temperature. [ppb/degC]"""
        return float(self.model.basis.slope(np.array([crystal_c]), self.coef)[0])

    def effect(self, name: str) -> Effect | None:
        """The effect of that name, if it was estimated."""
        return next((effect for effect in self.effects if effect.name == name), None)


@dataclass(frozen=True)
class _Point:
    """A linearised fit at given time constants and starts of the filter."""

    crystal_c: Floats
    linear: Floats
    solution: Floats
    bent: Floats
    """Sensitivity of the offset to the starts and to the free time constants, shape (n, m). [ppb/degC, ppb/s]"""


class Fitter:
    """Fits models to one set of samples, over one range of crystal temperature."""

    def __init__(self, samples: Samples, sensor: SensorLog, low_c: float, high_c: float) -> None:
        self.samples, self.sensor = samples, sensor
        self.low_c, self.high_c = low_c, high_c
        self._most_start_c = START_SHARE * (high_c - low_c)
        # A Gauss-Newton step asks for the same time constants several times.
        self._crystal_c = lru_cache(maxsize=4)(sensor.crystal_c)
        self._start_columns = lru_cache(maxsize=4)(sensor.start_columns)
        self._usable = lru_cache(maxsize=4)(self._find_usable)

    def usable(self, lags_s: tuple[float, ...]) -> Mask:
        """Samples within the range of the curve, to round-off, and settled behind the filter's starts."""
        return self._usable(lags_s)

    def _find_usable(self, lags_s: tuple[float, ...]) -> Mask:
        crystal_c = self._crystal_c(lags_s)
        slack = 1e-9 * (self.high_c - self.low_c)
        inside = (crystal_c >= self.low_c - slack) & (crystal_c <= self.high_c + slack)
        return np.asarray(inside & self.sensor.settled(max(lags_s, default=0.0)))

    def search_lag(self, model: Model, weight: Floats) -> float:
        """Time constant of least misfit: a grid of both signs is scanned, since there are several minima. [s]"""
        misfit = self._misfit_of(model, weight)
        grid = lag_grid_s(self.sensor)
        return float(grid[int(np.argmin([misfit(float(lag_s)) for lag_s in grid]))])

    def fit(self, model: Model, weight: Floats) -> JointFit:
        """Estimate everything in a model; samples that are not usable are given no weight."""
        lags_s, starts_c = model.lags_s, np.zeros(0)
        for _ in range(STEPS):
            usable = np.where(self.usable(lags_s), weight, 0.0)
            point = self._linearised(model, lags_s, starts_c, usable)
            steps = self._steps(point, usable, model.penalty)
            starts_c = self._starts(lags_s, starts_c) + steps[: steps.size - len(lags_s) * model.free_lags]
            starts_c = np.clip(starts_c, -self._most_start_c, self._most_start_c)
            if model.free_lags:
                moved = steps[steps.size - len(lags_s) :]
                lags_s = tuple(_moved(lag_s, float(step)) for lag_s, step in zip(lags_s, moved, strict=True))
            if np.abs(point.bent @ steps).max(initial=0.0) < 1e-3:  # ppb: far below any noise
                break
        lags_s = tuple(sorted(lags_s, key=abs, reverse=True))
        return self._finished(model, lags_s, starts_c, np.where(self.usable(lags_s), weight, 0.0))

    def _misfit_of(self, model: Model, weight: Floats) -> Callable[[float], float]:
        held = replace(model, free_lags=False)  # how the offset moves with the time constant is not asked for

        def misfit(lag_s: float) -> float:
            point = self._linearised(held, (lag_s,), np.zeros(0), weight)
            design, solution = point.linear, point.solution
            if point.bent.shape[1]:
                design = _beside(design, point.bent)
                solution = weighted_solution(design, self.samples.offset_ppb, weight)
            left = self.samples.offset_ppb - design @ solution
            used = weight > 0  # behind a start that no weighted sample tells of, what is left has no bound
            return float(weight[used] @ left[used] ** 2)

        return misfit

    def _starts(self, lags_s: tuple[float, ...], starts_c: Floats) -> Floats:
        """Starts of the filter so far; none yet, or another number of them, counts as zero. [degC]"""
        count = self._start_columns(max(lags_s, default=0.0)).shape[1]
        return starts_c if starts_c.size == count else np.zeros(count)

    def _linearised(self, model: Model, lags_s: tuple[float, ...], starts_c: Floats, weight: Floats) -> _Point:
        """Solve all that is linear, and find how the rest would move the offsets."""
        forgotten = self._start_columns(max(lags_s, default=0.0))
        crystal_c = self._crystal_c(lags_s) + forgotten @ self._starts(lags_s, starts_c)
        linear = _beside(model.terms.columns(self.samples, crystal_c), self._values(model.basis, crystal_c))
        solution = weighted_solution(linear, self.samples.offset_ppb, weight, model.penalty)
        slope = model.basis.slope(crystal_c, solution[-model.basis.size :])
        bent = [forgotten]
        if model.free_lags:
            bent += [self._sensitivity(lags_s, which)[:, None] for which in range(len(lags_s))]
        return _Point(crystal_c, linear, solution, slope[:, None] * _beside(*bent))

    def _values(self, basis: Basis, crystal_c: Floats) -> Floats:
        """The curve's columns; of a cell, their mean over the temperatures that it passes.

        Two points, a standard deviation to either side, have the mean of every cubic over an even spread.
        """
        if self.samples.cells is None:
            return basis.values(crystal_c)
        spread_c = self.sensor.passed_c(crystal_c, self.samples.cells.spread_s)
        return (basis.values(crystal_c - spread_c) + basis.values(crystal_c + spread_c)) / 2

    def _sensitivity(self, lags_s: tuple[float, ...], which: int) -> Floats:
        """Change of the crystal temperature with one of the time constants. [degC/s]"""
        step_s = max(0.5, 0.01 * abs(lags_s[which]))
        ends = [
            self.sensor.crystal_c((*lags_s[:which], lags_s[which] + sign * step_s, *lags_s[which + 1 :]))
            for sign in (1, -1)
        ]
        return np.asarray((ends[0] - ends[1]) / (2 * step_s))

    def _steps(self, point: _Point, weight: Floats, penalty: Floats | None) -> Floats:
        """Gauss-Newton step of the starts [degC] and the free time constants [s]."""
        if point.bent.shape[1] == 0:
            return np.zeros(0)
        design = _beside(point.linear, point.bent)
        wide = None if penalty is None else _embedded(penalty, point.linear.shape[1], design.shape[1])
        return weighted_solution(design, self.samples.offset_ppb, weight, wide)[point.linear.shape[1] :]

    def _finished(self, model: Model, lags_s: tuple[float, ...], starts_c: Floats, weight: Floats) -> JointFit:
        point = self._linearised(model, lags_s, starts_c, weight)
        residual = self.samples.offset_ppb - point.linear @ point.solution
        first = point.linear.shape[1] - model.basis.size
        # Bases and ageing; the loop, if any, is the last column before the curve.
        static = first - model.terms.hysteresis
        corrected = self.samples.offset_ppb - point.linear[:, :static] @ point.solution[:static]
        if (
            self.samples.cells is not None
        ):  # what the curve says of a cell's mean temperature is not its mean over the cell
            corrected -= (point.linear[:, first:] - model.basis.values(point.crystal_c)) @ point.solution[first:]
        return JointFit(
            model=Model(model.basis, model.terms, lags_s, model.free_lags, model.penalty),
            coef=point.solution[first:],
            base_ppb=point.solution[: model.terms.bases],
            crystal_c=point.crystal_c,
            residual_ppb=residual,
            corrected_ppb=corrected,
            weight=weight,
            usable=self.usable(lags_s),
            judge=lambda: self._judgement(model, lags_s, point, residual, weight),
        )

    def _judgement(
        self, model: Model, lags_s: tuple[float, ...], point: _Point, residual: Floats, weight: Floats
    ) -> _Judgement:
        used = weight > 0
        told = point.bent[used].any(axis=0)
        design = _beside(point.linear, point.bent[:, told])[used]
        first, last = point.linear.shape[1] - model.basis.size, point.linear.shape[1]
        starts = np.arange(told.size) < told.size - len(lags_s) * model.free_lags
        transient = np.append(np.zeros(last, dtype=bool), starts[told])
        penalty = None if model.penalty is None else _embedded(model.penalty, last, design.shape[1])
        order, leg = self._neighbours(used)
        own = residual[used][order]
        stretch = stretches(leg, self._memory(lags_s), own * np.sqrt(weight[used][order]), design.shape[1])
        covariance = clustered_covariance(design[order], own, stretch, weight[used][order], penalty, transient)
        return _Judgement(
            covariance=covariance[first:last, first:last],
            base_covariance=covariance[: model.terms.bases, : model.terms.bases],
            effects=self._judged(model, lags_s, point, covariance, design * np.sqrt(weight[used])[:, None]),
        )

    def _judged(
        self, model: Model, lags_s: tuple[float, ...], point: _Point, covariance: Floats, design: Floats
    ) -> tuple[Effect, ...]:
        terms = model.terms
        columns = {
            name: (terms.bases + i, float(point.solution[terms.bases + i])) for i, name in enumerate(terms.names)
        }
        if model.free_lags:
            first = design.shape[1] - len(lags_s)
            columns |= {LAG_NAMES[i]: (first + i, lag_s) for i, lag_s in enumerate(lags_s)}
        forms = {"ageing": "logarithmic, at the end" if terms.log_per_day else "", "hysteresis": _play_words(terms)}
        effects = []
        for name, (column, value) in columns.items():
            # Two time constants always imitate each other; whether the second is kept is for held-out data to say.
            two = name in LAG_NAMES and len(lags_s) > 1
            share = 1.0 if two else independent_share(design[:, column], np.delete(design, column, axis=1))
            u = float(np.sqrt(covariance[column, column]))
            form = gate_words(value, u, self.samples.interval_s) if name in LAG_NAMES else forms[name]
            effects.append(judged(name, value, u, share, form))
        return tuple(effects)

    def _memory(self, lags_s: tuple[float, ...]) -> int:
        """Samples over which the lag filter spreads the sensor's noise."""
        if not self.samples.has_time:
            return 0
        return int(MEMORY * max(map(abs, lags_s), default=0.0) / self.samples.interval_s)

    def _neighbours(self, used: Mask) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """The used samples in the order in which neighbours resemble each other, time or else temperature; their legs."""
        if self.samples.has_time:
            return np.arange(int(used.sum())), self.samples.leg[used]
        return np.argsort(self.samples.temperature_c[used], kind="stable"), np.zeros(int(used.sum()), dtype=np.int64)


def lag_grid_s(sensor: SensorLog) -> Floats:
    """Zero, and time constants of both signs from the sampling interval to a tenth of the longest run. [s]"""
    shortest = float(np.median(np.diff(sensor.time_s)[np.diff(sensor.segment) == 0]))
    longest = max(float(sensor.time_s[b - 1] - sensor.time_s[a]) for a, b in segment_bounds(sensor.run)) / 10
    grid = np.geomspace(shortest, max(longest, 2 * shortest), GRID)
    return np.concatenate([-grid[::-1], [0.0], grid])


def weighted_solution(design: Floats, y: Floats, weight: Floats, penalty: Floats | None = None) -> Floats:
    """Least squares by normal equations with columns scaled; the bases here are well conditioned.

    Columns that carry no weight get 0.  A penalty is on the last columns.
    """
    weighted = design * weight[:, None]
    gram = design.T @ weighted
    if penalty is not None:
        gram[-penalty.shape[0] :, -penalty.shape[0] :] += penalty
    scale = np.sqrt(np.diagonal(gram))
    scale = np.where(scale > 0, scale, 1.0)
    coef = np.linalg.lstsq(gram / np.outer(scale, scale), (y @ weighted) / scale, rcond=1e-14)[0]
    return np.asarray(coef / scale)


def _beside(*columns: Floats) -> Floats:
    """Columns side by side, each in one piece of memory, in which they are made and multiplied fastest."""
    return np.concatenate([some.T for some in columns]).T


def _embedded(penalty: Floats, stop: int, size: int) -> Floats:
    """The penalty on the columns before ``stop``, in a matrix for ``size`` columns."""
    wide = np.zeros((size, size))
    wide[stop - penalty.shape[0] : stop, stop - penalty.shape[0] : stop] = penalty
    return wide


def _moved(lag_s: float, step_s: float) -> float:
    """A time constant after a step, which is held to what the linearisation can bear. [s]"""
    reach_s = 0.5 * abs(lag_s) + 20.0
    return lag_s + min(max(step_s, -reach_s), reach_s)


def _play_words(terms: Terms) -> str:
    return f"comes through over {terms.play_c:g} degC" if terms.play_c else ""
