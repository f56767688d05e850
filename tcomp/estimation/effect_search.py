"""Effects that are looked for in what a fit without them leaves, and judged by blocks of temperature within a leg.

An effect in many forms (time constants, degrees) would slow every fit down if it stood in all of them.  One product of each
form's columns with the residuals, freed of what the fit imitates, tells which form would lower the squares most; only where that
is beyond chance are forms fitted.  Whole sweeps held out would leave one direction unknown, so that blocks of one sweep are.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tcomp.estimation.basis import ChebyshevBasis
from tcomp.estimation.effects import Conditions, Effect, Effects, Finding, Reason, Regressor, Status
from tcomp.estimation.effects.finding import INDEPENDENT_SHARE
from tcomp.estimation.joint_fit import Fitter, JointFit, Model
from tcomp.estimation.least_squares import hstack
from tcomp.estimation.validation import least_folds_mse

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BLOCKS = 10
"""Equal parts of the range in which the samples of a sweep are held out together."""
MOST = 0.5
"""Share of the weighted squares that are left from which an effect is let in before jumps, dips and other effects are judged."""
ALIKE = 1.1
"""Times the mean square that another effect may leave and still explain as much (common practice, no source)."""
FEW = 1000
"""Samples, evenly taken from all, on which a grid of two time constants is scanned."""
FEW_FOR_A_COLUMN = 3
"""Fewer samples for a column say nothing."""
MOVED = 8
"""Forms of an effect on temperature in that grid."""
BETTER = 2.0
"""Standard errors by which blocks held out must be predicted better with an effect: its time constant is the best of a dozen, and
the curve's degree the best of nine."""
CHANCE, PER_COLUMN = 12.0, 4.0
"""Fall of the weighted squares, in units of what one independent residual adds, that chance does not reach: the chi-square of
k degrees of freedom exceeds 12 + 4 k less than once in 2000, and the time constant was chosen among a dozen."""


