"""Curve, effects and unknown starts in one weighted least-squares fit.

y_i = f(Tx_i) + sum of the effects' columns + e_i, with Tx the crystal's temperature as the effects make it from the sensor's.
Nonlinear parameters, and the unknown starts of filters, enter through their Jacobian and are found by Gauss-Newton steps;
all else is linear and solved exactly at each (separable least squares: G. H. Golub and V. Pereyra, SIAM J. Numer. Anal. 10
(1973) 413-432, from memory).  No effect is known here by its name: columns are found by a `Layout`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache, partial

import numpy as np
from numpy.typing import NDArray

from tcomp.estimation.basis import Basis
from tcomp.estimation.coarse_readings import NO_NOISE, CoarseReadings, FittedReadings, Noise
from tcomp.estimation.effects import Effect, Effects, Estimates, Finding
from tcomp.estimation.effects.effects import Layout
from tcomp.estimation.effects.finding import independent_share
from tcomp.estimation.least_squares import embedded, hstack, weighted_solution
from tcomp.estimation.samples import Samples
from tcomp.estimation.thermal_lag import SensorLog
from tcomp.estimation.uncertainty import blocks, clustered_covariance, never_below

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

COARSE_STEPS = 60
"""Steps at most where the likelihood of coarse readings is maximised: the noise falls by half in each from that of the step."""
SLACK = 1e-6
"""A log-likelihood that falls by less has not fallen."""
MAX_HALVED = 8
SETTLED_SHARE = 0.02
"""Of the noise: an estimate that moves by less has settled."""
PASSED = 0.2887
"""What the mean passes from one reading to the next: when in between it crossed a step is not seen."""
STEPS = 15
"""Gauss-Newton steps at most; four or five are usual."""
STILL_PPB = 1e-3
"""A step that moves no sample by more is the last: far below any noise."""
MEMORY = 6.0
"""Time constants over which a filter spreads the sensor's noise: it is small against that of the readings, and an
autoregression overlooks it, but it averages out far more slowly."""
START_SHARE = 0.25
"""Share of the range by which the crystal may be off the steady state when a run starts: where a run cannot tell, the
steps are held to this."""


@dataclass(frozen=True)
class Model:
    """What one fit estimates: a curve and effects."""

    basis: Basis
    effects: Effects
    penalty: Floats | None = None
    """Roughness penalty on the curve's coefficients, times its strength; None: no penalty."""

    def with_effect(self, effect: Effect) -> Model:
        """The model with another form of an effect."""
        return replace(self, effects=self.effects.replaced(effect))

    def without(self, name: str) -> Model:
        """The model without an effect."""
        return replace(self, effects=self.effects.without(name))

    def held(self) -> Model:
        """The model with all nonlinear parameters held."""
        return replace(self, effects=self.effects.held())


@dataclass(frozen=True)
class Judgement:
    """How well a fit is known."""

    covariance: Floats
    layout: Layout
    findings: tuple[Finding, ...]


@dataclass(frozen=True, eq=False)
class LinearSystem:
    """A fit as linear least squares about where it ended: of the used samples, all that was estimated.

    ``design`` has shape (n, p), ``weight`` (n,), and ``penalty``, added to design' W design, (p, p).
    """

    design: Floats
    weight: Floats
    penalty: Floats | None
    layout: Layout


