"""What moved the offset besides temperature: found one after the other, kept only if the data can tell.

A curve rich enough not to be mistaken for an effect is fitted together with every effect that the
runs could show; samples are weighed by how much they can say; jumps of the crystal are split off;
effects that are not significant are left out; and finer forms (a second time constant, a drift on a
logarithmic clock, a loop that takes some degrees to come through) are kept only where they lower
the error on held-out sweeps.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tcomp.curve.coarse_steps import CoarseSteps
from tcomp.curve.dips import LEAST_NOISE_PPB, Dip, find_dips, outside_dips
from tcomp.curve.effects import SIGNIFICANT, UNITS, Effect, Terms, why_no_ageing, why_no_hysteresis, why_no_lag
from tcomp.curve.held_out import held_out_mse
from tcomp.curve.joint_fit import Fitter, JointFit, Model
from tcomp.curve.jumps import Jump, candidate_steps, near_reversal, split
from tcomp.curve.samples import Samples
from tcomp.curve.sensor_smoothing import SmoothTemperature, sensor_log
from tcomp.curve.thermal_lag import segment_bounds
from tcomp.curve.uncertainty import effective_samples
from tcomp.curve.weights import robust_weight, sample_sd
from tcomp.errors import CurveError
from tcomp.model.basis import Basis
from tcomp.progress import Told, untold
from tcomp.run.neighbours import quantum_of

Floats = NDArray[np.float64]

MOST_JUMPS = 6
JUMP_SIGNIFICANT = 6.0
"""Standard uncertainties of a step from which it is a jump: the strongest of thousands of candidates must stand out."""
LOG_CLOCKS_PER_DAY = (0.5, 2.0, 8.0, 32.0)
"""B of A ln(1 + B t) that are tried: the data barely tell it, so steps of 4 do."""
PLAYS_C = (0.5, 1.0, 2.0, 4.0, 8.0)
"""Temperatures over which a reversal may come through."""
FORM_SIGNIFICANT = 12.0
"""Fall of the misfit, in units of what one independent residual adds, from which a finer form is beyond chance: the
chi-square of one degree of freedom exceeds it once in 2000."""
LEARNING = "learning the curve"
STAGES = 9
"""Stages of about equal length, by which it is told how far the learning is."""
REWEIGHTINGS = 4
WIDER = 2.0
"""How many times as far off a cell may be as a sample before it is weighed down: its samples have been weighed already, and
a function this wide takes means of normal noise as they are (efficiency 99.7 %)."""
FEW_SAMPLES = 40
"""With fewer, a rich curve passes so near to many that gross errors cannot be told: all count alike."""
POOR = 2.0
"""A curve that leaves so many times the RMS of the rich one does not fit, if that is beyond chance (common practice, no
source)."""
FAR_BETTER = 1.5
"""How many times less another lag must leave than the one that the job gives, to be worth a remark (common practice, no
source)."""
LEAST_VARIANCE_PPB2 = 1e-12
RICH_COEFFICIENTS = 10
"""Of the curve with which effects are looked for, at most: so few samples tell it nothing."""


@dataclass(frozen=True)
class Settings:
    """What to estimate: each "auto", "none", or for the lag a number of seconds; and whether dips are followed."""

    lag: float | Literal["auto", "none"] = "auto"
    ageing: Literal["auto", "none"] = "auto"
    hysteresis: Literal["auto", "none"] = "auto"
    follow_dips: bool = False


@dataclass(frozen=True)
class Misfit:
    """What a curve leaves that does not fit, and what the rich curve leaves of the same samples. [ppb]"""

    rms_ppb: float
    rich_rms_ppb: float


@dataclass(frozen=True)
class RivalLag:
    """A lag that fits far better than the one that the job gives, and what each leaves. [s] [ppb]"""

    lag_s: float
    rms_ppb: float
    given_rms_ppb: float


@dataclass(frozen=True)
class Estimate:
    """A fit with the verdict on every effect, the jumps and dips found, and how the sensor was smoothed."""

    fit: JointFit
    effects: tuple[Effect, ...]
    jumps: tuple[Jump, ...]
    dips: tuple[Dip, ...]
    smoothing: tuple[SmoothTemperature, ...]
    unsettled: int
    """Samples too close behind a start of the lag filter to be used."""
    misfit: Misfit | None = None
    """Told where the curve does not fit; the effects are then those that the rich curve told."""
    rival_lag: RivalLag | None = None

    @property
    def in_dips(self) -> NDArray[np.bool_]:
        """Usable samples in an activity dip, shape (n,)."""
        return self.fit.usable & ~outside_dips(self.fit.crystal_c, self.dips)

    def effect(self, name: str) -> Effect:
        """The verdict on one effect."""
        return next(effect for effect in self.effects if effect.name == name)


class Estimator:
    """Walks from samples to the effects in them."""

    def __init__(
        self,
        samples: Samples,
        *,
        settings: Settings,
        rates_c_per_min: Sequence[float],
        soaked: bool,
        low_c: float,
        high_c: float,
        told: Told = untold,
    ) -> None:
        self.samples = samples
        self._told = told
        sensor, self.smoothing = sensor_log(samples)
        self.fitter = Fitter(samples, sensor, low_c, high_c)
        self._wider = 1.0 if samples.cells is None else WIDER
        quantum_c = quantum_of(samples.temperature_c) if samples.cells is None else samples.cells.quantum_c
        self._steps = CoarseSteps(samples.temperature_c, quantum_c)
        self.excluded = np.zeros(samples.time_s.size, dtype=bool)
        self.verdicts = dict(_verdicts_before(samples, settings, rates_c_per_min, soaked))
        self.free_lag = "lag" not in self.verdicts
        given = self.verdicts.get("lag")
        self.lags_s: tuple[float, ...] = (given.value,) if given is not None and given.status == "given" else ()

    def effects(self, basis: Basis) -> Estimate:
        """Estimate every effect with a rich curve, and keep those that the data can tell."""
        terms = Terms(self.samples.run, "ageing" not in self.verdicts, hysteresis="hysteresis" not in self.verdicts)
        self._told(LEARNING, 0, STAGES)
        fit = self._searched(Model(basis, terms, self.lags_s, self.free_lag))
        self._told(LEARNING, 1, STAGES)
        fit, jumps = self._without_jumps(fit)
        self._told(LEARNING, 2, STAGES)
        fit, dips = self._without_dips(fit)
        fit = self._only_found(fit)
        # Drift and loop once more behind the second time constant, which sharpens them.
        finer_forms = (self._log_ageing, self._play, self._second_lag, self._log_ageing, self._play)
        for stage, finer in enumerate(finer_forms, start=3):
            self._told(LEARNING, stage, STAGES)
            fit = finer(fit)
        unsettled = self.samples.number(~self.fitter.sensor.settled(max(fit.model.lags_s, default=0.0)))
        verdicts = self._all_verdicts(fit)
        return Estimate(fit, verdicts, jumps, dips, self.smoothing, unsettled, rival_lag=self._rival_lag(fit))

    def curve(self, basis: Basis, penalty: Floats | None, found: Estimate, *, forced: bool = False) -> Estimate:
        """Fit the chosen curve together with the effects that were found; a forced one may not fit, and bends none."""
        model = replace(found.fit.model, basis=basis, penalty=penalty)
        held = self.fitter.fit(replace(model, free_lags=False), found.fit.weight) if forced else found.fit
        misfit = self._misfit(held, found.fit)
        if misfit is not None:
            return replace(found, fit=held, misfit=misfit)
        fit = self._reweighted(self.fitter.fit(model, found.fit.weight))
        return replace(found, fit=fit, effects=self._all_verdicts(fit))

    def _rival_lag(self, fit: JointFit) -> RivalLag | None:
        """The lag that the data prefer to the one that the job states, if it is far better and beyond chance."""
        stated = self.verdicts.get("lag")
        if stated is None or stated.status not in ("given", "off") or why_no_lag(self.samples):
            return None
        try:
            # For a remark one search is enough.
            rival = self._searched(replace(fit.model, lags_s=(0.0,), free_lags=True), searches=1)
        except CurveError:  # too long for these runs
            return None
        lag_s, verdict = rival.model.lags_s[0], rival.effect("lag")
        used = rival.used & fit.usable
        rms_ppb, stated_rms_ppb = (one.rms_ppb(used) for one in (rival, fit))
        apart = verdict is not None and abs(lag_s - stated.value) > SIGNIFICANT * verdict.uncertainty
        gain = float(rival.weight[used] @ (fit.residual_ppb[used] ** 2 - rival.residual_ppb[used] ** 2))
        beyond_chance = gain > FORM_SIGNIFICANT * self._usual_misfit(rival)
        far_better = stated_rms_ppb > FAR_BETTER * max(rms_ppb, LEAST_NOISE_PPB)
        return RivalLag(lag_s, rms_ppb, stated_rms_ppb) if apart and beyond_chance and far_better else None

    def _misfit(self, plain: JointFit, rich: JointFit) -> Misfit | None:
        """What a curve leaves, if that is far more than the rich curve does and beyond chance."""
        used = rich.used & plain.used
        rms_ppb, rich_rms_ppb = (fit.rms_ppb(used) for fit in (plain, rich))
        by_chance = self._usual_misfit(rich) * (rich.model.basis.size - plain.model.basis.size)
        large = rms_ppb > POOR * max(rich_rms_ppb, LEAST_NOISE_PPB)
        beyond_chance = plain.misfit - rich.misfit > FORM_SIGNIFICANT * by_chance
        return Misfit(rms_ppb, rich_rms_ppb) if large and beyond_chance else None

    def with_dips_followed(self, found: Estimate) -> Estimate:
        """Give the samples in dips their weight back, for a curve that can follow them."""
        self.excluded[:] = False
        fit = found.fit
        usable = self.fitter.usable(fit.model.lags_s)
        sd = self._sd_ppb(fit, np.where(fit.used, fit.residual_ppb, np.nan))
        inside = usable & ~outside_dips(fit.crystal_c, found.dips)
        return replace(found, fit=replace(fit, weight=np.where(inside, 1.0 / sd**2, fit.weight)))

    def _searched(self, model: Model, searches: int = 2) -> JointFit:
        """The first fit: with the lag searched twice, the second time with gross errors weighed down."""
        each = 1.0 if self.samples.cells is None else self.samples.cells.count / self.samples.cells.count.mean()
        weight = np.where(self.excluded, 0.0, each)
        for _ in range(searches if model.free_lags else 1):
            if model.free_lags:
                usable = np.where(self.fitter.usable(model.lags_s), weight, 0.0)
                model = replace(model, lags_s=(self.fitter.search_lag(replace(model, lags_s=(0.0,)), usable),))
            fit = self._reweighted(self.fitter.fit(model, weight))
            model, weight = fit.model, self._weight(fit, final=False)
        return fit

    def _reweighted(self, fit: JointFit) -> JointFit:
        """Fit again with weights from the residuals, Huber's first and Tukey's then."""
        for step in range(REWEIGHTINGS):
            fit = self.fitter.fit(fit.model, self._weight(fit, final=step > 0))
        self._check_settled(fit, int(fit.used.sum()))
        return fit

    def _weight(self, fit: JointFit, *, final: bool) -> Floats:
        usable = self.fitter.usable(fit.model.lags_s) & ~self.excluded
        self._check_settled(fit, int(usable.sum()))
        if usable.sum() < FEW_SAMPLES:
            return np.where(usable, 1.0 / max(float(np.mean(fit.residual_ppb[usable] ** 2)), LEAST_VARIANCE_PPB2), 0.0)
        residual = np.where(usable, fit.residual_ppb, np.nan)
        return robust_weight(residual, self._sd_ppb(fit, residual), final=final, wider=self._wider)

    def _sd_ppb(self, fit: JointFit, residual: Floats) -> Floats:
        """Standard deviation of each sample; of a cell of fewer samples than most, as much more as its mean scatters."""
        slope = fit.model.basis.slope(fit.crystal_c, fit.coef)
        if self.samples.cells is None:
            return sample_sd(residual, slope)
        count = self.samples.cells.count
        fewer = np.sqrt(np.maximum(np.median(count) / count, 1.0))
        return fewer * sample_sd(residual / fewer, slope)

    def _check_settled(self, fit: JointFit, usable: int) -> None:
        """Refuse a lag so long that hardly a sample lies far enough behind a start of its filter, or the range was never seen."""
        if fit.model.lags_s and usable <= RICH_COEFFICIENTS < self.samples.time_s.size // 2:
            raise CurveError(
                f"with a thermal lag of {sum(fit.model.lags_s):.0f} s, only {usable} of {self.samples.time_s.size} samples have "
                "settled behind the start of its filter and lie within the range: log runs many times longer than the lag, "
                "with a soak at each end, and state in [fit] no other lag than a known one"
            )

    def _without_jumps(self, fit: JointFit) -> tuple[JointFit, tuple[Jump, ...]]:
        """Split off every step that stays, the most outstanding first.

        Steps are looked for with a second time constant let in, since without it a corner of the
        temperature can look like one.
        """
        jumps: list[Jump] = []
        while self.samples.has_time and len(jumps) < MOST_JUMPS:
            flexible = self._with_second_lag(fit) if self.free_lag else fit
            tried = next(self._splits(flexible), None)
            if tried is None:
                break
            part, jump = tried
            jumps.append(jump)
            terms = replace(fit.model.terms, part=part)
            fit = self._searched(replace(fit.model, terms=terms))
        return fit, tuple(sorted(jumps, key=lambda jump: jump.time_s))

    def _without_dips(self, fit: JointFit) -> tuple[JointFit, tuple[Dip, ...]]:
        """Find activity dips and leave their samples out: they are no part of a smooth curve."""
        usable = self.fitter.usable(fit.model.lags_s)
        noise_ppb = float(np.median(self._sd_ppb(fit, np.where(usable, fit.residual_ppb, np.nan))))
        found = find_dips(fit.crystal_c[usable], fit.residual_ppb[usable], self.samples.sweep[usable], noise_ppb)
        dips = tuple(dip for dip in found if not self._steps.hide_dip(dip, fit.slope_at(dip.temperature_c)))
        if not dips:
            return fit, ()
        self.excluded |= ~outside_dips(fit.crystal_c, dips)
        return self._searched(fit.model), dips

    def _splits(self, fit: JointFit) -> Iterator[tuple[NDArray[np.int64], Jump]]:
        usable = np.flatnonzero(self.fitter.usable(fit.model.lags_s))
        turning = near_reversal(fit.crystal_c[usable], self.samples.sweep[usable])
        bounds = segment_bounds(self.samples.run[usable])
        for step, seen_ppb in candidate_steps(fit.residual_ppb[usable], bounds, turning):
            index = int(usable[step])
            part = split(fit.model.terms.part, index)
            terms = replace(fit.model.terms, part=part)
            first = self.fitter.fit(replace(fit.model, terms=terms), fit.weight)
            if not _stands_out(*_step_at(first, index), JUMP_SIGNIFICANT / 2):
                continue  # other weights would not double it
            height, u = _step_at(self._reweighted(first), index)
            stays = 0.5 < height / seen_ppb < 2.0
            hidden = self._steps.hide_jump(index, height, fit.slope_at(float(fit.crystal_c[index])))
            if stays and _stands_out(height, u, JUMP_SIGNIFICANT) and not hidden:
                yield part, Jump(float(self.samples.time_s[index]), height, u)

    def _only_found(self, fit: JointFit) -> JointFit:
        """Leave out what is not significant or cannot be told, one verdict after the other."""
        for effect in sorted(fit.effects, key=lambda effect: effect.name == "lag"):
            now = fit.effect(effect.name)
            if now is None or now.status == "found":
                continue
            self.verdicts[effect.name] = now
            terms, lags_s = fit.model.terms, fit.model.lags_s
            if effect.name == "lag":
                self.free_lag, lags_s = False, ()
            else:
                terms = _without(terms, effect.name)
            model = replace(fit.model, terms=terms, lags_s=lags_s, free_lags=self.free_lag)
            fit = self._reweighted(self.fitter.fit(model, fit.weight))
        return fit

    def _second_lag(self, fit: JointFit) -> JointFit:
        """A second time constant: from sensor to board to crystal, or a sensor's own."""
        if not self.free_lag:
            return fit
        return self._better(fit, [replace(fit.model, lags_s=(*fit.model.lags_s, 0.0))])

    def _with_second_lag(self, fit: JointFit) -> JointFit:
        two = replace(fit.model, lags_s=(*fit.model.lags_s, 0.0))
        return self._reweighted(self.fitter.fit(two, fit.weight))

    def _log_ageing(self, fit: JointFit) -> JointFit:
        """A drift on a logarithmic clock, A ln(1 + B t) (MIL-PRF-55310's form, second-hand)."""
        if not fit.model.terms.ageing or fit.model.terms.log_per_day:
            return fit
        return self._better(
            fit, [replace(fit.model, terms=replace(fit.model.terms, log_per_day=b)) for b in LOG_CLOCKS_PER_DAY]
        )

    def _play(self, fit: JointFit) -> JointFit:
        """A loop that takes some degrees to come through after a reversal."""
        if not fit.model.terms.hysteresis or fit.model.terms.play_c:
            return fit
        return self._better(
            fit, [replace(fit.model, terms=replace(fit.model.terms, play_c=width_c)) for width_c in PLAYS_C]
        )

    def _better(self, fit: JointFit, forms: list[Model]) -> JointFit:
        """Of other forms the one with the least misfit, if it is better on held-out sweeps and beyond chance.

        All are judged with the same weights, in which a misfit is weighed down but never off: a
        finer form must be allowed to explain what the plainer one takes for gross errors.  A form's
        own parameter comes from all sweeps, so that held-out error alone would be too easily
        pleased; the misfit must also fall by more than one more parameter explains by chance.
        """
        weight = self._weight(fit, final=False)
        plain = self.fitter.fit(fit.model, weight)
        finer = min((self.fitter.fit(form, weight) for form in forms), key=lambda one: one.misfit)
        before, after = held_out_mse(plain, self.samples), held_out_mse(finer, self.samples)
        # A sweep that the finer form leaves without a sample, or one without which the curve is undetermined: nothing can be said.
        if before.size != after.size or not np.isfinite([before, after]).all():
            return fit
        gain = before - after
        held_out = gain.mean() > gain.std(ddof=1) / np.sqrt(gain.size)
        beyond_chance = (plain.misfit - finer.misfit) / self._usual_misfit(finer) > FORM_SIGNIFICANT
        return self._reweighted(finer) if held_out and beyond_chance and not _cancel(finer.model.lags_s) else fit

    def _usual_misfit(self, fit: JointFit) -> float:
        """What one independent piece of news adds to the misfit, residuals that resemble each other counted together."""
        used = fit.used
        standard = fit.residual_ppb[used] * np.sqrt(fit.weight[used])
        bounds = segment_bounds(self.samples.run[used]) if self.samples.has_time else [(0, standard.size)]
        return fit.misfit / effective_samples(standard, bounds)

    def _all_verdicts(self, fit: JointFit) -> tuple[Effect, ...]:
        """Effects of the fit, and for those that it leaves out the verdict reached before."""
        fitted = {effect.name: effect for effect in fit.effects}
        return tuple(
            fitted.get(name) or self.verdicts[name] for name in UNITS if name in fitted or name in self.verdicts
        )


