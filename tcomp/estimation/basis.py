"""The scaled Chebyshev basis that every polynomial here is fitted in.

Raw powers of degC lose half the digits of a double at degree 9; Chebyshev polynomials of the
temperature scaled to [-1, 1] lose almost none (L. N. Trefethen, Approximation Theory and
Approximation Practice, SIAM 2013, chapters 2-3; citation from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from typing import Protocol

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

Floats = NDArray[np.float64]
LARGEST_PPB = 1e12
"""No offset is as large: 1e9 ppb would be a frequency twice as high."""


class Basis(Protocol):
    """What a curve is made of: columns over a range of temperature, and their slopes."""

    @property
    def low_c(self) -> float:
        """Lower end of the range. [degC]"""

    @property
    def high_c(self) -> float:
        """Upper end of the range. [degC]"""

    @property
    def size(self) -> int:
        """Number of columns."""

    def values(self, temperature_c: Floats) -> Floats:
        """Columns, shape (n, size)."""

    def slopes(self, temperature_c: Floats) -> Floats:
        """Their derivatives. [1/degC]"""

    def slope(self, temperature_c: Floats, coef: Floats) -> Floats:
        """The curve's derivative, shape (n,). [ppb/degC]"""


@dataclass(frozen=True)
class ChebyshevBasis:
    """Chebyshev polynomials T_0 ... T_degree of the temperature scaled from [low_c, high_c] to [-1, 1].

    Examples
    --------
    >>> basis = ChebyshevBasis(2, 0.0, 10.0)
    >>> basis.values(np.array([0.0, 5.0, 10.0]))
    array([[ 1., -1.,  1.],
           [ 1.,  0., -1.],
           [ 1.,  1.,  1.]])
    """

    degree: int
    low_c: float
    high_c: float

    def __post_init__(self) -> None:
        if self.degree < 0:
            raise ValueError(f"degree is {self.degree}; expected 0 or more")

    @property
    def size(self) -> int:
        """Number of columns."""
        return self.degree + 1

    def scaled(self, temperature_c: Floats) -> Floats:
        """Temperature on the scale where the range is [-1, 1]."""
        return (2.0 * temperature_c - (self.low_c + self.high_c)) / (self.high_c - self.low_c)

    def values(self, temperature_c: Floats) -> Floats:
        """Columns of shape (n, degree + 1); the first is 1."""
        return np.asarray(chebyshev.chebvander(self.scaled(temperature_c), self.degree), dtype=np.float64)

    def wide_values(self, temperature_c: Floats) -> NDArray[np.longdouble]:
        """The same in extended precision, where the machine has it."""
        low, high = np.longdouble(self.low_c), np.longdouble(self.high_c)
        scaled = (2 * temperature_c.astype(np.longdouble) - (low + high)) / (high - low)
        return np.asarray(chebyshev.chebvander(scaled, self.degree), dtype=np.longdouble)

    def slopes(self, temperature_c: Floats) -> Floats:
        """Derivatives of the columns with respect to temperature, shape (n, degree + 1). [1/degC]"""
        inner = chebyshev.chebvander(self.scaled(temperature_c), max(self.degree - 1, 0))
        return np.asarray(inner @ self._derivative, dtype=np.float64)

    def slope(self, temperature_c: Floats, coef: Floats) -> Floats:
        """The derivative of the curve of these coefficients, shape (n,). [ppb/degC]"""
        return np.asarray(chebyshev.chebval(self.scaled(temperature_c), self._derivative @ coef), dtype=np.float64)

    @property
    def _derivative(self) -> Floats:
        """Matrix that turns coefficients into those of the derivative. [1/degC]"""
        return _unit_derivative(self.degree) * (2.0 / (self.high_c - self.low_c))

    def powers(self, origin_c: float = 0.0) -> Floats:
        """Matrix M of shape (degree + 1, degree + 1): coefficients of powers of (T - origin_c) = M @ coefficients.

        Worked out in exact rationals and rounded once: the change of basis is far worse
        conditioned than the fit, and in doubles it would cost the digits that the fit has kept.

        Examples
        --------
        >>> ChebyshevBasis(1, 0.0, 10.0).powers()
        array([[ 1. , -1. ],
               [ 0. ,  0.2]])
        """
        return np.array([[float(value) for value in row] for row in self._exact_powers(origin_c)])

    def power_coefficients(self, coef: Floats, origin_c: float = 0.0) -> Floats:
        """Coefficients of powers of (T - origin_c), summed in exact rationals."""
        exact = [Fraction(float(value)) for value in coef]
        return np.array(
            [float(sum(a * b for a, b in zip(row, exact, strict=True))) for row in self._exact_powers(origin_c)]
        )

    def _exact_powers(self, origin_c: float) -> list[list[Fraction]]:
        low, high, origin = Fraction(self.low_c), Fraction(self.high_c), Fraction(origin_c)
        line = [(2 * origin - low - high) / (high - low), 2 / (high - low)]  # the scaled temperature, in powers
        columns = [[Fraction(1)], line]
        while len(columns) < self.size:  # T_k+1 = 2 x T_k - T_k-1
            grown = _product([2 * value for value in line], columns[-1])
            for power, value in enumerate(columns[-2]):
                grown[power] -= value
            columns.append(grown)
        return [
            [c[power] if power < len(c) else Fraction(0) for c in columns[: self.size]] for power in range(self.size)
        ]


def check_coefficients(basis: Basis, coef: Sequence[float], covariance: Sequence[Sequence[float]]) -> None:
    """Refuse coefficients that do not go with a basis, and a basis that is none.

    Raises
    ------
    ValueError
        The range is empty, a number is missing, is no number or is one too many, or the covariance is none.
    """
    numbers = np.array([*coef, basis.low_c, basis.high_c, *(value for row in covariance for value in row)])
    sizes = {len(coef), len(covariance), *map(len, covariance)}
    sound = np.all(np.abs(numbers) < LARGEST_PPB**2) and np.all(np.abs(coef) < LARGEST_PPB)
    if sizes != {basis.size} or not sound or not basis.low_c < basis.high_c:
        raise ValueError("the coefficients do not go with their basis")
    square = np.array(covariance)
    scale = np.abs(square).max()
    # Round-off of a covariance that has been computed, and written with all its digits.
    if not np.allclose(square, square.T, atol=1e-9 * scale) or np.linalg.eigvalsh(square).min() < -1e-9 * scale:
        raise ValueError("the covariance is none")


@cache
def _unit_derivative(degree: int) -> Floats:
    return np.asarray(chebyshev.chebder(np.eye(degree + 1)) if degree else np.zeros((1, 1)))


def _product(left: list[Fraction], right: list[Fraction]) -> list[Fraction]:
    out = [Fraction(0)] * (len(left) + len(right) - 1)
    for i, a in enumerate(left):
        for j, b in enumerate(right):
            out[i + j] += a * b
    return out