@dataclass(frozen=True)
class JointFit:
    """A fit: the curve's coefficients with their covariance, the effects, and the residuals. Arrays are (n,)."""

    model: Model
    coef: Floats
    effect_coef: dict[str, Floats]
    """Coefficients of the linear columns of each effect."""
    crystal_c: Floats
    residual_ppb: Floats
    """Offset less all that was estimated, also where a sample carried no weight. [ppb]"""
    working_ppb: Floats
    """Response of the fit less its estimate: to least squares with ``weight`` the residuals.  Other than ``residual_ppb`` only
    where readings are coarse. [ppb]"""
    corrected_ppb: Floats
    """Offset less the effects that are taken off before curves are compared: what the curve is to describe. [ppb]"""
    response_ppb: Floats
    """The same of the response that the fit is made to; other than ``corrected_ppb`` only where readings are coarse. [ppb]"""
    weight: Floats
    usable: Mask
    """Samples within the range and settled, whatever weight they carry."""
    judge: Callable[[], Judgement] = field(repr=False)
    readings: FittedReadings | None = None
    """Coarse readings about the fit; None where readings are values."""
    about: Callable[[], LinearSystem] | None = field(default=None, repr=False)
    """The fit as linear least squares where it ended; None where that is not by samples."""

    @cached_property
    def _judged(self) -> Judgement:
        # Most fits are steps on the way, of which nobody asks how well they are known.
        return self.judge()

    @property
    def covariance(self) -> Floats:
        """Covariance of the curve's coefficients. [ppb**2]"""
        curve = self._judged.layout.curve
        return self._judged.covariance[curve, curve]

    def effect_covariance(self, name: str) -> Floats:
        """Covariance of the coefficients of an effect's linear columns. [unit**2]"""
        own = self._judged.layout.effects[name]
        return self._judged.covariance[own, own]

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What was found of each effect that was estimated."""
        return self._judged.findings

    def finding(self, name: str) -> Finding | None:
        """The finding of that name, if it was estimated."""
        return next((finding for finding in self.findings if finding.name == name), None)

    @property
    def gross(self) -> Mask:
        """Usable samples that carry no weight."""
        return self.usable & ~self.used

    @property
    def used(self) -> Mask:
        """Samples that carried weight."""
        return self.weight > 0

    @property
    def weighted_ssr(self) -> float:
        """Weighted sum of squared residuals; of coarse readings -2 ln of the likelihood, which means the same."""
        if self.readings is not None:
            return self.readings.deviance(self.used)
        return float(self.weight @ self.residual_ppb**2)

    @property
    def degenerate(self) -> bool:
        """Whether parts of one effect cancel each other."""
        effects = self.model.effects
        return effects.degenerate or any(one.cancels(self.effect_coef[one.name]) for one in effects)

    @property
    def unknowns(self) -> int:
        """Linear columns and free parameters of the effects."""
        return sum(one.size + len(one.parameters) for one in self.model.effects)

    def rms_ppb(self, among: Mask) -> float:
        """RMS of the residuals of these samples, all alike. [ppb]"""
        return float(np.sqrt(np.mean(self.residual_ppb[among] ** 2)))

    def slope_at(self, crystal_c: float) -> float:
        """Slope of the curve at a temperature. [ppb/degC]"""
        return float(self.model.basis.slope(np.array([crystal_c]), self.coef)[0])


@dataclass(frozen=True)
class _Linearised:
    """A fit linearised at given nonlinear parameters and starts."""

    layout: Layout
    crystal_c: Floats
    linear: Floats
    """Linear columns, shape (n, layout.linear)."""
    solution: Floats
    slope: Floats
    """Of the curve at each sample. [ppb/degC]"""
    jacobian: Floats
    """Sensitivity of the offset to the starts and to the free parameters, shape (n, m). [ppb/degC, ppb/unit]"""
    stated_ppb: Floats
    """What effects add whose values are known before the fit, shape (n,). [ppb]"""

    @property
    def coef(self) -> Floats:
        """The curve's."""
        return self.solution[self.layout.curve]

    @property
    def mean_ppb(self) -> Floats:
        """What the fit says of each sample. [ppb]"""
        return np.asarray(self.linear @ self.solution + self.stated_ppb)


@dataclass(frozen=True)
class _Working:
    """What least squares is made of: responses, their weights and, for coarse readings, their noise."""

    y: Floats
    weight: Floats
    noise: Noise = NO_NOISE
    levels: int = 0


@dataclass(frozen=True)
class _Before:
    """Where the last step of a fit of coarse readings began, and how often it was halved."""

    mean_ppb: Floats
    values: tuple[float, ...]
    likelihood: float
    halved: int = 0


