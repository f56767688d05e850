"""What moved the offset besides temperature: found one after the other, kept only if the data can identify it.

A curve rich enough not to be mistaken for an effect is fitted together with every effect that the
runs could show; samples are weighed by how much they can say; jumps of the crystal are split off;
effects that are not significant are left out; and finer forms of the others (a second time constant, a drift on a
logarithmic clock, a loop that takes some degrees to come through) are kept only where they lower
the error on held-out sweeps.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import CurveError
from tcomp.estimation.basis import Basis
from tcomp.estimation.coarse_readings import Kind, coarse_readings
from tcomp.estimation.coarse_steps import CoarseSteps
from tcomp.estimation.dips import MIN_NOISE_PPB, Dip, find_dips, outside_dips
from tcomp.estimation.effect_search import PER_COLUMN, Search
from tcomp.estimation.effects import (
    FAMILY,
    FINDING_NAMES,
    BasePerRun,
    Conditions,
    Effect,
    Effects,
    Finding,
    Known,
    Reason,
    Regressor,
    Status,
)
from tcomp.estimation.effects.finding import SIGNIFICANT
from tcomp.estimation.held_out import held_out_mse
from tcomp.estimation.joint_fit import Fitter, JointFit, Model
from tcomp.estimation.jumps import REACH, Jump, candidate_steps, near_reversal, split_at, steps_at, sudden_jumps
from tcomp.estimation.run_comparison import (
    BaseStep,
    Difference,
    RunShapes,
    base_steps,
    differences,
    refuse_unlike,
    run_shapes,
)
from tcomp.estimation.samples import Samples
from tcomp.estimation.sensor_smoothing import SmoothTemperature, sensor_log
from tcomp.estimation.thermal_lag import segment_bounds
from tcomp.estimation.uncertainty import effective_samples
from tcomp.estimation.wander import Wander, wander_of
from tcomp.estimation.weights import SampleWeights, rounding_sd
from tcomp.logs.neighbours import quantum_of
from tcomp.progress import ProgressCallback, no_progress

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

MAX_JUMPS = 6
JUMP_SIGNIFICANT = 6.0
"""Standard uncertainties of a step from which it is a jump: the strongest of thousands of candidates must stand out."""
FORM_SIGNIFICANT = 12.0
"""Fall of the weighted sum of squares, in units of what one independent residual adds, from which a finer form is beyond
chance: the chi-square of one degree of freedom exceeds it once in 2000."""
LEARNING = "learning the curve"
STAGES = 9
"""Stages of about equal length, for the progress of the fit."""
REWEIGHTINGS = 4
POOR = 2.0
"""A curve that leaves so many times the RMS of the rich one does not fit, if that is beyond chance (common practice, no
source)."""
FAR_BETTER = 1.5
"""How many times less another value must leave than the one that the job gives, to be worth a remark (common practice, no
source)."""
SURELY_ROUNDED = 0.8
"""Of -2 ln of the likelihood, per reading: a count of whole cycles comes to 1 at least, the integral of
-2 p ln p - 2 (1 - p) ln (1 - p) over the fractions p from 0 to 1."""
SOME = 0.1
"""Share of the samples that may lie off a fit with an effect that is let in where the fit without it is refused."""
RICH_COEFFICIENTS = 10
"""Of the curve with which effects are looked for, at most: so few samples tell it nothing."""


@dataclass(frozen=True)
class KnownEffect:
    """An effect that is known before the fit, and what is to be said of it."""

    effect: Known
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class Settings:
    """What to estimate.

    Attributes
    ----------
    effects : mapping
        Of an effect's name "auto", "none", or a number at which it is held; what is not named is "auto".
    follow_dips : bool
        Whether the curve follows activity dips.
    unlike_runs : "refuse" or "join"
        What becomes of runs whose shapes differ.
    max_dropped : float
        Share of the samples that may be dropped.
    retrace_ppb : float or None
        What the job says of retrace. [ppb]
    reading : "auto", "rounded" or "counted"
        What a coarse reading is.
    regressors : tuple of Regressor
        Quantities besides temperature that are logged.
    known : tuple of KnownEffect
        What a lot says of effects, in the place of an estimate.
    """

    effects: Mapping[str, float | Literal["auto", "none"]] = field(default_factory=dict)
    follow_dips: bool = False
    unlike_runs: Literal["refuse", "join"] = "refuse"
    max_dropped: float = 0.2
    retrace_ppb: float | None = None
    reading: Literal["auto", "rounded", "counted"] = "auto"
    regressors: tuple[Regressor, ...] = ()
    known: tuple[KnownEffect, ...] = ()

    @property
    def family(self) -> tuple[Effect, ...]:
        """All effects that may be found, in the order in which findings are listed."""
        return (*FAMILY, *self.regressors)

    def about(self, samples: Samples) -> Settings:
        """With the references of the quantities that are left out."""
        return replace(self, regressors=tuple(one.about(samples) for one in self.regressors))


@dataclass(frozen=True)
class PoorFit:
    """What a curve leaves that does not fit, and what the rich curve leaves of the same samples. [ppb]"""

    rms_ppb: float
    rich_rms_ppb: float


@dataclass(frozen=True)
class Rival:
    """A value of an effect that fits far better than the one that the job gives, and what each leaves. [unit] [ppb]"""

    name: str
    unit: str
    value: float
    rms_ppb: float
    given_rms_ppb: float


@dataclass(frozen=True)
class Estimate:
    """A fit with the finding on every effect, the jumps and dips found, and how the sensor was smoothed."""

    fit: JointFit
    findings: tuple[Finding, ...]
    jumps: tuple[Jump, ...]
    dips: tuple[Dip, ...]
    smoothing: tuple[SmoothTemperature, ...]
    unsettled: int
    """Samples too close behind a start of a filter to be used."""
    poor_fit: PoorFit | None = None
    """Where the curve does not fit; the effects are then those that the rich curve found."""
    rivals: tuple[Rival, ...] = ()
    known: Mask | None = None
    """Samples of a coarse sensor that are outside of its soaks; None: the sensor tells the temperature of all."""
    alike_ppb2: float = 0.0
    """Mean square of what a coarse sensor leaves unknown there, which sweeps of the same ramps may have alike."""
    unlike: tuple[Difference, ...] = ()
    """Runs whose shapes differ beyond chance."""
    base_steps: tuple[BaseStep, ...] = ()
    wander: Wander | None = None
    """How noise wanders along the runs; None: not known, or not looked for yet."""

    @property
    def in_dips(self) -> Mask:
        """Usable samples in an activity dip, shape (n,)."""
        return self.fit.usable & ~outside_dips(self.fit.crystal_c, self.dips)

    def finding(self, name: str) -> Finding:
        """The finding on one effect."""
        return next(finding for finding in self.findings if finding.name == name)


class Estimator:
    """Finds the effects in samples."""

    def __init__(
        self,
        samples: Samples,
        *,
        settings: Settings,
        conditions: Conditions,
        low_c: float,
        high_c: float,
        progress: ProgressCallback = no_progress,
    ) -> None:
        self.samples, self.conditions = samples, conditions
        self._progress = progress
        self._kinds: tuple[Kind, ...] = ("rounded", "counted") if settings.reading == "auto" else (settings.reading,)
        sensor, self.smoothing = sensor_log(samples)
        self.fitter = Fitter(samples, sensor, low_c, high_c)
        self._weights = SampleWeights(samples, sensor)
        quantum_c = quantum_of(samples.temperature_c) if samples.cells is None else samples.cells.quantum_c
        self._steps = CoarseSteps(samples.temperature_c, quantum_c)
        self.excluded = np.zeros(samples.time_s.size, dtype=bool)
        self._settings = settings
        self.findings = {one.name: one for one in _findings_before(samples, settings, conditions)}

    def effects(self, basis: Basis) -> Estimate:
        """Estimate every effect with a rich curve, and keep those that the data can identify."""
        self._progress(LEARNING, 0, STAGES)
        model = self._with_coarse_readings(Model(basis, self._first_effects()))
        unlike, fit, splits = self._compared_and_split(model)
        self._progress(LEARNING, 1, STAGES)
        fit, jumps = self._without_jumps(fit, splits)
        self._progress(LEARNING, 2, STAGES)
        fit, dips = self._without_dips(fit)
        fit = self._only_found(fit)
        for stage, name in enumerate(_refining_order(), start=3):
            self._progress(LEARNING, min(stage, STAGES - 1), STAGES)
            fit = self._refined(fit, name)
        fit = self._with_looked_for(fit)
        unsettled = self.samples.number(~fit.model.effects.settled(self.fitter.sensor))
        known = self._weights.known(self.fitter, fit)
        return Estimate(
            fit, self._all_findings(fit), jumps, dips, self.smoothing, unsettled, rivals=tuple(self._rivals(fit)),
            unlike=unlike, base_steps=base_steps(fit, self.samples, self._settings.retrace_ppb),
            known=known, alike_ppb2=self._weights.alike_ppb2(self.fitter, fit, known),
        )  # fmt: skip

    def _compared_and_split(self, model: Model) -> tuple[tuple[Difference, ...], JointFit, list[int]]:
        """Runs that differ in shape, and the first fit, split at sudden jumps; with effects that outweigh all others, which may
        be what the runs differ by.

        Raises
        ------
        CurveError
            The runs differ too much, with such effects too.
        """
        unlike: tuple[Difference, ...] = ()
        refused: CurveError | None = None
        try:
            unlike = self._compared(model)
            fit, splits = self._without_sudden_jumps(model)
        except CurveError as error:
            refused = error
            try:  # a lag that has run away
                fit, splits = self._without_sudden_jumps(model.held())
            except CurveError:
                raise refused from None
        findings = dict(self.findings)
        strong = self._with_strong_effects(fit, model.effects)
        if strong is not fit.model:
            for effect in model.effects:
                here = strong.effects.get(effect.name)
                if effect.searched and here is not None and not here.searched:  # held until now
                    strong = strong.with_effect(effect)
            model = strong.with_effect(model.effects.of(BasePerRun))
            beside = self._beside(model)
            if not self._of_a_part(beside[1]):
                return beside
            self.findings = findings
        if refused is not None:
            raise refused
        return unlike, fit, splits

    def _of_a_part(self, fit: JointFit) -> bool:
        """Whether a fit describes a part of the samples only."""
        return self.samples.number(fit.gross) > SOME * self.samples.number(fit.usable)

    def _beside(self, model: Model) -> tuple[tuple[Difference, ...], JointFit, list[int]]:
        """Runs that differ, and the first fit beside a strong effect; without effects on temperature where they run away."""
        try:
            return self._compared(model), *self._without_sudden_jumps(model)
        except CurveError:
            for effect in model.effects:
                if effect.searched and effect.moves_temperature:
                    model = model.without(effect.name)
                    self.findings[effect.name] = Finding(
                        effect.name, effect.unit, Status.UNDETERMINED, reason=Reason.RAN_AWAY
                    )
            return self._compared(model), *self._without_sudden_jumps(model)

    def _first_effects(self) -> Effects:
        """A base for each run, and all effects that the data may identify or the job gives."""
        first: list[Effect] = [BasePerRun(self.samples.run)]
        for effect in self._settings.family:
            before = self.findings.get(effect.name)
            known = next((one.effect for one in self._settings.known if one.effect.name == effect.name), None)
            if known is not None:
                first.append(known)
            elif before is None and not effect.looked_for:
                first.append(effect)
            elif before is not None and before.status == Status.GIVEN:
                first.append(effect.given(before.value))
        return Effects(tuple(first))

    def curve(self, basis: Basis, penalty: Floats | None, found: Estimate, *, forced: bool = False) -> Estimate:
        """Fit the chosen curve together with the effects that were found; a forced one may not fit, and bends none."""
        model = replace(found.fit.model, basis=basis, penalty=penalty)
        held = self.fitter.fit(model.held(), found.fit.weight) if forced else found.fit
        poor_fit = self._poor_fit(held, found.fit)
        if poor_fit is not None:
            return replace(found, fit=held, poor_fit=poor_fit, wander=wander_of(self.fitter, held, self.smoothing))
        fit = self._reweighted(self.fitter.fit(model, found.fit.weight))
        wander = wander_of(self.fitter, fit, self.smoothing)
        return replace(found, fit=fit, findings=self._all_findings(fit), wander=wander)

    def _rivals(self, fit: JointFit) -> Iterator[Rival]:
        """Values that the data prefer to those that the job states, if they are far better and beyond chance."""
        for effect in self._settings.family:
            stated = self.findings.get(effect.name)
            if stated is None or stated.status not in (Status.GIVEN, Status.OFF) or not effect.freed().parameters:
                continue
            if any(one.effect.name == effect.name for one in self._settings.known):  # held against the data before
                continue
            if effect.why_not(self.samples, self.conditions) is None:
                yield from self._rival(fit, effect, stated)

    def _rival(self, fit: JointFit, effect: Effect, stated: Finding) -> Iterator[Rival]:
        try:
            # For a remark one search is enough.
            rival = self._searched(fit.model.with_effect(effect.freed()), searches=1)
        except CurveError:  # too long for these runs
            return
        best, finding = rival.model.effects.get(effect.name), rival.finding(effect.name)
        if best is None or finding is None:
            return
        value, used = best.values[0], rival.used & fit.usable
        rms_ppb, stated_rms_ppb = (one.rms_ppb(used) for one in (rival, fit))
        apart = abs(value - stated.value) > SIGNIFICANT * finding.uncertainty
        gain = float(rival.weight[used] @ (fit.residual_ppb[used] ** 2 - rival.residual_ppb[used] ** 2))
        beyond_chance = gain > FORM_SIGNIFICANT * self._usual_ssr(rival)
        if apart and beyond_chance and stated_rms_ppb > FAR_BETTER * max(rms_ppb, MIN_NOISE_PPB):
            yield Rival(effect.name, effect.unit, value, rms_ppb, stated_rms_ppb)

    def _poor_fit(self, plain: JointFit, rich: JointFit) -> PoorFit | None:
        """What a curve leaves, if that is far more than the rich curve does and beyond chance."""
        used = rich.used & plain.used
        rms_ppb, rich_rms_ppb = (fit.rms_ppb(used) for fit in (plain, rich))
        by_chance = self._usual_ssr(rich) * (rich.model.basis.size - plain.model.basis.size)
        large = rms_ppb > POOR * max(rich_rms_ppb, MIN_NOISE_PPB)
        beyond_chance = plain.weighted_ssr - rich.weighted_ssr > FORM_SIGNIFICANT * by_chance
        return PoorFit(rms_ppb, rich_rms_ppb) if large and beyond_chance else None

    def with_dips_followed(self, found: Estimate) -> Estimate:
        """Give the samples in dips their weight back, for a curve that can follow them."""
        self.excluded[:] = False
        fit = found.fit
        usable = self.fitter.usable(fit.model.effects)
        sd = self._weights.sd_ppb(self.fitter, fit, np.where(fit.used, fit.residual_ppb, np.nan))
        inside = usable & ~outside_dips(fit.crystal_c, found.dips)
        return replace(found, fit=replace(fit, weight=np.where(inside, 1.0 / sd**2, fit.weight)))

    def _searched(self, model: Model, searches: int = 2) -> JointFit:
        """The first fit: nonlinear parameters searched twice, the second time with gross errors weighed down."""
        if self.fitter.readings is not None:
            return self._reweighted(self.fitter.fit(model, np.where(self.excluded, 0.0, 1.0)))
        weight = np.where(self.excluded, 0.0, self._weights.first(self.fitter))
        for _ in range(searches if _is_searched(model.effects) else 1):
            if _is_searched(model.effects):
                usable = np.where(self.fitter.usable(model.effects), weight, 0.0)
                model = self.fitter.searched(model, usable)
            fit = self._reweighted(self.fitter.fit(model, weight))
            model, weight = fit.model, self._weight(fit, final=False)
        return fit

    def _with_coarse_readings(self, model: Model) -> Model:
        """Where the counter's step is coarse, fits are by likelihood from here on; the model with the values to begin with."""
        if coarse_readings(self.samples, self._kinds[0]) is None:
            return model
        base = model.effects.of(BasePerRun)
        split = model.with_effect(BasePerRun(split_at(base.part, self._sudden)))
        return self._of_coarse_readings(self._searched(split)).model.with_effect(base)

    def _of_coarse_readings(self, fit: JointFit) -> JointFit:
        """Where the counter's step is coarse beside the noise, the fit of greatest likelihood, as rounded or as counted."""
        tried = []
        for kind in self._kinds:
            self.fitter = self.fitter.reading(coarse_readings(self.samples, kind))
            tried.append((self._searched(fit.model), self.fitter))
            if tried[-1][0].weighted_ssr < SURELY_ROUNDED * int(tried[-1][0].used.sum()):
                break
        best, self.fitter = min(tried, key=lambda one: one[0].weighted_ssr)
        return best

    def _reweighted(self, fit: JointFit) -> JointFit:
        """Fit again with weights from the residuals, Huber's first and Tukey's then."""
        for step in range(REWEIGHTINGS if self.fitter.readings is None else 1):
            fit = self.fitter.fit(fit.model, self._weight(fit, final=step > 0))
        self._check_settled(fit, int(fit.used.sum()))
        self._check_spread(fit, fit.used)
        return fit

    def _weight(self, fit: JointFit, *, final: bool) -> Floats:
        usable = self.fitter.usable(fit.model.effects) & ~self.excluded
        self._check_settled(fit, int(usable.sum()))
        if self.fitter.readings is not None:
            return usable.astype(np.float64)
        self._check_spread(fit, usable)
        return self._weights.of_residuals(self.fitter, fit, usable, final=final)

    def _temperature_u_c(self, fit: JointFit) -> Floats:
        """What a coarse sensor leaves unknown of the crystal's temperature at each sample; else zero. [degC]"""
        return self._weights.temperature_u_c(self.fitter, fit.model.effects)

    def _check_settled(self, fit: JointFit, usable: int) -> None:
        """Refuse effects behind which hardly a sample is settled, or a range that was never seen."""
        total = self.samples.time_s.size
        if usable <= RICH_COEFFICIENTS < total // 2:
            for effect in fit.model.effects:
                words = effect.unsettled_words(usable, total)
                if words:
                    raise CurveError(words)

    def _check_spread(self, fit: JointFit, used: Mask) -> None:
        """Refuse samples of which only those at one temperature agree with each other, or none."""
        used_c = fit.crystal_c[used]
        if used_c.size and used_c.min() < used_c.max():
            return
        which = f"only those at {used_c[0]:.4g} degC" if used_c.size else "none"
        raise CurveError(
            f"of {self.samples.time_s.size} samples {which} would count, as the others lie on no common curve: see with "
            "`tcomp inspect --plot` whether temperature and reading are of the same oscillator, and in the right columns"
        )

    def _compared(self, model: Model) -> tuple[Difference, ...]:
        """The runs whose shapes differ beyond chance, before they are joined: joined, they would bend all that follows.

        Where shapes differ finer nonlinear effects are let in, and free ones where the job gives them: without that runs at
        different rates may differ.

        Raises
        ------
        CurveError
            They differ by more than one crystal's do, and the job does not ask to join them.
        """
        part = split_at(model.effects.of(BasePerRun).part, self._sudden)
        if self._with_own_shapes(model.basis, part) is None:
            return ()
        fit, _ = self._without_sudden_jumps(model, own_shapes=True)
        found = differences(fit, self.samples)
        if any(one.seen for one in found):
            found = differences(self._looser(self._freed(fit)), self.samples)
        if self._settings.unlike_runs == "refuse":
            refuse_unlike(found)
        return tuple(one for one in found if one.seen)

    def _freed(self, fit: JointFit) -> JointFit:
        """The fit with every nonlinear effect free that the data can identify."""
        model = fit.model
        for effect in self._settings.family:
            here, freed = model.effects.get(effect.name), effect.freed()
            identifiable = effect.why_not(self.samples, self.conditions) is None
            if freed.parameters and identifiable and not (here is not None and here.parameters):
                model = model.with_effect(freed)
        return fit if model is fit.model else self._searched(model)

    def _without_sudden_jumps(self, model: Model, *, own_shapes: bool = False) -> tuple[JointFit, list[int]]:
        """The first fit, split at the steps that stand in the offset itself and stay in the fit; the samples before which.

        With ``own_shapes`` each part that goes over much of the range has a shape of its own.
        """
        splits = self._sudden
        while True:
            part = split_at(model.effects.of(BasePerRun).part, splits)
            basis = self._with_own_shapes(model.basis, part) if own_shapes else None
            fit = self._searched(replace(model.with_effect(BasePerRun(part)), basis=basis or model.basis))
            kept = [index for index in splits if _stands_out(*_step_at(fit, index), JUMP_SIGNIFICANT)]
            if kept == splits:
                return fit, splits
            splits = kept

    def _with_own_shapes(self, basis: Basis, part: Ints) -> RunShapes | None:
        return run_shapes(basis, part, self.fitter.sensor.temperature_c)

    @cached_property
    def _sudden(self) -> list[int]:
        found = sudden_jumps(self.samples, self.fitter.sensor.temperature_c, self._steps.step_c, MAX_JUMPS)
        beside = [self.samples.regressors[one.name] for one in self._settings.regressors]
        return [index for index in found if not any(steps_at(values, index) for values in beside)]

    def _without_jumps(self, fit: JointFit, splits: list[int]) -> tuple[JointFit, tuple[Jump, ...]]:
        """Split off every step that stays, the most outstanding first.

        Steps are looked for with finer nonlinear effects let in, since without a second time constant a corner of the
        temperature can look like one.
        """
        while self.samples.has_time and len(splits) < MAX_JUMPS:
            tried = next(self._splits(self._looser(fit)), None)
            if tried is None:
                break
            part, index = tried
            splits = [*splits, index]
            fit = self._searched(fit.model.with_effect(BasePerRun(part)))
        return fit, tuple(Jump(float(self.samples.time_s[at]), *_step_at(fit, at)) for at in sorted(splits))

    def _without_dips(self, fit: JointFit) -> tuple[JointFit, tuple[Dip, ...]]:
        """Find activity dips and leave their samples out: they are no part of a smooth curve."""
        usable = self.fitter.usable(fit.model.effects)
        sd_ppb = self._weights.sd_ppb(self.fitter, fit, np.where(usable, fit.residual_ppb, np.nan))
        found = find_dips(
            fit.crystal_c[usable], fit.residual_ppb[usable], self.samples.sweep[usable], float(np.median(sd_ppb))
        )
        unknown_c = self._temperature_u_c(fit)
        dips = tuple(
            dip
            for dip in found
            if not self._steps.hide_dip(
                dip,
                fit.slope_at(dip.temperature_c),
                float(np.max(unknown_c, where=usable & ~outside_dips(fit.crystal_c, (dip,)), initial=0.0)),
            )
        )
        if not dips:
            return fit, ()
        self.excluded |= ~outside_dips(fit.crystal_c, dips)
        return self._searched(fit.model), dips

    def _splits(self, fit: JointFit) -> Iterator[tuple[Ints, int]]:
        usable = np.flatnonzero(self.fitter.usable(fit.model.effects))
        turning = near_reversal(fit.crystal_c[usable], self.samples.sweep[usable])
        bounds = segment_bounds(self.samples.run[usable])
        least_ppb = float(rounding_sd(self.samples.step_ppb).max())
        for step, seen_ppb in candidate_steps(fit.residual_ppb[usable], bounds, turning, least_ppb=least_ppb):
            index = int(usable[step])
            part = split_at(fit.model.effects.of(BasePerRun).part, [index])
            first = self.fitter.fit(fit.model.with_effect(BasePerRun(part)), fit.weight)
            if not first.used.any() or not _stands_out(*_step_at(first, index), JUMP_SIGNIFICANT / 2):
                continue  # other weights would not double it
            height, u = _step_at(self._reweighted(first), index)
            stays = 0.5 < height / seen_ppb < 2.0
            around_c = self._temperature_u_c(fit)[max(index - REACH, 0) : index + REACH]
            slope = fit.slope_at(float(fit.crystal_c[index]))
            hidden = self._steps.hide_jump(index, height, slope, float(around_c.max()))
            if stays and _stands_out(height, u, JUMP_SIGNIFICANT) and not hidden:
                yield part, index

    def _only_found(self, fit: JointFit) -> JointFit:
        """Leave out what is not significant or cannot be identified, one finding after the other; nonlinear effects last."""
        for name in _linear_first(effect for effect in fit.model.effects if effect.finding_names):
            now = fit.finding(name)
            if now is None or now.status == Status.FOUND:
                continue
            self.findings[name] = now
            fit = self._reweighted(self.fitter.fit(fit.model.without(name), fit.weight))
        return fit

    @property
    def _search(self) -> Search:
        off = tuple(
            effect
            for effect in self._settings.family
            if effect.size and effect.name in self.findings and self.findings[effect.name].status == Status.OFF
        )
        return Search(self.fitter, self.conditions, partial(self._weight, final=False), self._usual_ssr, off)

    @property
    def _looked_for(self) -> tuple[Effect, ...]:
        """Effects that are not in a fit from the beginning, and that the data may identify."""
        return tuple(
            effect for effect in self._settings.family if effect.looked_for and effect.name not in self.findings
        )

    def _with_strong_effects(self, fit: JointFit, effects: Effects) -> Model:
        """The model with effects so strong that jumps, dips and all others are only to be judged beside them."""
        for effect in self._looked_for:
            search = self._search
            stronger = search.strongest(fit, effect, effects)
            if stronger is not None and not any(map(search.strained, stronger.model.effects)):
                self._displace(fit, stronger, Reason.LIKE_A_RESPONSE)
                fit = stronger
                continue
            instead = search.instead_of_strained(fit, effect)
            if instead is not None:
                self._displace(fit, instead, Reason.STRAINED)
                fit = instead
        return fit.model

    def _displace(self, before: JointFit, after: JointFit, reason: Reason) -> None:
        """Mark effects that are not identifiable beside a new one as undetermined."""
        for effect in before.model.effects:
            if effect.name not in after.model.effects:
                self.findings[effect.name] = Finding(effect.name, effect.unit, Status.UNDETERMINED, reason=reason)

    def _with_looked_for(self, fit: JointFit) -> JointFit:
        """The fit with effects that lower the error on blocks held out, and without those beside them that are none then."""
        for effect in self._looked_for:
            held = fit.model.effects.get(effect.name)
            if held is not None:
                kept = self._search.kept(fit, held)
                if kept is not None:
                    fit = self._reweighted(kept)
                    continue
                fit = self._reweighted(self.fitter.fit(fit.model.without(effect.name), fit.weight))
            found, self.findings[effect.name] = self._search.better(fit, effect)
            if found is not None:
                self._displace(fit, found, Reason.LIKE_A_RESPONSE)
                fit = self._only_found(self._reweighted(found))
        return fit

    def _looser(self, fit: JointFit) -> JointFit:
        """The fit with the finer forms of its nonlinear effects, whether or not they are better."""
        model = fit.model
        for effect in model.effects:
            if effect.parameters and effect.finer():
                model = model.with_effect(effect.finer()[0])
        if model is fit.model:
            return fit
        try:
            return self._reweighted(self.fitter.fit(model, fit.weight))
        except CurveError:  # behind so long a time constant no sample has settled
            return fit

    def _refined(self, fit: JointFit, name: str) -> JointFit:
        """Finer forms of an effect, one after the other, as long as they are better."""
        while (finer := self._once_finer(fit, name)) is not fit:
            fit = finer
        return fit

    def _once_finer(self, fit: JointFit, name: str) -> JointFit:
        """The best of the finer forms of an effect, if it is better than the plain one."""
        effect = fit.model.effects.get(name)
        forms = effect.finer() if effect is not None else ()
        if not forms:
            return fit
        finer = self._better(fit, [fit.model.with_effect(form) for form in forms])
        # Residuals of a coarse sensor resemble each other, so that held-out sweeps alone are too easily pleased.
        new = [one for one in finer.findings if one.name in forms[0].parameters and fit.finding(one.name) is None]
        if self._temperature_u_c(fit).any() and any(one.status != Status.FOUND for one in new):
            return fit
        return finer

    def _better(self, fit: JointFit, forms: list[Model]) -> JointFit:
        """Of other forms the one with the least weighted squares, if it is better on held-out sweeps and beyond chance.

        All are judged with the same weights, in which a residual is weighed down but never off: a
        finer form must be allowed to explain what the plainer one takes for gross errors.  A form's
        own parameter comes from all sweeps, so that held-out error alone would be too easily
        pleased; the weighted squares must also fall by more than one more parameter explains by chance.
        """
        weight = self._weight(fit, final=False)
        plain = self.fitter.fit(fit.model, weight)
        tried = [one for form in forms if not (one := self.fitter.fit(form, weight)).degenerate]
        finer = min(tried, key=lambda one: one.weighted_ssr, default=plain)
        if finer is plain or not (plain.used.any() and finer.used.any()):
            return fit
        before, after = held_out_mse(plain, self.samples), held_out_mse(finer, self.samples)
        # Nothing can be said of a single sweep, of a sweep that the finer form leaves without a sample, or of one without
        # which the curve is undetermined.
        if before.size != after.size or before.size < 2 or not np.isfinite([before, after]).all():
            return fit
        gain = before - after
        held_out = gain.mean() > gain.std(ddof=1) / np.sqrt(gain.size)
        by_chance = FORM_SIGNIFICANT + PER_COLUMN * max(finer.unknowns - plain.unknowns - 1, 0)
        beyond_chance = plain.weighted_ssr - finer.weighted_ssr > by_chance * self._usual_ssr(finer)
        return self._reweighted(finer) if held_out and beyond_chance else fit

    def _usual_ssr(self, fit: JointFit) -> float:
        """What one independent piece of news adds to the weighted squares, residuals that resemble each other counted
        together."""
        used = fit.used
        standard = fit.working_ppb[used] * np.sqrt(fit.weight[used])
        bounds = segment_bounds(self.samples.run[used]) if self.samples.has_time else [(0, standard.size)]
        squares = fit.weighted_ssr if fit.readings is None else float(standard.size)
        return squares / effective_samples(standard, bounds)

    def _all_findings(self, fit: JointFit) -> tuple[Finding, ...]:
        """Findings of the fit, and for effects that it leaves out the finding reached before."""
        found = self.findings | {finding.name: finding for finding in fit.findings}
        names = (*FINDING_NAMES, *(one.name for one in self._settings.regressors))
        return tuple(found[name] for name in names if name in found)


