"""The penalised cubic spline as a scikit-learn estimator; what it is made of stands in ``spline_basis``."""

from __future__ import annotations

from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.utils.validation import _check_sample_weight, check_consistent_length, check_is_fitted, validate_data

from tcomp.errors import CurveError
from tcomp.model.least_squares import least_squares
from tcomp.model.smoothing import Smoothing, choose_smoothing, generalised_smoothing
from tcomp.model.spline_basis import DEGREE, FREE, SplineBasis, knots_for

Floats = NDArray[np.float64]


class SplineCurve(RegressorMixin, BaseEstimator):  # type: ignore[misc]  # scikit-learn has no types
    """Offset as a penalised cubic spline of temperature, smoothed as held-out data ask.

    Parameters
    ----------
    pieces : int, default=24
        Pieces that the range is cut into, fewer where the samples are few: more than the curve needs, since the
        penalty decides how far they are used.

    Attributes
    ----------
    basis_ : SplineBasis
        Over the temperatures that it was fitted on.
    coef_ : ndarray of shape (basis_.size,)
        Coefficients in that basis. [ppb]
    covariance_ : ndarray of shape (basis_.size, basis_.size)
        residual_sd_**2 (X'WX + strength P)^-1, for errors independent of each other.  Beside the noise it holds
        the smoothing's bias, on average over the range (D. Nychka, J. Am. Stat. Assoc. 83 (1988) 1134-1143;
        citation from memory). [ppb**2]
    residual_sd_ : float
        Standard deviation of the residuals. [ppb]
    smoothing_ : Smoothing
        The chosen strength.

    Examples
    --------
    >>> T = np.linspace(-20, 60, 81)[:, None]
    >>> kinked = np.where(T[:, 0] < 25.0, 0.0, 3.0 * (T[:, 0] - 25.0))
    >>> bool(np.abs(SplineCurve().fit(T, kinked).predict(T) - kinked).max() < 2.0)
    True
    """

    def __init__(self, pieces: int = 24) -> None:
        self.pieces = pieces

    def fit(
        self, X: ArrayLike, y: ArrayLike, sample_weight: ArrayLike | None = None, groups: ArrayLike | None = None
    ) -> Self:
        """Choose the smoothing and fit.

        Parameters
        ----------
        X : array-like of shape (n_samples, 1)
            Crystal temperature. [degC]
        y : array-like of shape (n_samples,)
            Fractional frequency offset. [ppb]
        sample_weight : array-like of shape (n_samples,), default=None
            Weight of each sample, 1 / variance. [ppb**-2]
        groups : array-like of shape (n_samples,), default=None
            Sweep of each sample: smoothing by leaving one sweep out.  Without them, or with one alone, by
            generalised cross-validation, which takes neighbouring errors for independent.

        Raises
        ------
        CurveError
            Too few samples or distinct temperatures carry weight.
        ValueError
            X has not exactly one column, lengths differ, or a value is NaN or infinite.
        """
        if not isinstance(self.pieces, int | np.integer) or self.pieces < 1:
            raise CurveError(f"pieces is {self.pieces!r}; expected a whole number of 1 or more")
        table, y = validate_data(self, X, y, dtype=np.float64, y_numeric=True)
        weight = _check_sample_weight(sample_weight, table, dtype=np.float64, ensure_non_negative=True)
        used = weight > 0
        temperature_c, offset_ppb = self._temperature(table)[used], np.asarray(y, dtype=np.float64)[used]
        self.basis_ = self._basis(temperature_c)
        values, weight = self.basis_.values(temperature_c), weight[used]
        self.smoothing_ = self._smoothing(values, offset_ppb, weight, groups, used)
        rows = np.sqrt(self.smoothing_.strength) * self.basis_.penalty_rows()
        design, target = np.vstack([values, rows]), np.concatenate([offset_ppb, np.zeros(len(rows))])
        fit = least_squares(design, target, np.concatenate([weight, np.ones(len(rows))]))
        self.coef_ = fit.coef
        squares = float(weight @ fit.residuals[: weight.size] ** 2)
        left = weight.size - self.smoothing_.effective_size
        self.residual_sd_ = float(np.sqrt(squares / left)) if left > 1e-9 else 0.0
        gram = (values * weight[:, None]).T @ values + self.smoothing_.strength * self.basis_.penalty()
        self.covariance_ = self.residual_sd_**2 * np.linalg.inv(gram)
        return self

    def predict(self, X: ArrayLike, *, return_std: bool = False, new_sample: bool = False) -> Any:
        """Offset at the temperatures of X. [ppb]

        With ``return_std`` also its standard uncertainty: of the curve (the confidence band's), or
        with ``new_sample`` of one more sample (the prediction band's), which adds the residuals'.
        """
        check_is_fitted(self)
        table = validate_data(self, X, dtype=np.float64, reset=False)
        columns = self.basis_.values(self._temperature(table))
        offset_ppb = columns @ self.coef_
        if not return_std:
            return offset_ppb
        variance = np.einsum("ij,jk,ik->i", columns, self.covariance_, columns)
        return offset_ppb, np.sqrt(variance + (self.residual_sd_**2 if new_sample else 0.0))

    def _basis(self, temperature_c: Floats) -> SplineBasis:
        distinct = np.unique(temperature_c)
        if distinct.size < FREE:
            raise CurveError(
                f"{distinct.size} distinct temperatures (n_samples={temperature_c.size}) cannot determine a cubic "
                f"spline; it needs {FREE}"
            )
        pieces = min(int(self.pieces), distinct.size - DEGREE)
        return SplineBasis(knots_for(distinct, float(distinct[0]), float(distinct[-1]), pieces))

    def _smoothing(
        self, values: Floats, offset_ppb: Floats, weight: Floats, groups: ArrayLike | None, used: NDArray[np.bool_]
    ) -> Smoothing:
        penalty = self.basis_.penalty()
        if groups is not None:
            check_consistent_length(used, groups)
            numbers, folds = np.unique(np.asarray(groups)[used], return_inverse=True)
            if numbers.size > 1:
                return choose_smoothing(values, offset_ppb, weight, folds, range(numbers.size), penalty)
        return generalised_smoothing(values, offset_ppb, weight, penalty)

    def _temperature(self, X: Floats) -> Floats:
        """The one column; a method of its own so that the estimator checks can feed wider tables."""
        if X.shape[1] != 1:
            raise ValueError(f"X has {X.shape[1]} columns; expected one, the temperature in degC (n_features=1)")
        return X[:, 0]
