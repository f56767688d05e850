"""What a lot of crystals teaches about the next one: its mean curve, and how units differ (empirical Bayes).

Units' coefficients c_i ~ N(mean, between) in one basis; each is known only as well as its own fit, c_i^ ~ N(c_i, own_i), so that
the scatter of the c_i^ less the mean of own_i is the scatter between units (Laird and Ware, Biometrics 38, 1982; citation from
memory).  A new unit's few points then make a posterior curve of that prior.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import CurveError
from tcomp.estimation.basis import ChebyshevBasis, check_coefficients
from tcomp.estimation.effects import Finding
from tcomp.files import read_json, typed
from tcomp.units import degc_text

Floats = NDArray[np.float64]
SPARE = 3
"""Units beyond the coefficients that a prior needs: the variance of a prediction exists only from there on."""
ROBUST_FROM = 5
"""Units per coefficient from which odd ones are left out (common practice, no source)."""
ODD = 0.001
"""Chance that a unit of the lot is taken for an odd one."""
NEAR = 0.975
"""Share of a normal distribution that is near, to begin with (common practice, no source)."""
BEYOND = 0.02
"""Share of the lot's range by which a soak may lie outside it: chambers only come near their set-point."""
REFUSED = 0.001
"""Chance that a unit of the lot is refused by the predictive check."""


class Scatter:
    """Figures of units that are known by their mean and the scatter between units.

    ``mean`` has shape (k,), ``between`` is their covariance between units, (k, k), ``units`` how many there were.
    """

    mean: tuple[float, ...]
    between: tuple[tuple[float, ...], ...]
    units: int

    @property
    def dof(self) -> int:
        """Degrees of freedom of the scatter about the mean, as far as a new unit is concerned."""
        return self.units - len(self.mean)

    @property
    def predicted(self) -> Floats:
        """Scale matrix of a new unit's figures, Student's with ``dof``: the mean too is only known from the units."""
        inflation = (1 + 1 / self.units) * (self.units - 1) / self.dof
        return np.asarray(inflation * np.array(self.between))

    @property
    def predicted_variance(self) -> Floats:
        """Covariance of a new unit's figures: of Student's distribution with ``dof`` and that scale."""
        return np.asarray(self.predicted * self.dof / (self.dof - 2))


@dataclass(frozen=True)
class Pooled(Scatter):
    """Figures of units that resemble each other; ``left_out`` names the others, ``shrinkage`` is that of the correlations."""

    mean: tuple[float, ...]
    between: tuple[tuple[float, ...], ...]
    units: int
    left_out: tuple[str, ...]
    shrinkage: float


