"""The joint fit as a scikit-learn estimator on plain arrays."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Literal, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.utils.validation import _check_sample_weight, check_consistent_length, check_is_fitted, validate_data

from tcomp.errors import CurveError
from tcomp.estimation.basis import ChebyshevBasis
from tcomp.estimation.effects import Effect, Effects, Finding
from tcomp.estimation.joint_fit import Fitter, Model
from tcomp.estimation.parameters import Parameter, cubic_parameters, parabola_parameters
from tcomp.estimation.samples import Samples
from tcomp.estimation.sensor_smoothing import sensor_log
from tcomp.estimation.smoothing import Smoothing, choose_smoothing, generalised_smoothing
from tcomp.estimation.spline_basis import DEGREE, FREE, SplineBasis, knots_for

Floats = NDArray[np.float64]
MAX_DEGREE = 10
PHYSICAL = {2: parabola_parameters, 3: cubic_parameters}


class CrystalRegressor(RegressorMixin, BaseEstimator):  # type: ignore[misc]  # scikit-learn has no types
    """Offset as a curve of the crystal's temperature, fitted jointly with effects that move it.

    Parameters
    ----------
    curve : int or "spline", default=3
        Degree of a polynomial, 1 to 10 (3 is the form of AT and SC cuts, 2 that of tuning forks and BT cuts), or a penalised
        cubic spline.
    effects : iterable of Effect, default=()
        What is fitted besides the curve; each needs times.
    pieces : int, default=24
        Pieces that the range of a spline is cut into, fewer where the samples are few.

    Attributes
    ----------
    basis_ : ChebyshevBasis or SplineBasis
        Over the temperatures that it was fitted on.
    coef_ : ndarray of shape (basis_.size,)
        Coefficients in that basis. [ppb]
    covariance_ : ndarray of shape (basis_.size, basis_.size)
        Without times residual_sd_**2 (X'WX + P)^-1, for errors independent of each other; for a spline it holds the smoothing's
        bias too, on average over the range (D. Nychka, J. Am. Stat. Assoc. 83 (1988) 1134-1143; citation from memory).  With
        times that of the joint fit, clustered by blocks of neighbouring samples. [ppb**2]
    residual_sd_ : float
        Standard deviation of the residuals. [ppb]
    effects_ : Effects
        The effects with the values that were found.
    findings_ : tuple of Finding
        What the fit says of each.
    smoothing_ : Smoothing or None
        Of a spline.

    Examples
    --------
    >>> T = np.linspace(-20.0, 60.0, 30)
    >>> y = 100 - 300 * (T - 26.4) + 0.1086 * (T - 26.4) ** 3
    >>> [round(p.value, 4) for p in CrystalRegressor().fit(T[:, None], y).parameters_]
    [26.4, -300.0, 0.1086, 100.0]
    """

    def __init__(self, curve: int | Literal["spline"] = 3, effects: Iterable[Effect] = (), pieces: int = 24) -> None:
        self.curve = curve
        self.effects = effects
        self.pieces = pieces

    def fit(
        self, X: ArrayLike, y: ArrayLike, sample_weight: ArrayLike | None = None, groups: ArrayLike | None = None
    ) -> Self:
        """Fit by weighted least squares.

        Parameters
        ----------
        X : array-like of shape (n_samples, 1) or (n_samples, 2)
            Temperature; or time and temperature, of the sensor, from which the effects make the crystal's. [s] [degC]
        y : array-like of shape (n_samples,)
            Fractional frequency offset. [ppb]
        sample_weight : array-like of shape (n_samples,), default=None
            Weight of each sample, 1 / variance. [ppb**-2]
        groups : array-like of shape (n_samples,), default=None
            Sweep of each sample: a spline is smoothed by leaving one out, and hysteresis needs them.  Without them a spline
            is smoothed by generalised cross-validation, which takes neighbouring errors for independent.

        Raises
        ------
        CurveError
            Too few samples or distinct temperatures carry weight; effects without times; or a parameter out of bounds.
        ValueError
            X has more than two columns, lengths differ, or a value is NaN or infinite.
        """
        self._check_parameters()
        table, y = validate_data(self, X, y, dtype=np.float64, y_numeric=True)
        weight = _check_sample_weight(sample_weight, table, dtype=np.float64, ensure_non_negative=True)
        sweep = None
        if groups is not None:
            check_consistent_length(table, groups)
            sweep = np.unique(np.asarray(groups), return_inverse=True)[1]
        samples = self._samples(table, np.asarray(y, dtype=np.float64), sweep)
        effects = Effects(tuple(self.effects))
        if effects.members and not samples.has_time:
            raise CurveError("effects need times; give X two columns, time in seconds and temperature in degC")
        self.basis_ = self._basis(samples.temperature_c[weight > 0])
        self.smoothing_: Smoothing | None = None
        penalty = None
        if isinstance(self.basis_, SplineBasis):
            self.smoothing_ = self._smoothing(samples, weight, sweep, self.basis_)
            penalty = self.smoothing_.strength * self.basis_.penalty()
        self._fit_jointly(samples, weight, Model(self.basis_, effects, penalty))
        return self

    def _fit_jointly(self, samples: Samples, weight: Floats, model: Model) -> None:
        fitter = Fitter(samples, sensor_log(samples)[0], self.basis_.low_c, self.basis_.high_c)
        fit = fitter.fit(fitter.searched(model, weight), weight)
        size = self.basis_.size if self.smoothing_ is None else self.smoothing_.effective_size
        freedom = int(fit.used.sum()) - size - sum(effect.size + len(effect.values) for effect in fit.model.effects)
        self.residual_sd_ = float(np.sqrt(fit.weighted_ssr / freedom)) if freedom > 1e-9 else 0.0
        self.coef_, self.effects_, self.effect_coef_ = fit.coef, fit.model.effects, fit.effect_coef
        self.findings_: tuple[Finding, ...]
        if samples.has_time:
            self.covariance_, self.findings_ = fit.covariance, fit.findings
            return
        values = self.basis_.values(samples.temperature_c[fit.used])
        gram = (values * fit.weight[fit.used][:, None]).T @ values
        gram = gram if model.penalty is None else gram + model.penalty
        self.covariance_ = np.asarray(self.residual_sd_**2 * np.linalg.inv(gram))
        self.findings_ = ()

    def predict(self, X: ArrayLike, *, return_std: bool = False, new_sample: bool = False) -> Any:
        """Offset at the temperatures of X, as the base was at the end of the fit. [ppb]

        With times the crystal's temperature is made from the sensor's.  With ``return_std`` also the standard uncertainty: of
        the curve (the confidence band's), or with ``new_sample`` of one more sample (the prediction band's), which adds the
        residuals'.
        """
        check_is_fitted(self)
        table = validate_data(self, X, dtype=np.float64, reset=False)
        samples = self._samples(table, np.zeros(len(table)), None)
        crystal_c = samples.temperature_c
        if self.effects_.moving.members:
            crystal_c = self.effects_.moving.crystal_c(sensor_log(samples)[0])
        columns = self.basis_.values(crystal_c)
        offset_ppb = columns @ self.coef_ + self.effects_.predicted_ppb(samples, crystal_c, self.effect_coef_)
        if not return_std:
            return offset_ppb
        variance = np.einsum("ij,jk,ik->i", columns, self.covariance_, columns)
        return offset_ppb, np.sqrt(variance + (self.residual_sd_**2 if new_sample else 0.0))

    @property
    def parameters_(self) -> tuple[Parameter, ...]:
        """Physical parameters of the crystal with their uncertainty, of a parabola or a cubic; else empty."""
        check_is_fitted(self)
        physical = PHYSICAL.get(self.curve) if isinstance(self.curve, int) else None
        return () if physical is None else physical(self._polynomial, self.coef_, self.covariance_)

    @property
    def _polynomial(self) -> ChebyshevBasis:
        if not isinstance(self.basis_, ChebyshevBasis):
            raise CurveError("a spline has no coefficients of powers; take a polynomial")
        return self.basis_

    def power_coefficients(self, origin_c: float = 0.0) -> Floats:
        """Coefficients of powers of (T - origin_c) of a polynomial, constant first. [ppb/degC**k]"""
        check_is_fitted(self)
        return np.asarray(self._polynomial.power_coefficients(self.coef_, origin_c))

    def power_covariance(self, origin_c: float = 0.0) -> Floats:
        """Covariance of ``power_coefficients(origin_c)``."""
        check_is_fitted(self)
        powers = self._polynomial.powers(origin_c)
        return np.asarray(powers @ self.covariance_ @ powers.T)

    def _check_parameters(self) -> None:
        degree = isinstance(self.curve, int | np.integer) and not isinstance(self.curve, bool)
        if self.curve != "spline" and not (degree and 1 <= self.curve <= MAX_DEGREE):
            raise CurveError(f'curve is {self.curve!r}; expected a degree from 1 to {MAX_DEGREE}, or "spline"')
        if not isinstance(self.pieces, int | np.integer) or self.pieces < 1:
            raise CurveError(f"pieces is {self.pieces!r}; expected a whole number of 1 or more")

    def _basis(self, temperature_c: Floats) -> ChebyshevBasis | SplineBasis:
        distinct = np.unique(temperature_c)
        least, what = (FREE, "a cubic spline") if self.curve == "spline" else (self.curve + 1, f"degree {self.curve}")
        if distinct.size < least:
            raise CurveError(
                f"{distinct.size} distinct temperatures (n_samples={temperature_c.size}) cannot determine {what}; it needs {least}"
            )
        low_c, high_c = float(distinct[0]), float(distinct[-1])
        if self.curve != "spline":
            return ChebyshevBasis(int(self.curve), low_c, high_c)
        return SplineBasis(knots_for(distinct, low_c, high_c, min(int(self.pieces), distinct.size - DEGREE)))

    def _smoothing(
        self, samples: Samples, weight: Floats, sweep: NDArray[np.int64] | None, basis: SplineBasis
    ) -> Smoothing:
        used = weight > 0
        values, penalty = basis.values(samples.temperature_c[used]), basis.penalty()
        offset_ppb = samples.offset_ppb[used]
        if sweep is not None:
            numbers, folds = np.unique(sweep[used], return_inverse=True)
            if numbers.size > 1:
                return choose_smoothing(values, offset_ppb, weight[used], folds, range(numbers.size), penalty)
        return generalised_smoothing(values, offset_ppb, weight[used], penalty)

    def _samples(self, table: Floats, offset_ppb: Floats, sweep: NDArray[np.int64] | None) -> Samples:
        """The columns as samples; a method of its own so that the estimator checks can feed wider tables."""
        if table.shape[1] > 2:
            raise ValueError(
                f"X has {table.shape[1]} columns; expected the temperature in degC, or time in seconds and temperature "
                "(n_features=1 or 2)"
            )
        return Samples.of_arrays(table[:, -1], offset_ppb, table[:, 0] if table.shape[1] == 2 else None, sweep)