def _without(terms: Terms, name: str) -> Terms:
    """The terms less one of the linear effects."""
    return replace(terms, ageing=False) if name == "ageing" else replace(terms, hysteresis=False)


def _cancel(lags_s: tuple[float, ...]) -> bool:
    """Whether two time constants nearly cancel: together they smooth the sensor's noise, which is no lag."""
    return len(lags_s) > 1 and lags_s[0] * lags_s[1] < 0 and abs(lags_s[1]) > 0.5 * abs(lags_s[0])


def _verdicts_before(
    samples: Samples, settings: Settings, rates_c_per_min: Sequence[float], soaked: bool
) -> Iterator[tuple[str, Effect]]:
    """Effects that need not be estimated, with the reason."""
    reasons = {
        "lag": why_no_lag(samples),
        "ageing": why_no_ageing(samples),
        "hysteresis": why_no_hysteresis(samples, rates_c_per_min, soaked),
    }
    for name, reason in reasons.items():
        asked = getattr(settings, name)
        if asked == "none":
            yield name, Effect(name, UNITS[name], "off", reason="switched off in the job")
        elif asked != "auto" and samples.has_time:
            yield name, Effect(name, UNITS[name], "given", float(asked), 0.0, "given in the job")
        elif reason:
            yield name, Effect(name, UNITS[name], "undetermined", reason=reason)


def _stands_out(height_ppb: float, u_ppb: float, times: float) -> bool:
    return abs(height_ppb) > times * u_ppb


def _step_at(fit: JointFit, index: int) -> tuple[float, float]:
    """Height of the step before a sample, and its standard uncertainty. [ppb]"""
    part = int(fit.model.terms.part[index])
    row = np.zeros(fit.model.terms.bases)
    row[part - 1] = -1.0
    if part < row.size:
        row[part] = 1.0
    return float(row @ fit.base_ppb), float(np.sqrt(row @ fit.base_covariance @ row))