class Fitter:
    """Fits models to one set of samples, over one range of crystal temperature.

    With ``readings`` the samples come in steps that are coarse beside their noise: a fit then maximises their likelihood by a
    row of least-squares fits, of which each begins where the last one ended, and takes of the weights that it is given only
    which samples have any.
    """

    def __init__(
        self, samples: Samples, sensor: SensorLog, low_c: float, high_c: float, readings: CoarseReadings | None = None
    ) -> None:
        self.samples, self.sensor, self.readings = samples, sensor, readings
        self._last: _Working | None = None
        self.low_c, self.high_c = low_c, high_c
        self._max_start_c = START_SHARE * (high_c - low_c)
        # A Gauss-Newton step asks for the same effects on temperature several times.
        self._crystal_c = lru_cache(maxsize=4)(partial(Effects.crystal_c, sensor=sensor))
        self._start_columns = lru_cache(maxsize=4)(partial(Effects.start_columns, sensor=sensor))
        self._usable = lru_cache(maxsize=4)(self._find_usable)
        self._errors_c = lru_cache(maxsize=4)(partial(Effects.crystal_errors_c, sensor=sensor))

    def reading(self, readings: CoarseReadings | None) -> Fitter:
        """A fitter of the same samples as readings in steps."""
        return Fitter(self.samples, self.sensor, self.low_c, self.high_c, readings)

    def usable(self, effects: Effects) -> Mask:
        """Samples within the range of the curve, to round-off, and settled behind the filters' starts."""
        return self._usable(effects.moving)

    def crystal_errors_c(self, effects: Effects) -> Floats | None:
        """What a coarse sensor leaves unknown of the crystal's temperature, shape (n, draws); None: nothing. [degC]"""
        return self._errors_c(effects.moving)

    def _find_usable(self, moving: Effects) -> Mask:
        crystal_c = self._crystal_c(moving)
        slack = 1e-9 * (self.high_c - self.low_c)
        inside = (crystal_c >= self.low_c - slack) & (crystal_c <= self.high_c + slack)
        return np.asarray(inside & moving.settled(self.sensor))

    def searched(self, model: Model, weight: Floats) -> Model:
        """The model with each nonlinear effect at the best form of its grid: there may be several minima."""
        for effect in model.effects:
            forms = effect.grid(self.sensor)
            if forms:
                ssr = [self._grid_ssr(model.with_effect(form.held()), weight) for form in forms]
                model = model.with_effect(forms[int(np.argmin(ssr))])
        return model

    def _grid_ssr(self, held: Model, weight: Floats) -> float:
        """Weighted sum of squared residuals with nonlinear parameters held and starts estimated to first order."""
        point = self._linearised(held, np.zeros(0), weight, self.samples.offset_ppb)
        design, solution, y = point.linear, point.solution, self.samples.offset_ppb - point.stated_ppb
        if point.jacobian.shape[1]:
            design = hstack(design, point.jacobian)
            solution = weighted_solution(design, y, weight)
        residual = y - design @ solution
        used = weight > 0  # behind a start that no weighted sample tells of, residuals have no bound
        return float(weight[used] @ residual[used] ** 2)

    def effect_columns(self, fit: JointFit, effects: Effects) -> Floats:
        """Linear columns of some effects at the samples of a fit, shape (n, size)."""
        return effects.columns(self.samples, self._crystal_c(fit.model.effects.moving))

    @property
    def span_c(self) -> float:
        """Width of the range. [degC]"""
        return self.high_c - self.low_c

    def columns(self, model: Model) -> tuple[Floats, Floats]:
        """Columns of a model's effects and of the starts of their filters, and its curve's, shape (n, size)."""
        moving = model.effects.moving
        crystal_c, starts = self._crystal_c(moving), self._start_columns(moving)
        effects = model.effects.columns(self.samples, crystal_c)
        return hstack(effects, starts), model.basis.values(crystal_c)

    def curve_columns(self, fit: JointFit) -> Floats:
        """The curve's columns at the samples of a fit, shape (n, size)."""
        return self._values(fit.model.basis, fit.crystal_c)

    def linear_columns(self, fit: JointFit) -> Floats:
        """Linear columns of a fit: the effects' and the curve's, shape (n, linear)."""
        return hstack(self.effect_columns(fit, fit.model.effects), self.curve_columns(fit))

    def design(self, fit: JointFit) -> Floats:
        """Columns of a fit linearised where it is: its linear ones, and derivatives by starts and free parameters."""
        effects = fit.model.effects
        settled_c = self._crystal_c(effects.moving)
        slope = fit.model.basis.slope(fit.crystal_c, fit.coef)
        own = [
            one.jacobian(self.samples, self.sensor, settled_c, slope, fit.effect_coef[one.name])
            for one in effects
            if one.parameters
        ]
        return hstack(self.linear_columns(fit), slope[:, None] * self._start_columns(effects.moving), *own)

    def fit(self, model: Model, weight: Floats) -> JointFit:
        """Estimate everything in a model; samples that are not usable are given no weight."""
        if self.readings is not None:
            return self._fit_of_readings(self.readings, model, weight)
        y, starts_c = self.samples.offset_ppb, np.zeros(0)
        for _ in range(STEPS):
            usable = np.where(self.usable(model.effects), weight, 0.0)
            point = self._linearised(model, starts_c, usable, y)
            steps = self._steps(point, usable, model.penalty, y)
            model, starts_c = self._stepped(model, starts_c, steps)
            if np.abs(point.jacobian @ steps).max(initial=0.0) < STILL_PPB:
                break
        model = replace(model, effects=model.effects.ordered())
        return self._finished(model, starts_c, _Working(y, np.where(self.usable(model.effects), weight, 0.0)))

    def _stepped(self, model: Model, starts_c: Floats, steps: Floats) -> tuple[Model, Floats]:
        """The model and the starts after a step. [degC]"""
        first = steps.size - len(model.effects.values)
        starts_c = self._starts(model.effects, starts_c) + steps[:first]
        starts_c = np.clip(starts_c, -self._max_start_c, self._max_start_c)
        return replace(model, effects=model.effects.stepped(steps[first:].tolist())), starts_c

    def _fit_of_readings(self, readings: CoarseReadings, model: Model, weight: Floats) -> JointFit:
        """Maximise the likelihood of coarse readings: Newton steps, halved where they overshoot, from where the last fit ended."""
        starts_c = np.zeros(0)
        if self._last is not None and self._last.levels != model.effects.levels:
            self._last = None  # what was a gross error may be beyond a jump
        now, before = self._first(readings, weight), None
        for _ in range(COARSE_STEPS):
            usable = self.usable(model.effects) & (weight > 0)
            point = self._linearised(model, starts_c, np.where(usable, now.weight, 0.0), now.y)
            likelihood = self._likelihood(readings, model, point, now.noise, usable)
            if before is not None and likelihood < before.likelihood - SLACK:
                between = [(a + b) / 2 for a, b in zip(model.effects.values, before.values, strict=True)]
                model = replace(model, effects=model.effects.with_values(between))
                now = replace(now, y=(now.y + before.mean_ppb) / 2)
                before = replace(before, halved=before.halved + 1)
                if before.halved < MAX_HALVED:
                    continue
            noise = readings.noise(now.noise, point.mean_ppb, point.slope, usable)
            y, information = readings.working(point.mean_ppb, noise.sd(point.mean_ppb, point.slope))
            then = _Working(y, np.where(weight > 0, information, 0.0), noise)
            steps = self._steps(point, np.where(usable, then.weight, 0.0), model.penalty, then.y)
            likelihood = self._likelihood(readings, model, point, noise, usable)
            before = _Before(point.mean_ppb, model.effects.values, likelihood)
            model, starts_c = self._stepped(model, starts_c, steps)
            settled, now = _settled(now, then), then
            if settled and np.abs(point.jacobian @ steps).max(initial=0.0) < SETTLED_SHARE * noise.reading_ppb:
                break
        model = replace(model, effects=model.effects.ordered())
        self._last = replace(now, levels=model.effects.levels)
        return self._finished(
            model, starts_c, replace(now, weight=np.where(self.usable(model.effects), now.weight, 0.0))
        )

    def _likelihood(
        self, readings: CoarseReadings, model: Model, point: _Linearised, noise: Noise, usable: Mask
    ) -> float:
        """What a fit of coarse readings makes as large as it can: log-likelihood, less penalty and belief."""
        mean_ppb = point.mean_ppb
        log = readings.likelihood(mean_ppb, noise.sd(mean_ppb, point.slope)).log
        belief = readings.middle * (readings.reading_ppb - mean_ppb) ** 2 / 2
        rough = 0.0 if model.penalty is None else float(point.coef @ model.penalty @ point.coef) / 2
        return float((log - belief)[usable].sum()) - rough

    def _first(self, readings: CoarseReadings, weight: Floats) -> _Working:
        """Where a fit of coarse readings begins."""
        if self._last is not None:
            return replace(self._last, weight=np.where(weight > 0, self._last.weight, 0.0))
        cells = self.samples.cells
        passed = PASSED if cells is None else cells.spread_s / self.samples.interval_s
        noise = Noise(float(readings.step_ppb.max()) / 2, 0.0, passed, spread=cells is not None)
        return _Working(self.samples.offset_ppb, weight, noise)

    def _starts(self, effects: Effects, starts_c: Floats) -> Floats:
        """Starts so far; none yet, or another number of them, counts as zero. [degC]"""
        count = self._start_columns(effects.moving).shape[1]
        return starts_c if starts_c.size == count else np.zeros(count)

    def _linearised(self, model: Model, starts_c: Floats, weight: Floats, y: Floats) -> _Linearised:
        """Solve all that is linear, and find how the rest would move the offsets."""
        effects, sensor = model.effects, self.sensor
        starts = self._start_columns(effects.moving)
        # What an unknown start does decays; to a rate it would be a wild error, which no linearisation bears.
        settled_c = self._crystal_c(effects.moving)
        crystal_c = settled_c + starts @ self._starts(effects, starts_c)
        linear = hstack(effects.columns(self.samples, settled_c), self._values(model.basis, crystal_c))
        layout = effects.layout(model.basis.size, starts.shape[1])
        stated_ppb = effects.stated_ppb(self.samples, settled_c)
        solution = weighted_solution(linear, y - stated_ppb, weight, model.penalty)
        slope = model.basis.slope(crystal_c, solution[layout.curve])
        own = [
            effect.jacobian(self.samples, sensor, settled_c, slope, solution[layout.effects[effect.name]])
            for effect in effects
            if effect.parameters
        ]
        jacobian = hstack(slope[:, None] * starts, *own)
        return _Linearised(layout, crystal_c, linear, solution, slope, jacobian, stated_ppb)

    def _values(self, basis: Basis, crystal_c: Floats) -> Floats:
        """The curve's columns; of a cell, their mean over the temperatures that it passes.

        Two points, a standard deviation to either side, have the mean of every cubic over an even spread.
        """
        if self.samples.cells is None:
            return basis.values(crystal_c)
        spread_c = self.sensor.passed_c(crystal_c, self.samples.cells.spread_s)
        return (basis.values(crystal_c - spread_c) + basis.values(crystal_c + spread_c)) / 2

    def _steps(self, point: _Linearised, weight: Floats, penalty: Floats | None, y: Floats) -> Floats:
        """Gauss-Newton step of the starts [degC] and the free parameters."""
        if point.jacobian.shape[1] == 0:
            return np.zeros(0)
        design = hstack(point.linear, point.jacobian)
        wide = None if penalty is None else embedded(penalty, point.layout.curve, design.shape[1])
        return weighted_solution(design, y - point.stated_ppb, weight, wide)[point.layout.linear :]

    def _finished(self, model: Model, starts_c: Floats, now: _Working) -> JointFit:
        point = self._linearised(model, starts_c, now.weight, now.y)
        mean_ppb, layout = point.mean_ppb, point.layout
        working = now.y - mean_ppb
        readings = None
        if self.readings is not None:
            noise_ppb = now.noise.sd(mean_ppb, point.slope)
            readings = FittedReadings(self.readings, mean_ppb, noise_ppb, now.noise.reading_ppb)
        corrected = self.samples.offset_ppb - self._taken_off_ppb(model, point)
        return JointFit(
            model=model,
            coef=point.coef,
            effect_coef={name: point.solution[own] for name, own in layout.effects.items()},
            crystal_c=point.crystal_c,
            residual_ppb=working if readings is None else readings.residual_ppb,
            working_ppb=working,
            corrected_ppb=corrected,
            response_ppb=corrected if readings is None else corrected - self.samples.offset_ppb + now.y,
            weight=now.weight,
            usable=self.usable(model.effects),
            judge=lambda: self._judgement(model, point, working, now.weight, readings),
            readings=readings,
            about=lambda: self._system(model, point, now.weight),
        )

    def _taken_off_ppb(self, model: Model, point: _Linearised) -> Floats:
        """What is taken off the offsets before curves are compared. [ppb]"""
        layout = point.layout
        taken = [np.arange(point.linear.shape[1])[layout.effects[one.name]] for one in model.effects if one.taken_off]
        columns = np.concatenate([np.zeros(0, dtype=np.int64), *taken])
        taken_ppb = point.linear[:, columns] @ point.solution[columns] + point.stated_ppb
        if self.samples.cells is not None:  # the curve at a cell's mean temperature is not its mean over the cell
            at_mean = model.basis.values(point.crystal_c)
            taken_ppb = taken_ppb + (point.linear[:, layout.curve] - at_mean) @ point.coef
        return np.asarray(taken_ppb)

    def _judgement(
        self, model: Model, point: _Linearised, residual: Floats, weight: Floats, readings: FittedReadings | None
    ) -> Judgement:
        used = weight > 0
        system = self._system(model, point, weight)
        design, layout, penalty = system.design, system.layout, system.penalty
        transient = np.zeros(layout.size, dtype=bool)
        transient[layout.starts] = True
        of_sensor = self._of_sensor(model, point, design, weight, penalty)
        weighted = design * np.sqrt(weight[used])[:, None]
        order, leg = self._neighbours(used)
        own = residual[used][order]
        block = blocks(leg, self._memory(model.effects), own * np.sqrt(weight[used][order]), design.shape[1])
        information = None if readings is None else readings.expected_information[used][order]
        covariance = clustered_covariance(
            design[order], own, block, weight[used][order], penalty, transient, information
        )
        if of_sensor is not None:  # what differs between blocks is in both
            covariance = never_below(covariance, of_sensor)
        covariance = covariance + self._of_stated(model, point, design, weight, penalty)
        return Judgement(covariance, layout, self._findings(model.effects, layout, point, covariance, weighted))

    def _system(self, model: Model, point: _Linearised, weight: Floats) -> LinearSystem:
        used = weight > 0
        starts = np.arange(point.jacobian.shape[1]) < point.layout.starts.stop - point.layout.starts.start
        kept = ~starts | point.jacobian[used].any(axis=0)  # starts of which no used sample tells
        layout = model.effects.layout(model.basis.size, int((starts & kept).sum()))
        penalty = None if model.penalty is None else embedded(model.penalty, layout.curve, layout.size)
        return LinearSystem(hstack(point.linear, point.jacobian[:, kept])[used], weight[used], penalty, layout)

    def _of_sensor(
        self, model: Model, point: _Linearised, design: Floats, weight: Floats, penalty: Floats | None
    ) -> Floats | None:
        """Covariance from the errors of a coarse sensor alone: a whole soak or ramp shares one, which no residual tells."""
        errors_c = self.crystal_errors_c(model.effects)
        if errors_c is None:
            return None
        used = weight > 0
        errors_ppb = point.slope[used][:, None] * errors_c[used]
        moved = [weighted_solution(design, one, weight[used], penalty) for one in errors_ppb.T]
        return np.asarray(np.mean([np.outer(one, one) for one in moved], axis=0))

    def _of_stated(
        self, model: Model, point: _Linearised, design: Floats, weight: Floats, penalty: Floats | None
    ) -> Floats:
        """Covariance from the errors of values that are known before the fit: no residual tells them."""
        used, settled_c = weight > 0, self._crystal_c(model.effects.moving)
        errors_ppb = model.effects.stated_errors_ppb(self.samples, self.sensor, settled_c, point.slope)[used]
        moved = [weighted_solution(design, one, weight[used], penalty) for one in errors_ppb.T]
        return np.asarray(sum((np.outer(one, one) for one in moved), np.zeros((design.shape[1],) * 2)))

    def _findings(
        self, effects: Effects, layout: Layout, point: _Linearised, covariance: Floats, design: Floats
    ) -> tuple[Finding, ...]:
        """What the fit says of every effect: of linear columns first, of nonlinear parameters then."""
        linear_ones: list[Finding] = []
        parameters: list[Finding] = []
        for effect in effects:
            linear, free = layout.effects[effect.name], layout.parameters[effect.name]
            own = np.r_[linear, free]
            reported = effect.findings(
                Estimates(
                    coef=point.solution[linear],
                    values=effect.values,
                    covariance=covariance[np.ix_(own, own)],
                    share=partial(_share, design, own),
                ),
                self.samples,
            )
            for one in reported:
                (parameters if one.name in effect.parameters else linear_ones).append(one)
        return (*linear_ones, *parameters)

    def _memory(self, effects: Effects) -> int:
        """Samples over which the filters spread the sensor's noise."""
        if not self.samples.has_time:
            return 0
        return int(MEMORY * max(map(abs, effects.time_constants_s), default=0.0) / self.samples.interval_s)

    def _neighbours(self, used: Mask) -> tuple[Ints, Ints]:
        """The used samples in the order in which neighbours resemble each other, time or else temperature; their legs."""
        if self.samples.has_time:
            return np.arange(int(used.sum())), self.samples.leg[used]
        return np.argsort(self.samples.temperature_c[used], kind="stable"), np.zeros(int(used.sum()), dtype=np.int64)


def _share(design: Floats, own: Ints, which: int) -> float:
    """Share of one of an effect's own columns that no other column of the fit imitates."""
    column = int(own[which])
    return independent_share(design[:, column], np.delete(design, column, axis=1))


def _settled(before: _Working, now: _Working) -> bool:
    """Whether the responses of coarse readings, and with them the estimate, hardly move."""
    moved = now.weight @ (now.y - before.y) ** 2 / max(float(now.weight.sum()), 1e-300)
    steady = abs(math.log(now.noise.reading_ppb / before.noise.reading_ppb)) < 0.02
    return bool(steady and math.sqrt(moved) < SETTLED_SHARE * now.noise.reading_ppb)
