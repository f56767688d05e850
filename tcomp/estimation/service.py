"""The curve of a clock in service: weeks of daily cycles, read by its events, with no chamber.

Phase stays phase: rows are taken back to the time error at each event, and the curve's columns with them; both are whitened by the
clock's own noise (``logs/clock_noise.py``) and meet the one weighted least squares of every fit.  The noise is that of greatest
restricted likelihood beside a rich curve, so that wandering frequency, which no daily cycle averages out, is in every uncertainty.

Candidates are judged on blocks of days held out, by the daily frequency.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import CurveError
from tcomp.estimation.basis import ChebyshevBasis
from tcomp.estimation.candidates import Candidate, physical_parameters
from tcomp.estimation.clock_days import ClockLog, Days, SlowWander
from tcomp.estimation.curve import Curve, HeldOut
from tcomp.estimation.effects import BasePerRun, Conditions, Effects, Estimates, Finding, Reason, Status
from tcomp.estimation.effects.finding import independent_share
from tcomp.estimation.estimate import Estimate, Settings
from tcomp.estimation.joint_fit import JointFit, Judgement, Model
from tcomp.estimation.least_squares import embedded, hstack, weighted_solution
from tcomp.estimation.parameters import handbook_remarks
from tcomp.estimation.samples import ClockRows, Samples
from tcomp.estimation.validation import Score, Validation
from tcomp.logs.clock_noise import ClockNoise, Whitener, fitted_noise
from tcomp.units import SECONDS_PER_DAY, SECONDS_PER_HOUR, degc_text, short

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

RICH_DEGREE = 5
"""Of the curve beside which the noise is estimated: a crystal outdoors shows no more."""
PARABOLA = 2
DEPARTURES = (1.0, 0.5, 0.25)
"""Standard deviations of the Chebyshev coefficients beyond a parabola's, in ratio to each other (common practice, no source)."""
TOLD_PPB = 10.0
"""Departures from which they are worth a word: a hundredth of a day's noise."""
MIN_DAYS = 6
NOISE_ROUNDS = 2
SLOW_PPB = (0.1, 30.0, 60.0, 100.0, 150.0, 200.0, 250.0, 300.0, 400.0, 500.0, 600.0, 800.0, 1100.0, 1500.0)
SLOW_DAYS = (5.0, 10.0, 20.0, 40.0, 80.0)
"""Standard deviations and time constants of a slow wander that are tried."""
HUBER = 2.5
"""Standard deviations from which an innovation is weighed down: classes of lateness are taken off before."""
FIRST_WANDER_PPB = 300.0
"""Where the search for the noise begins (common practice, no source)."""
QUANTILES = (0.05, 0.95)
NORMAL_95 = 1.96
"""Standard deviations within which 95 % of normal values lie."""
BENDS = 2
"""Degrees beyond the chosen one that are tried for a shape that is left."""
SHAPE_SD = 3.0
"""Standard deviations of a chi-square beyond its mean from which a shape is left (k = 3, common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Form:
    """A curve to be fitted: a basis, and the precision of the prior of its coefficients [1/ppb^2]; None: no prior."""

    basis: ChebyshevBasis
    penalty: Floats | None = None

    def wide(self, size: int) -> Floats:
        """The precision among that of all columns, of which the curve's are the last, shape (size, size)."""
        if self.penalty is None:
            return np.zeros((size, size))
        return embedded(self.penalty, slice(size - self.basis.size, size), size)