@dataclass(frozen=True)
class LotEffect:
    """An effect that units share: the findings that say it of a unit of which nothing else is known, and what they are from."""

    units: int
    left_out: tuple[str, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class Prior(Scatter):
    """A lot's mean curve and the scatter between its units, in one basis.

    Attributes
    ----------
    basis : ChebyshevBasis
        Over the range that all units share.
    mean, between
        Coefficients of the mean curve, shape (k,), and their covariance between units, shape (k, k). [ppb, ppb**2]
    units : int
        Units in the prior, without those left out.
    left_out : tuple of str
        Units whose curves are not of the lot.
    shrinkage : float
        How far the correlations between coefficients were drawn towards none, 0 to 1 (Ledoit and Wolf 2004).
    effects : tuple of LotEffect
        Lag, response and loop, as far as the units share them.
    """

    basis: ChebyshevBasis
    mean: tuple[float, ...]
    between: tuple[tuple[float, ...], ...]
    units: int
    left_out: tuple[str, ...]
    shrinkage: float
    effects: tuple[LotEffect, ...] = ()

    @property
    def lag_s(self) -> float:
        """Time constants that the units share, together; 0 where none was found. [s]"""
        return math.fsum(one.value for effect in self.effects for one in effect.findings if one.unit == "s")

    @property
    def words(self) -> str:
        """What it is."""
        left = f", {len(self.left_out)} left out" if self.left_out else ""
        return (
            f"polynomial of degree {self.basis.degree} of a lot of {self.units} units{left}, correlations shrunk by "
            f"{100 * self.shrinkage:.0f} %"
        )

    @property
    def is_of_lot(self) -> bool:
        """Whether its units share a board, and so a lag."""
        return True

    @property
    def whose(self) -> str:
        """What a unit is held against."""
        return "the lot"

    @property
    def scatter_words(self) -> str:
        """How far units differ."""
        return "they did in the lot"


@dataclass(frozen=True)
class Posterior:
    """A new unit's curve from a prior and a few points.

    ``chance`` is that of points as far from the lot as these, or farther, for a unit of the lot.
    """

    coef: Floats
    covariance: Floats
    chance: float


def prior_of(basis: ChebyshevBasis, names: Sequence[str], coef: Floats, own: Floats) -> Prior:
    """Learn a prior from the curves of units.

    Parameters
    ----------
    basis : ChebyshevBasis
        In which all curves are given.
    names : sequence of str, length n
        The units'.
    coef : ndarray of shape (n, k)
        Their coefficients. [ppb]
    own : ndarray of shape (n, k, k)
        The covariance of each one's fit. [ppb**2]

    Raises
    ------
    CurveError
        There are too few units for the coefficients.
    """
    found = pooled(names, coef, own)
    return Prior(basis, found.mean, found.between, found.units, found.left_out, found.shrinkage)


def pooled(names: Sequence[str], figures: Floats, own: Floats) -> Pooled:
    """Mean of the units' figures, and the scatter between units: that of the figures less what their own uncertainties bring.

    Parameters
    ----------
    names : sequence of str, length n
    figures : ndarray of shape (n, k)
    own : ndarray of shape (n, k, k)
        The covariance of each unit's.

    Raises
    ------
    CurveError
        There are too few units for the figures.
    """
    count, size = figures.shape
    if count < size + SPARE:
        raise CurveError(
            f"a prior of {size} coefficients needs {size + SPARE} units or more, and the lot has {count}; log more units, or "
            "let the curves have a lower degree"
        )
    scale = np.maximum(robust_spread(figures), 1e-9)
    inside = of_the_lot(figures / scale)
    kept = figures[inside]
    if len(kept) < size + SPARE:
        raise CurveError(f"only {len(kept)} of {count} units resemble each other: they are not one lot")
    mean = kept.mean(axis=0)
    scatter, shrinkage = _shrunk((kept - mean) / scale)
    between = _positive(scatter * np.outer(scale, scale) - own[inside].mean(axis=0), scale)
    return Pooled(
        tuple(mean.tolist()),
        tuple(tuple(row) for row in between.tolist()),
        len(kept),
        tuple(name for name, kept_one in zip(names, inside, strict=True) if not kept_one),
        shrinkage,
    )


def robust_spread(coef: Floats) -> Floats:
    """Robust standard deviation of each coefficient: 1.4826 times the median deviation."""
    return np.asarray(1.4826 * np.median(np.abs(coef - np.median(coef, axis=0)), axis=0))


def of_the_lot(standard: Floats) -> NDArray[np.bool_]:
    """All units, of shape (n, k), except those that the others do not predict, but for the chance ODD.

    Begun with the units that a robust scatter calls near (Rousseeuw's minimum covariance determinant, whose own limits leave
    out too many where units are few), and grown by those that fit to them until no more do.
    """
    from scipy.stats import chi2, f
    from sklearn.covariance import MinCovDet

    count, size = standard.shape
    if count < ROBUST_FROM * size or not (robust_spread(standard) > 0).all():  # more than half have a figure in common
        return np.ones(count, dtype=np.bool_)
    found = MinCovDet(random_state=0).fit(standard)
    inside = np.asarray(found.mahalanobis(standard) <= chi2.ppf(NEAR, size))
    while True:
        units = int(inside.sum())
        away = standard - standard[inside].mean(axis=0)
        scale = np.atleast_2d(np.cov(standard[inside].T)) * (1 + 1 / units) * (units - 1) / (units - size)
        distance2 = np.einsum("ij,ij->i", away, np.linalg.solve(scale, away.T).T)
        grown = inside | (f.sf(distance2 / size, size, units - size) >= ODD)
        if grown.sum() == units:
            return inside
        inside = grown


def _shrunk(standard: Floats) -> tuple[Floats, float]:
    """Unbiased scatter, its correlations drawn towards none as far as the number of units calls for."""
    from sklearn.covariance import LedoitWolf

    count = len(standard)
    size = np.sqrt(np.mean(standard**2, axis=0) * count / (count - 1))
    found = LedoitWolf(assume_centered=True).fit(standard / np.where(size > 0, size, 1.0))
    correlation = np.array(found.covariance_)
    variance = np.where(size > 0, np.diag(correlation), 1.0)  # figures that all units have alike
    correlation /= np.sqrt(np.outer(variance, variance))
    return correlation * np.outer(size, size), float(found.shrinkage_)


MIN_SHARE = 1e-6
"""Least variance between units along any direction, as a share of a coefficient's own spread."""


def _positive(covariance: Floats, scale: Floats) -> Floats:
    """The nearest covariance with no direction without any scatter: what the own uncertainties outweigh is not negative."""
    standard = covariance / np.outer(scale, scale)
    values, directions = np.linalg.eigh((standard + standard.T) / 2)
    return np.asarray((directions * np.maximum(values, MIN_SHARE)) @ directions.T * np.outer(scale, scale))


def posterior(prior: Prior, temperature_c: Floats, offset_ppb: Floats, u_ppb: Floats) -> Posterior:
    """The curve of a new unit from a few points.

    Parameters
    ----------
    temperature_c, offset_ppb, u_ppb : ndarray of shape (n,)
        Points, free of lag, with independent standard uncertainties. [degC, ppb, ppb]

    Raises
    ------
    CurveError
        A point lies outside the prior's range, or has no uncertainty.

    Examples
    --------
    >>> prior = Prior(ChebyshevBasis(1, 0.0, 50.0), (0.0, 100.0), ((100.0, 0.0), (0.0, 1.0)), 1000, (), 0.0)
    >>> found = posterior(prior, np.array([25.0]), np.array([30.0]), np.array([0.01]))
    >>> found.coef.round(2).tolist()  # the level is the unit's own, the slope the lot's
    [30.0, 100.0]
    """
    basis = prior.basis
    beyond_c = BEYOND * (basis.high_c - basis.low_c)
    outside = (temperature_c < basis.low_c - beyond_c) | (temperature_c > basis.high_c + beyond_c)
    if outside.any():
        raise CurveError(
            f"a point at {temperature_c[outside][0]:.4g} degC lies outside {prior.whose}'s range, {degc_text(basis.low_c)} to "
            f"{degc_text(basis.high_c)} degC; soak within it"
        )
    if not np.all(u_ppb > 0):
        raise CurveError("every point needs an uncertainty above 0")
    columns, noise = basis.values(temperature_c), np.diag(u_ppb**2)
    away = offset_ppb - columns @ np.array(prior.mean)
    spread = prior.predicted_variance
    gain = np.linalg.solve(columns @ spread @ columns.T + noise, columns @ spread).T
    left = np.eye(basis.size) - gain @ columns
    return Posterior(
        coef=np.array(prior.mean) + gain @ away,
        covariance=left @ spread @ left.T
        + gain @ noise @ gain.T,  # Joseph's form: symmetric and positive whatever the digits
        chance=_chance(prior, columns, away, noise),
    )


def _chance(prior: Prior, columns: Floats, away: Floats, noise: Floats) -> float:
    """Of Hotelling's distance of the points from the prediction of the lot, as an F statistic."""
    from scipy.stats import f

    scale = columns @ prior.predicted @ columns.T + noise
    distance2 = float(away @ np.linalg.solve(scale, away))
    return float(f.sf(distance2 / len(away), len(away), prior.dof))


def read_prior(path: Path) -> Prior:
    """Read the prior of a ``lot.json``.

    Raises
    ------
    CurveError
        The file cannot be read, or holds no prior.
    """
    try:
        return _prior(read_json(path)["prior"])
    except OSError as error:
        raise CurveError(f"{path}: cannot be read ({error.strerror}); expected the lot.json of `tcomp lot`") from error
    except (ValueError, KeyError, TypeError) as error:
        raise CurveError(f"{path}: holds no prior; expected the lot.json of a `tcomp lot` of enough units") from error


def _prior(content: Any) -> Prior:
    prior: Prior = typed(content, Prior)
    check_coefficients(prior.basis, prior.mean, prior.between)
    figures = [figure for effect in prior.effects for one in effect.findings for figure in (one.value, one.uncertainty)]
    if prior.dof < 1 or not np.isfinite([*figures, prior.shrinkage]).all():
        raise ValueError("too few units for its coefficients, or a number is missing")
    return prior