def _is_searched(effects: Effects) -> bool:
    """Whether some effect has parameters to be searched over a grid."""
    return any(effect.searched for effect in effects)


def _linear_first(effects: Iterable[Effect]) -> list[str]:
    """Names of linear effects, and those of nonlinear ones behind them."""
    return [effect.name for effect in sorted(effects, key=lambda effect: bool(effect.freed().parameters))]


def _refining_order() -> list[str]:
    """Linear effects, nonlinear ones, and the linear ones once more: a second time constant sharpens drift and loop."""
    linear = [effect.name for effect in FAMILY if not effect.freed().parameters]
    return [*_linear_first(FAMILY), *linear]


def _findings_before(samples: Samples, settings: Settings, conditions: Conditions) -> Iterator[Finding]:
    """Effects that need not be estimated, with the reason."""
    known = {one.effect.name: one.findings for one in settings.known}
    stated_any = bool(known) or any(one != "auto" for one in settings.effects.values())
    for effect in settings.family:
        stated = settings.effects.get(effect.name, "auto")
        reason = effect.why_not(samples, conditions)
        if effect.name in known:
            yield from known[effect.name]
        elif stated == "none":
            yield Finding(effect.name, effect.unit, Status.OFF, reason=Reason.SWITCHED_OFF)
        elif stated != "auto" and samples.has_time:
            yield Finding(effect.name, effect.unit, Status.GIVEN, float(stated), 0.0, Reason.GIVEN_IN_JOB)
        elif effect.looked_for and stated_any:
            yield Finding(effect.name, effect.unit, Status.UNDETERMINED, reason=Reason.BESIDE_STATED)
        elif reason is not None:
            yield Finding(effect.name, effect.unit, Status.UNDETERMINED, reason=reason)


def _stands_out(height_ppb: float, u_ppb: float, times: float) -> bool:
    return abs(height_ppb) > times * u_ppb


def _step_at(fit: JointFit, index: int) -> tuple[float, float]:
    """Height of the step before a sample, and its standard uncertainty. [ppb]"""
    base = fit.model.effects.of(BasePerRun)
    return base.step_before(fit.effect_coef[base.name], fit.effect_covariance(base.name), index)