class _Fitter:
    """Curves and slow effects of one log, over one range."""

    def __init__(self, samples: Samples, rows: ClockRows, effects: Effects, low_c: float, high_c: float) -> None:
        self.samples, self.effects = samples, effects
        self.low_c, self.high_c = low_c, high_c
        self.log = ClockLog.of(samples, rows)
        self.days = Days.of(self.log)
        self.crystal_c = samples.temperature_c
        self.usable = (self.crystal_c >= low_c - 1e-9) & (self.crystal_c <= high_c + 1e-9)
        rich = ChebyshevBasis(RICH_DEGREE, low_c, high_c)
        self.slow = SlowWander.over(samples.time_s)
        self.hats = self.slow.columns(samples, self.crystal_c)
        self.effects = Effects((self.slow, *effects))
        self.weight = np.where(self.usable, 1.0, 0.0)
        plain = effects.columns(samples, self.crystal_c), rich.values(self.crystal_c)
        slow_ppb = np.zeros(samples.time_s.size)
        for _ in range(NOISE_ROUNDS):
            # What the slow wander explains is no part of the fast one, and the other way round.
            self.noise = self._noise(hstack(*plain), samples.offset_ppb - slow_ppb)
            self.whitener = Whitener.of(self.log.readings, self.noise)
            self.white_hats = self.log.whitened(self.whitener, self.hats)
            self.y = self.log.whitened(self.whitener, samples.offset_ppb[:, None])[:, 0]
            for _ in range(2):
                self.slow = self._likeliest(rich)
                solution = self._weigh(rich)
            slow_ppb = self.hats @ solution[: self.slow.size]
        self.departures = self.departures_ppb()

    def columns(self, effects: Effects, basis: ChebyshevBasis) -> Floats:
        """The design of rows: effects first, then the curve."""
        return hstack(effects.columns(self.samples, self.crystal_c), basis.values(self.crystal_c))

    def whitened(self, design: Floats) -> Floats:
        """A design whitened by the clock's noise; its first columns are the slow wander's, which are whitened already."""
        return hstack(self.white_hats, self.log.whitened(self.whitener, design[:, self.slow.size :]))

    def _noise(self, design: Floats, offset_ppb: Floats) -> ClockNoise:
        columns = self.log.phase_ns(np.column_stack([design, offset_ppb]))
        columns = columns[:, np.any(columns != 0, axis=0)]
        start = ClockNoise(
            phase=1.0,
            white_ppb2_s=1.0,
            walk_ppb2_per_s=2 * FIRST_WANDER_PPB**2 / SECONDS_PER_DAY,
            memory_s=SECONDS_PER_DAY,
        )
        return fitted_noise(self.log.readings, columns, start)

    @property
    def both(self) -> ClockNoise:
        """The noise with the slow wander."""
        return replace(self.noise, slow_ppb=self.slow.sd_ppb, slow_memory_s=self.slow.memory_s)

    def known(self, effects: Effects, form: Form) -> Floats:
        """The prior of the coefficients of a design, as their precision, shape (p, p)."""
        known = form.wide(sum(one.size for one in effects) + form.basis.size)
        known[: self.slow.size, : self.slow.size] = np.linalg.inv(self.slow.covariance())
        return known

    def _likeliest(self, rich: ChebyshevBasis) -> SlowWander:
        """The slow wander of greatest restricted likelihood, on a grid."""
        white = self.whitened(self.columns(self.effects, rich)) * np.sqrt(self.weight)[:, None]
        white = white[:, np.any(white != 0, axis=0) | (np.arange(white.shape[1]) < self.slow.size)]
        every = np.column_stack([white, self.y * np.sqrt(self.weight)])
        gram, own = every.T @ every, self.slow.size

        def deviance(slow: SlowWander) -> float:
            covariance = slow.covariance()
            inner = np.eye(own) + covariance @ gram[:own, :own]
            rest = gram[own:, own:] - gram[own:, :own] @ np.linalg.solve(inner, covariance @ gram[:own, own:])
            scale = np.sqrt(np.diagonal(rest))
            diagonal = np.diagonal(np.linalg.cholesky(rest / np.outer(scale, scale))) * scale
            logs = np.linalg.slogdet(inner)[1] + 2 * np.log(diagonal[:-1]).sum()
            return float(logs + diagonal[-1] ** 2)

        forms = [
            replace(self.slow, sd_ppb=float(sd), memory_s=float(days) * SECONDS_PER_DAY)
            for sd in SLOW_PPB
            for days in SLOW_DAYS
        ]
        return min(forms, key=deviance)

    def _weigh(self, rich: ChebyshevBasis) -> Floats:
        """Weigh rows by what a rich curve leaves; its coefficients."""
        white = self.whitened(self.columns(self.effects, rich))
        solution = weighted_solution(white, self.y, self.weight, self.known(self.effects, Form(rich)))
        left = self.y - white @ solution
        self.weight = np.where(self.usable, np.minimum(1.0, HUBER / np.maximum(np.abs(left), 1e-9)), 0.0)
        return solution

    def departures_ppb(self) -> float:
        """Size of what the days show beside a parabola, by restricted likelihood. [ppb]"""
        rich = ChebyshevBasis(RICH_DEGREE, self.low_c, self.high_c)
        white = self.whitened(self.columns(self.effects, rich)) * np.sqrt(self.weight)[:, None]
        gram = white.T @ white + self.known(self.effects, Form(rich))
        covariance = np.linalg.pinv(gram, rcond=1e-14, hermitian=True)
        coef = covariance @ (white.T @ (self.y * np.sqrt(self.weight)))
        beyond = slice(-len(DEPARTURES), None)
        own, of_own = coef[beyond], covariance[beyond, beyond]

        def deviance(size_ppb: float) -> float:
            spread = of_own + np.diag((size_ppb * np.array(DEPARTURES)) ** 2)
            return float(np.linalg.slogdet(spread)[1] + own @ np.linalg.solve(spread, own))

        sizes = np.geomspace(1.0, 1e4, 200)
        found = [deviance(float(size)) for size in sizes]
        return float(sizes[int(np.argmin(found))])

    def form(self, degree: int) -> Form:
        """The curve of a candidate: a parabola with the departures that the days show, or the polynomial itself."""
        if degree == PARABOLA:
            precision = np.zeros(RICH_DEGREE + 1)
            precision[-len(DEPARTURES) :] = 1.0 / (self.departures * np.array(DEPARTURES)) ** 2
            return Form(ChebyshevBasis(RICH_DEGREE, self.low_c, self.high_c), np.diag(precision))
        return Form(ChebyshevBasis(degree, self.low_c, self.high_c), None)

    def held_out_days(self, form: Form) -> Floats | None:
        """Error of each day by a fit without its block of days; NaN of days that do not count; None: not determined. [ppb]"""
        design = self.columns(self.effects, form.basis)
        white = self.whitened(design)
        # What days on both sides tell of the slow wander is no part of the prediction.
        means = self.days.slopes(np.column_stack([design[:, self.slow.size :], self.samples.offset_ppb]))
        known = self.known(self.effects, form)
        error = np.full(len(self.days.counted), np.nan)
        fold = self.days.fold[self.days.of_row]
        for one in np.unique(self.days.fold[self.days.counted]):
            weight = np.where(fold == one, 0.0, self.weight)
            gram = (white * weight[:, None]).T @ white + known
            scale = np.sqrt(np.maximum(np.diagonal(gram), 1e-300))
            if np.linalg.eigvalsh(gram / np.outer(scale, scale))[0] < 1e-10:
                return None
            coef = weighted_solution(white, self.y, weight, known)
            own = self.days.counted & (self.days.fold == one)
            error[own] = means[own, -1] - means[own, :-1] @ coef[self.slow.size :]
        return error

    def fit(self, effects: Effects, form: Form) -> JointFit:
        """Everything estimated, with its covariance by the clock's noise."""
        basis = form.basis
        design = self.columns(effects, basis)
        white, known = self.whitened(design), self.known(effects, form)
        solution = weighted_solution(white, self.y, self.weight, known)
        layout = effects.layout(basis.size, 0)
        mean_ppb = design @ solution
        working = self.y - white @ solution

        def judge() -> Judgement:
            used = self.weight > 0
            rows = white[used] * np.sqrt(self.weight[used])[:, None]
            covariance = np.linalg.pinv(rows.T @ rows + known, rcond=1e-14, hermitian=True).astype(np.float64)
            return Judgement(
                covariance, layout, tuple(self._findings(effects, layout.effects, solution, covariance, rows))
            )

        effect_ppb = design[:, : layout.curve.start] @ solution[: layout.curve.start]
        corrected = self.samples.offset_ppb - effect_ppb
        return JointFit(
            model=Model(basis, effects, form.penalty), coef=solution[layout.curve],
            effect_coef={name: solution[own] for name, own in layout.effects.items()},
            crystal_c=self.crystal_c, residual_ppb=self.samples.offset_ppb - mean_ppb, working_ppb=working,
            corrected_ppb=corrected, response_ppb=corrected, weight=self.weight, usable=self.usable, judge=judge,
        )  # fmt: skip

    def _findings(
        self, effects: Effects, places: dict[str, slice], solution: Floats, covariance: Floats, rows: Floats
    ) -> Iterator[Finding]:
        for effect in effects:
            own = places[effect.name]

            def share(column: int, first: int = own.start) -> float:
                others = np.delete(rows, first + column, axis=1)[:, self.slow.size :]  # a wander is noise
                return independent_share(rows[:, first + column], others)

            yield from effect.findings(
                Estimates(coef=solution[own], values=(), covariance=covariance[own, own], share=share), self.samples
            )


