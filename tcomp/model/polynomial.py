"""A polynomial of temperature, as a scikit-learn estimator."""

from __future__ import annotations

from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.utils.validation import _check_sample_weight, check_is_fitted, validate_data

from tcomp.errors import CurveError
from tcomp.model.basis import ChebyshevBasis
from tcomp.model.least_squares import least_squares

Floats = NDArray[np.float64]


class PolynomialCurve(RegressorMixin, BaseEstimator):  # type: ignore[misc]  # scikit-learn has no types
    """Offset as a polynomial of temperature, fitted in a scaled Chebyshev basis by QR.

    Parameters
    ----------
    degree : int, default=3
        1 to 10.

    Attributes
    ----------
    basis_ : ChebyshevBasis
        The basis, scaled to the temperatures that it was fitted on.
    coef_ : ndarray of shape (degree + 1,)
        Coefficients in that basis. [ppb]
    covariance_ : ndarray of shape (degree + 1, degree + 1)
        Their covariance, for errors independent of each other. [ppb**2]
    residual_sd_ : float
        Standard deviation of the residuals. [ppb]

    Examples
    --------
    >>> T = np.linspace(-20, 60, 9)[:, None]
    >>> curve = PolynomialCurve(degree=2).fit(T, -35.0 * (T[:, 0] - 25.0) ** 2)
    >>> np.allclose(curve.power_coefficients(origin_c=25.0), [0.0, 0.0, -35.0])
    True
    """

    def __init__(self, degree: int = 3) -> None:
        self.degree = degree

    def fit(self, X: ArrayLike, y: ArrayLike, sample_weight: ArrayLike | None = None) -> Self:
        """Fit by weighted least squares.

        Parameters
        ----------
        X : array-like of shape (n_samples, 1)
            Crystal temperature. [degC]
        y : array-like of shape (n_samples,)
            Fractional frequency offset. [ppb]
        sample_weight : array-like of shape (n_samples,), default=None
            Weight of each sample, 1 / variance. [ppb**-2]

        Raises
        ------
        CurveError
            Too few samples or distinct temperatures carry weight.
        ValueError
            X has not exactly one column, lengths differ, or a value is NaN or infinite.
        """
        degree = self._degree()
        if not isinstance(degree, int | np.integer) or not 1 <= degree <= 10:
            raise CurveError(f"degree is {degree!r}; expected a whole number from 1 to 10")
        table, y = validate_data(self, X, y, dtype=np.float64, y_numeric=True)
        temperature_c = self._temperature(table)
        weight = None if sample_weight is None else _check_sample_weight(sample_weight, table, ensure_non_negative=True)
        seen = temperature_c if weight is None else temperature_c[weight > 0]
        distinct = np.unique(seen).size
        if distinct <= degree:
            raise CurveError(
                f"{distinct} distinct temperatures (n_samples={seen.size}) cannot determine degree {degree}; "
                f"it needs {degree + 1}"
            )
        self.basis_ = ChebyshevBasis(int(degree), float(seen.min()), float(seen.max()))
        fit = least_squares(self.basis_.wide_values(temperature_c), np.asarray(y, dtype=np.float64), weight)
        self.coef_, self.covariance_, self.residual_sd_ = fit.coef, fit.covariance, fit.residual_sd
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

    def power_coefficients(self, origin_c: float = 0.0) -> Floats:
        """Coefficients of powers of (T - origin_c), constant first. [ppb/degC**k]"""
        check_is_fitted(self)
        return self.basis_.power_coefficients(self.coef_, origin_c)

    def power_covariance(self, origin_c: float = 0.0) -> Floats:
        """Covariance of ``power_coefficients(origin_c)``."""
        check_is_fitted(self)
        powers = self.basis_.powers(origin_c)
        return np.asarray(powers @ self.covariance_ @ powers.T)

    def _degree(self) -> int:
        return self.degree

    def _temperature(self, X: Floats) -> Floats:
        """The one column; a method of its own so that the estimator checks can feed wider tables."""
        if X.shape[1] != 1:
            raise ValueError(f"X has {X.shape[1]} columns; expected one, the temperature in degC (n_features=1)")
        return X[:, 0]