@dataclass(frozen=True)
class Search:
    """Looks for an effect in what a fit leaves.

    ``weigh`` gives the weights in which no residual is off, ``usual_ssr`` what one independent piece of news adds to the
    weighted squares of a fit.
    """

    fitter: Fitter
    conditions: Conditions
    weigh: Callable[[JointFit], Floats]
    usual_ssr: Callable[[JointFit], float]
    off: tuple[Effect, ...] = ()
    """Effects that the job switches off: what one of them explains as well is not to be found as another."""

    def strongest(self, fit: JointFit, effect: Effect, effects: Effects) -> JointFit | None:
        """The fit with the effect, where it explains most of what is left, and far more than finer forms of all others do.

        Without it a lag may have run away to take its place, so that both are looked for over a grid, in all forms of ``effects``.
        """
        weight = self.weigh(fit)
        start = self._over_grid(fit, effect, effects, weight)
        if start is None:
            return None
        forms, model = start
        plain = self.fitter.fit(fit.model, weight)
        rivals = [fit.model.with_effect(form) for one in fit.model.effects for form in one.finer()]
        rivals += [fit.model.with_effect(one) for one in self.off]
        best = min(_per_weight(one) for one in (plain, *(self.fitter.fit(rival, weight) for rival in rivals)))
        # Lag and response may change places; from no lag on they find the other way.
        ways = [
            self._fitted(one, forms, weight) for one in (model, replace(model, effects=_without_motion(model.effects)))
        ]
        chosen = _simplest(self.fitter, min(ways, key=lambda fits: _per_weight(fits[-1])))
        return chosen if _per_weight(chosen) < (1 - MOST) * best else None

    def instead_of_strained(self, fit: JointFit, effect: Effect) -> JointFit | None:
        """The fit with the effect alone in the place of a lag that is beyond what is usual, unless the lag predicts blocks held
        out better.

        Behind a lag of hours a rich curve passes through everything, so that what a fit leaves cannot tell.  Each way is judged
        with the curve's degree that suits it.
        """
        strained = [one for one in fit.model.effects if self.strained(one)]
        if not strained:
            return None
        fitter, weight = self.fitter, self._of_all(fit)
        bare = Effects(tuple(one for one in fit.model.effects if isinstance(one, Regressor) or not one.finding_names))
        best: dict[int, tuple[float, Model]] = {}
        for family in effect.forms(fitter.samples, self.conditions, fitter.low_c, fitter.high_c):
            for form in family[:-1]:  # beside a curve that is found with it a cubic bends too far
                tried = self._foretold(replace(fit.model, effects=bare.replaced(form)), weight, FEW)
                if tried.mean < best.get(form.size, (np.inf, tried.model))[0]:
                    best[form.size] = tried.mean, tried.model
        if not best:
            return None
        chosen = _simplest(fitter, [fitter.fit(model, weight) for _, (_, model) in sorted(best.items())])
        weight = self.weigh(chosen)
        forms = [form for one in strained for form in (one, *one.grid(fitter.sensor))]
        rivals = [replace(fit.model, effects=own.replaced(form)) for form in forms for own in (fit.model.effects, bare)]
        rival = min((self._foretold(way, weight, FEW) for way in rivals), key=lambda way: way.mean).model
        before, after = (self._foretold(way, weight, weight.size).errors for way in (rival, chosen.model))
        return None if _lower(after, before) else chosen

    def strained(self, effect: Effect) -> bool:
        return effect.strained(self.conditions, self.fitter.span_c)

    def _of_all(self, fit: JointFit) -> Floats:
        """Weights also of samples that have none only because they are close behind a start of a lag."""
        weight = self.weigh(fit)
        return np.where(fit.usable, weight, float(np.median(weight[weight > 0])))

    def _foretold(self, model: Model, weight: Floats, few: int) -> Foretold:
        """Errors on blocks held out with a model's parameters as they are, by about so many of the samples, starts as columns."""
        fitter = self.fitter
        effects, curve = fitter.columns(model)
        used = np.flatnonzero(weight > 0)[:: max(1, weight.size // few)]
        errors, size = _least(fitter, effects, curve, fitter.samples.offset_ppb, weight, used)
        basis = ChebyshevBasis(size - 1, fitter.low_c, fitter.high_c)
        return Foretold(replace(model, basis=basis), errors)

    def _over_grid(
        self, fit: JointFit, effect: Effect, others: Effects, weight: Floats
    ) -> tuple[tuple[Effect, ...], Model] | None:
        """The forms of the best time constant, and the model with the form of the effects on temperature that goes with it; None
        where that leaves more than a share of what the plain model does."""
        fitter = self.fitter
        families = effect.forms(fitter.samples, self.conditions, fitter.low_c, fitter.high_c)
        thin = slice(None, None, max(1, weight.size // FEW))
        models = [fit.model]
        for one in others:
            if one.searched and one.moves_temperature:
                grid = one.grid(fitter.sensor)
                models += [fit.model.with_effect(form) for form in (*grid[:: max(1, len(grid) // MOVED)], one.freed())]
        plain, best = np.inf, (np.inf, families[0], fit.model)
        for model in models:
            effects = model.effects.held()
            usable = (fitter.usable(effects) & (weight > 0))[thin]
            if usable.sum() < FEW_FOR_A_COLUMN * (model.basis.size + families[0][-1].size):
                continue
            crystal_c = effects.crystal_c(fitter.sensor)
            linear = np.hstack([effects.columns(fitter.samples, crystal_c), model.basis.values(crystal_c)])
            left = _Left.of_columns(linear[thin][usable], fitter.samples.offset_ppb[thin][usable], weight[thin][usable])
            plain = min(plain, left.squares / left.weight)
            for family in families:
                columns = family[-1].columns(fitter.samples, crystal_c)[thin][usable]
                now = (left.squares - left.gain(columns)) / left.weight
                if now < best[0]:
                    best = now, family, model
        if best[0] > (1 - MOST) * plain:
            return None
        return best[1], best[2]

    def better(self, fit: JointFit, effect: Effect) -> tuple[JointFit | None, Finding]:
        """The fit with the effect, where it lowers the error on blocks held out and the squares beyond chance; else what is to
        be said of it."""
        lead = self._lead(fit, effect)
        if not lead.beyond_chance:
            return None, lead.none_seen
        weight = self.weigh(fit)
        plain = self.fitter.fit(fit.model, weight)
        chosen = _simplest(self.fitter, self._fitted(fit.model, lead.forms, weight))
        like = (self.fitter.fit(fit.model.with_effect(one), weight) for one in self.off)
        taken = any(_per_weight(one) < ALIKE * _per_weight(chosen) for one in like)
        return (chosen if not taken and self._lowers(plain, chosen) else None), lead.none_seen

    def kept(self, fit: JointFit, effect: Effect) -> JointFit | None:
        """The fit with the simplest form of an effect that it holds already, if that is better than none."""
        weight = self.weigh(fit)
        chosen = _simplest(self.fitter, self._fitted(fit.model, effect.simpler(self.conditions), weight))
        plain = self.fitter.fit(fit.model.without(effect.name), weight)
        return chosen if self._lowers(plain, chosen) else None

    def _lowers(self, plain: JointFit, chosen: JointFit) -> bool:
        """Whether the error on blocks held out is lower, and the squares by more than chance does."""
        lower = _lower(block_mse(self.fitter, plain), block_mse(self.fitter, chosen), BETTER)
        more = sum(one.size for one in chosen.model.effects) - sum(one.size for one in plain.model.effects)
        fallen = plain.weighted_ssr - chosen.weighted_ssr
        return bool(lower and fallen > (CHANCE + PER_COLUMN * (max(more, 0) + 1)) * self.usual_ssr(chosen))

    def _fitted(self, model: Model, forms: Sequence[Effect], weight: Floats) -> list[JointFit]:
        """The fit with each form, without what is not identifiable beside it."""
        for name in forms[-1].displaces(self.conditions):
            model = model.without(name)
        return [self.fitter.fit(model.with_effect(form), weight) for form in forms]

    def _lead(self, fit: JointFit, effect: Effect) -> Lead:
        """Hold the columns of every form against what a fit leaves, freed of what the fit imitates."""
        fitter, used = self.fitter, fit.used
        left = _Left.of(fitter, fit)
        forms = effect.forms(fitter.samples, self.conditions, fitter.low_c, fitter.high_c)

        def columns(form: Effect) -> Floats:
            return fitter.effect_columns(fit, Effects((form,)))[used]

        gains = [left.gain(columns(family[-1])) for family in forms]
        family = forms[int(np.argmax(gains))]
        usual_ssr = self.usual_ssr(fit)
        return Lead(
            family,
            tuple(left.gain(columns(form)) for form in family),
            left.squares,
            usual_ssr,
            left.none_seen(family[0], columns(family[0])[:, 0], usual_ssr),
        )


@dataclass(frozen=True)
class Lead:
    """Forms of one time constant, the simplest first, by how much each lowers the weighted squares that are left, and what is to
    be said where none is kept."""

    forms: tuple[Effect, ...]
    gains: tuple[float, ...]
    left: float
    usual_ssr: float
    none_seen: Finding

    @property
    def beyond_chance(self) -> bool:
        """Whether any form lowers the squares by more than chance does."""
        return any(
            gain > (CHANCE + PER_COLUMN * form.size) * self.usual_ssr
            for form, gain in zip(self.forms, self.gains, strict=True)
        )


@dataclass(frozen=True, eq=False)
class Foretold:
    """A model with the degree of the curve that does best on blocks held out, and the mean square on each. [1]"""

    model: Model
    errors: Floats

    @property
    def mean(self) -> float:
        return _mean(self.errors)


@dataclass(frozen=True, eq=False)
class _Left:
    """What a fit leaves, weighted, and the orthogonal columns of what it imitates; of the used samples."""

    orthogonal: Floats
    root: Floats
    residual: Floats

    @classmethod
    def of(cls, fitter: Fitter, fit: JointFit) -> _Left:
        used = fit.used
        return cls.of_columns(fitter.design(fit)[used], fit.working_ppb[used], fit.weight[used])

    @classmethod
    def of_columns(cls, columns: Floats, y: Floats, weight: Floats) -> _Left:
        root = np.sqrt(weight)
        orthogonal = np.linalg.qr(columns * root[:, None])[0]
        residual = y * root
        return cls(orthogonal, root, residual - orthogonal @ (orthogonal.T @ residual))

    @property
    def weight(self) -> float:
        return float(self.root @ self.root)

    @property
    def squares(self) -> float:
        return float(self.residual @ self.residual)

    def freed(self, columns: Floats) -> Floats:
        """Weighted columns of length one, less what the fit imitates of them."""
        weighted = columns * self.root[:, None]
        size = np.linalg.norm(weighted, axis=0)
        weighted = weighted / np.where(size > 0, size, 1.0)
        return np.asarray(weighted - self.orthogonal @ (self.orthogonal.T @ weighted))

    def gain(self, columns: Floats) -> float:
        """By how much columns lower the squares."""
        basis, size, _ = np.linalg.svd(self.freed(columns), full_matrices=False)
        telling = basis[:, size > np.sqrt(INDEPENDENT_SHARE)]
        return float(np.sum((telling.T @ self.residual) ** 2))

    def none_seen(self, form: Effect, column: Floats, usual_ssr: float) -> Finding:
        """What is said of the first column of the simplest form where no form is kept."""
        own, total = self.freed(column[:, None])[:, 0], float(np.linalg.norm(column * self.root))
        squares = float(own @ own)
        if squares < INDEPENDENT_SHARE:
            return Finding(form.name, form.unit, Status.UNDETERMINED, reason=Reason.RESPONSE_IMITATED)
        value = float(own @ self.residual) / squares / total
        reason = f"estimated {value:.3g} {form.unit}, which does not lower the error on blocks held out"
        return Finding(form.name, form.unit, Status.NONE_SEEN, 0.0, float(np.sqrt(usual_ssr / squares)) / total, reason)


def _per_weight(fit: JointFit) -> float:
    """Weighted mean square: behind a lag of hours few samples are left. [ppb**2]"""
    return fit.weighted_ssr / float(fit.weight.sum()) if fit.used.any() else np.inf


def _without_motion(effects: Effects) -> Effects:
    """Effects on temperature from the beginning."""
    return Effects(tuple(one.freed() if one.moves_temperature and one.parameters else one for one in effects))


def _simplest(fitter: Fitter, fits: Sequence[JointFit]) -> JointFit:
    """The simplest form within one standard error of the best on blocks held out."""
    errors = [block_mse(fitter, fit) for fit in fits]
    means = [_mean(error) for error in errors]
    best = int(np.argmin(means))
    if not np.isfinite(means[best]):
        return fits[0]
    for fit, error in zip(fits, errors, strict=True):
        if not _lower(error, errors[best]):
            return fit
    return fits[best]


def _lower(before: Floats, after: Floats, times: float = 1.0) -> bool:
    """Whether the second errors are lower by more than one standard error of their difference, or so many."""
    if not np.isfinite(after[~np.isnan(after)]).all():
        return False
    gain = (before - after)[~np.isnan(before - after)]
    if np.isinf(gain).any():
        return True
    return bool(gain.size > 1 and gain.mean() > times * gain.std(ddof=1) / np.sqrt(gain.size))


def block_mse(fitter: Fitter, fit: JointFit) -> Floats:
    """Weighted mean square on each block of a sweep's temperatures that is held out, with nonlinear parameters and starts as the
    fit has them and all else fitted again, at the degree of the curve that does best, shape (sweeps * BLOCKS,). [1]

    Infinite where the other blocks do not determine the fit, NaN for a block without samples that the others have seen.
    """
    effects, curve = fitter.effect_columns(fit, fit.model.effects), fitter.curve_columns(fit)
    coef = np.concatenate([*(fit.effect_coef[one.name] for one in fit.model.effects), fit.coef])
    bare_ppb = fit.working_ppb + hstack(effects, curve) @ coef
    return _least(fitter, effects, curve, bare_ppb, fit.weight, np.flatnonzero(fit.used))[0]


def _least(fitter: Fitter, effects: Floats, curve: Floats, y: Floats, weight: Floats, used: Ints) -> tuple[Floats, int]:
    """The same of some columns of effects, and of a curve whose first columns are a simpler one's; and how many of them do best."""
    sensor_c = fitter.sensor.temperature_c[used]
    block = np.clip((sensor_c - fitter.low_c) / fitter.span_c * BLOCKS, 0, BLOCKS - 1).astype(np.int64)
    sweep = fitter.samples.sweep
    number, fold = np.unique(sweep[used] * BLOCKS + block, return_inverse=True)
    errors = np.full((int(sweep.max()) + 1) * BLOCKS, np.nan)
    errors[number], size = least_folds_mse(effects[used], curve[used], y[used], sensor_c, fold, weight[used])
    return errors, size


def _mean(errors: Floats) -> float:
    """Of the blocks that were scored; infinite where there are none."""
    scored = errors[~np.isnan(errors)]
    return float(scored.mean()) if scored.size else np.inf