@dataclass(frozen=True, eq=False)
class ServiceFit:
    """The fit of a clock in service; ``noise`` is the clock's, with a wander that holds days held out, and ``scored`` are
    the samples of days that were held out."""

    curve: Curve
    validation: Validation
    estimate: Estimate
    scored: Mask
    noise: ClockNoise


def learn_in_service(
    samples: Samples,
    rows: ClockRows,
    candidates: tuple[Candidate, ...],
    *,
    settings: Settings,
    conditions: Conditions,
    low_c: float,
    high_c: float,
    reference_c: float,
    reference_u_ppb: float,
    cut: str,
) -> ServiceFit:
    """The curve, with the clock's noise and the slow effects, from events of a clock in service.

    Raises
    ------
    CurveError
        There are few days, or no candidate is determined by them.
    """
    polynomials = tuple(one for one in candidates if one.degree is not None)
    if not polynomials:
        raise CurveError('events of a clock are fitted by polynomials; allow one in [fit] models, such as "crystal"')
    for effect in settings.family:
        stated = settings.effects.get(effect.name, "auto")
        if not isinstance(stated, str):
            raise CurveError(
                f"the job gives a {effect.name} of {stated:g} {effect.unit}, which a fit to events of a clock does not use: "
                f'between events the temperature is a mean; leave out [fit] {effect.name}, or give "none"'
            )
    settings = settings.about(samples)
    before = {one.name: one for one in _findings_before(samples, settings, conditions)}
    effects = Effects(
        (BasePerRun(samples.run), *(effect for effect in settings.family if effect.slow and effect.name not in before))
    )
    fitter = _Fitter(samples, rows, effects, low_c, high_c)
    if int(fitter.days.counted.sum()) < MIN_DAYS:
        raise CurveError(
            f"the events fill {int(fitter.days.counted.sum())} days by half or more, too few to hold any curve against days that "
            f"it has not seen; log {MIN_DAYS} days at the very least, and weeks for a curve to rely on"
        )
    found = dict(before)
    rich = Form(ChebyshevBasis(RICH_DEGREE, low_c, high_c))
    for effect in [one for one in effects if one.finding_names]:
        now = fitter.fit(fitter.effects, rich).finding(effect.name)
        if now is not None and now.status != Status.FOUND:
            found[effect.name] = now
            # A quantity that follows the temperature in part moves the curve by less than is seen: what it may do stays in u.
            if not (now.status == Status.NONE_SEEN and now.regressor is not None):
                fitter.effects = fitter.effects.without(effect.name)
    fitter.departures = fitter.departures_ppb()
    validation = _validated(fitter, polynomials)
    degree = validation.chosen.degree
    assert degree is not None
    fit = fitter.fit(fitter.effects, fitter.form(degree))
    width = _width(fitter, fit, validation)
    found |= {one.name: one for one in fit.findings}
    findings = tuple(found[name] for effect in settings.family for name in effect.finding_names if name in found)
    estimate = Estimate(fit, findings, (), (), (), samples.number(~fitter.usable))
    curve = _curve(fitter, estimate, validation, reference_c=reference_c, reference_u_ppb=reference_u_ppb, cut=cut)
    curve = replace(
        curve, clock_noise=fitter.both.times(width), notes=tuple(_notes(fitter, rows, width)),
        remarks=(*_remarks(samples, conditions, curve), *curve.remarks),
    )  # fmt: skip
    return ServiceFit(curve, validation, estimate, np.ones(samples.time_s.size, dtype=bool), fitter.both.times(width))


def _findings_before(samples: Samples, settings: Settings, conditions: Conditions) -> Iterator[Finding]:
    """Effects that daily cycles cannot tell, that the job switches off, or that these data do not determine."""
    for effect in settings.family:
        if settings.effects.get(effect.name, "auto") == "none":
            yield Finding(effect.name, effect.unit, Status.OFF, reason=Reason.SWITCHED_OFF)
        elif not effect.slow:
            yield Finding(effect.name, effect.unit, Status.UNDETERMINED, reason=Reason.IN_SERVICE)
        elif (reason := effect.why_not(samples, conditions)) is not None:
            yield Finding(effect.name, effect.unit, Status.UNDETERMINED, reason=reason)


def _validated(fitter: _Fitter, candidates: tuple[Candidate, ...]) -> Validation:
    """Candidates scored on the daily means of blocks of days that they have not seen."""
    scores, errors, unscored = [], {}, []
    for one in candidates:
        assert one.degree is not None
        error = fitter.held_out_days(fitter.form(one.degree))
        if error is None:
            unscored.append(one.name)
            continue
        errors[one] = error
        parts = [error[fitter.days.counted & (fitter.days.fold == fold)] for fold in np.unique(fitter.days.fold)]
        every = np.abs(error[fitter.days.counted])
        scores.append(
            Score(
                one, float(one.size), tuple(float(np.mean(part**2)) for part in parts if part.size),
                rms_ppb=float(np.sqrt(np.mean(every**2))), p95_ppb=float(np.quantile(every, 0.95)),
                max_ppb=float(every.max()), heating_minus_cooling_ppb=float("nan"),
            )
        )  # fmt: skip
    if not scores:
        raise CurveError(
            "no curve can be validated: the other days do not determine it; log more days, or a simpler curve"
        )
    best = min(scores, key=lambda score: score.mse)
    chosen = next(score for score in scores if score.mse <= best.mse + best.mse_se).candidate
    words = (f"{', '.join(unscored)}: the other days do not determine them",) if unscored else ()
    held_out = errors[chosen]
    folds = len(best.fold_mse)
    return Validation(
        tuple(scores), chosen, f"leave one of {folds} blocks of days out, daily means of {int(fitter.days.counted.sum())} days",
        (), words, np.where(fitter.days.counted, held_out, np.nan)[fitter.days.of_row],
    )  # fmt: skip


def _curve(
    fitter: _Fitter, estimate: Estimate, validation: Validation, *, reference_c: float, reference_u_ppb: float, cut: str
) -> Curve:
    samples, fit, score = fitter.samples, estimate.fit, validation.score
    basis = fit.model.basis
    assert isinstance(basis, ChebyshevBasis)
    daily = fitter.days.slopes(fit.residual_ppb[:, None])[fitter.days.counted, 0]
    parameters = physical_parameters(validation.chosen.name, basis, fit.coef, fit.covariance)
    departs = ""
    if fit.model.penalty is not None:
        grid_c = np.linspace(fitter.low_c, fitter.high_c, 201)
        beyond_ppb = basis.values(grid_c)[:, PARABOLA + 1 :] @ fit.coef[PARABOLA + 1 :]
        rms_ppb = float(np.sqrt(np.mean(beyond_ppb**2)))
        departs = f", with departures of {short(rms_ppb)} ppb RMS that the days show" if rms_ppb > TOLD_PPB else ""
    held = HeldOut(validation.method, score.rms_ppb, score.p95_ppb, score.max_ppb, score.heating_minus_cooling_ppb)
    return Curve(
        model=validation.chosen.name, words=validation.chosen.words + departs, basis=basis,
        coef=tuple(fit.coef.tolist()), covariance=tuple(map(tuple, fit.covariance.tolist())),
        low_c=fitter.low_c, high_c=fitter.high_c, reference_c=min(max(reference_c, fitter.low_c), fitter.high_c),
        reference_u_ppb=reference_u_ppb,
        residual_sd_ppb=float(np.sqrt(np.mean(daily**2))), residual_max_ppb=float(np.abs(daily).max()), held_out=held,
        samples=int(fit.used.sum()), effective_samples=float(fitter.days.counted.sum()),
        effects=estimate.findings, jumps=(), dips=(), lack_of_fit=_shape_words(fitter, fit, basis), parameters=parameters,
        notes=(), remarks=handbook_remarks(parameters, cut),
        base_time_s=float(samples.time_s[samples.run == samples.run.max()].max()),
        span_days=float(np.ptp(samples.time_s)) / SECONDS_PER_DAY,
    )  # fmt: skip


def _shape_words(fitter: _Fitter, fit: JointFit, basis: ChebyshevBasis) -> str:
    """Whether higher degrees would explain more than chance: the fall of the weighted squares is a chi-square of as many."""
    effects = fit.model.effects
    richer = fitter.fit(effects, Form(ChebyshevBasis(basis.degree + BENDS, fitter.low_c, fitter.high_c)))
    apart_ppb = richer.model.basis.values(fit.crystal_c) @ richer.coef - basis.values(fit.crystal_c) @ fit.coef
    fall, size_ppb = fit.weighted_ssr - richer.weighted_ssr, float(np.sqrt(np.mean(apart_ppb**2)))
    if fall > BENDS + SHAPE_SD * np.sqrt(2 * BENDS):
        return f"a shape of {short(size_ppb)} ppb RMS is left that a richer curve would follow"
    return f"no shape is left beyond chance: a richer curve would differ by {short(size_ppb)} ppb RMS"


def _width(fitter: _Fitter, fit: JointFit, validation: Validation) -> float:
    """By how much wider than by the noise bands have to be that are to hold 95 % of the days held out; 1 at least.

    Some weeks are far noisier than others, and the noise that is fitted weighs them down.
    """
    days, size = fitter.days, fit.coef.size
    error = np.full(len(days.counted), np.nan)
    error[days.of_row] = validation.held_out_ppb
    columns = days.slopes(fit.model.basis.values(fit.crystal_c))[days.counted]
    own = np.einsum("ij,jk,ik->i", columns, fit.covariance[-size:, -size:], columns)
    timing = (fitter.noise.phase * days.timing_ppb[days.counted]) ** 2
    wander = fitter.both.mean_variance_ppb2(np.array([SECONDS_PER_DAY]))[0]
    within = np.quantile(np.abs(error[days.counted]) / np.sqrt(own + timing + wander), 0.95)
    return float(max(within / NORMAL_95, 1.0))


def _notes(fitter: _Fitter, rows: ClockRows, width: float) -> Iterator[str]:
    """How the noise is, in figures."""
    noise = fitter.both
    phase_ns = float(np.median(rows.end_u_ns))
    tau_s = np.array([SECONDS_PER_HOUR, SECONDS_PER_DAY, 10 * SECONDS_PER_DAY])
    hour, day, ten_days = (short(float(one)) for one in noise.allan_deviation_ppb(tau_s, phase_ns))
    yield (
        f"the clock's noise: white phase noise of {short(noise.phase * phase_ns / 1e6)} ms an event, white frequency noise of "
        f"{short(float(np.sqrt(noise.white_ppb2_s / SECONDS_PER_DAY)))} ppb at a day, and a frequency that wanders by "
        f"{short(noise.wander_ppb)} ppb with a memory of {short(noise.memory_s / SECONDS_PER_DAY)} days, and by "
        f"{short(noise.slow_ppb)} ppb with one of {short(noise.slow_memory_s / SECONDS_PER_DAY)} days; Allan deviation {hour} "
        f"ppb at an hour, {day} ppb at a day, {ten_days} ppb at ten days"
    )
    light = int(np.sum((fitter.weight < 1.0) & fitter.usable))
    if light:
        yield f"{light} rows count less than the others, as they are far from what the rows before them say (Huber's function)"
    if width > 1.0:
        yield (
            f"some weeks are noisier than others: bands that are to hold 95 % of the days held out are {width:.2f} times as wide "
            "as by that noise"
        )
    yield "uncertainties: by the clock's noise, wander included; residuals are those of daily means"


def _remarks(samples: Samples, conditions: Conditions, curve: Curve) -> tuple[str, ...]:
    """What service cannot tell."""
    low_c, high_c = np.quantile(samples.temperature_c, QUANTILES)
    hours = float(np.median(np.diff(samples.time_s))) / SECONDS_PER_HOUR
    fastest = _fastest_c_per_hour(samples)
    beside = ", ".join(one for one in ("sun", "humidity", "supply") if one not in samples.regressors)
    return (
        f"estimated in service, from {degc_text(curve.low_c)} to {degc_text(curve.high_c)} degC and mostly between "
        f"{degc_text(round(float(low_c), 1))} and {degc_text(round(float(high_c), 1))} degC: beyond these the curve is not known, "
        f"and near the ends by few days; a row each {short(60 * hours)} min and ramps of {short(fastest)} degC/h at most do not "
        f"tell thermal lag, hysteresis or what faster ramps do, and what else follows the daily cycle ({beside}) is in the "
        "curve",
    )


def _fastest_c_per_hour(samples: Samples) -> float:
    """Rate that one hour in a hundred exceeds. [degC/h]"""
    hours = samples.time_s / SECONDS_PER_HOUR
    ends = np.searchsorted(hours, hours + 1.0)
    inside = ends < hours.size
    apart = hours[ends[inside]] - hours[inside]
    rate = np.abs(samples.temperature_c[ends[inside]] - samples.temperature_c[inside]) / apart
    near = rate[apart < 2.0]
    return float(np.quantile(near, 0.99)) if near.size else 0.0
