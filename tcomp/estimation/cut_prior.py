"""What handbooks say of a cut, as a prior: a unit of no lot is placed by two or three soaks.

A crystal of the cut has parameters drawn from the handbook's ranges, each normal, the range its 95 %.  Drawn curves, in one
Chebyshev basis, give mean and scatter, as the units of a lot do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import CurveError
from tcomp.estimation.basis import ChebyshevBasis
from tcomp.estimation.prior import Prior

Floats = NDArray[np.float64]
DRAWS = 20_000
SEED = 20_260_303
WIDER = 1.05
"""Times by which the handbooks' spreads are widened: mounting and load are not in them (common practice, no source)."""
RANGE_SD = 4.0
"""Standard deviations in a handbook's range of 95 %."""
AS_MANY_UNITS = 1000
"""A spread that is stated is taken to be as well known as that of so many units: Student's distribution is then normal."""


@dataclass(frozen=True)
class Spread:
    """Ranges of a cut's parameters, 95 % of its crystals each, and the range over which its curve is wanted usually.

    ``bends``: the cubic's coefficient [ppb/degC**3], or the curvature [ppb/degC**2]; ``centre_c``: inflection or turnover
    temperature; ``slope``: at the inflection [ppb/degC]; None: a parabola.
    """

    words: str
    bends: tuple[float, float]
    centre_c: tuple[float, float]
    slope: tuple[float, float] | None
    range_c: tuple[float, float]


BASE_PPB = (-25_000.0, 25_000.0)
"""Frequency at the inflection or turnover: 20 ppm when made, and some from load and ageing (common practice, no source)."""
SPREADS = {
    # 105 to 110e-12 per K**3 and 25 to 28 degC: Bechmann 1956 and 1962, from memory; 108.6e-12 and 26.4 degC: Gerber and Ballato,
    # Precision Frequency Control vol. 2, 1985, p. 101, second-hand; same source, -84.7 ppb/degC for each minute of arc, of which
    # 0 to 8 are usual (common practice, no source).
    "AT": Spread("an AT cut", (0.105, 0.110), (25.0, 28.0), (-678.0, 0.0), (-20.0, 60.0)),
    # Inflection 85 to 95 degC: Vig 1992, "Static f vs T", and a mailing list; 58.2e-12 per K**3: from memory.
    "SC": Spread("an SC cut", (0.055, 0.061), (85.0, 97.0), (-600.0, 200.0), (-20.0, 60.0)),
    # -0.04 ppm/K**2: recomputed from elastic constants, Bechmann, Ballato, Lukaszek, Proc. IRE 50 (1962); the turnover is set by
    # the angle (common practice, no source).
    "BT": Spread("a BT cut", (-44.0, -36.0), (10.0, 40.0), None, (-20.0, 60.0)),
    # -0.035 ppm/K**2: Vig 1992; -0.034: public firmware; -0.030 +/- 0.010: a component data sheet. Turnover 25 +/- 5: from memory.
    "tuning-fork": Spread("a tuning fork", (-39.0, -31.0), (20.0, 30.0), None, (0.0, 40.0)),
}


@dataclass(frozen=True)
class CutPrior(Prior):
    """A prior of a cut, and not of a lot."""

    cut: str = ""

    @property
    def words(self) -> str:
        """What it is."""
        return f"polynomial of degree {self.basis.degree} as handbooks have it of {self.whose}"

    @property
    def is_of_lot(self) -> bool:
        """Whether its units share a board, and so a lag."""
        return False

    @property
    def whose(self) -> str:
        """What a unit is held against."""
        return SPREADS[self.cut].words

    @property
    def scatter_words(self) -> str:
        """How far units differ."""
        return "handbooks say"


def prior_of_cut(cut: str, range_c: tuple[float, float] | None = None) -> CutPrior:
    """Mean curve and scatter of the crystals of a cut.

    Parameters
    ----------
    cut : str
        As in ``[oscillator] cut``.
    range_c : tuple of float, default=None
        Where the curve is wanted; None: where it usually is. [degC]

    Raises
    ------
    CurveError
        Nothing is known of the cut.

    Examples
    --------
    Tuning forks bend by 35 ppb/degC**2:

    >>> found = prior_of_cut("tuning-fork", (0.0, 40.0))
    >>> found.units, round(found.mean[2] / (20.0**2 / 2))  # T_2 is 2 x**2 - 1, x from -1 to 1 over 40 degC
    (1000, -35)
    """
    if cut not in SPREADS:
        raise CurveError(
            f'[oscillator] cut is "{cut}", of which no handbook speaks; expected {", ".join(SPREADS)}, or a lot.json as the prior'
        )
    spread = SPREADS[cut]
    basis = ChebyshevBasis(2 if spread.slope is None else 3, *(range_c or spread.range_c))
    coef = np.linalg.lstsq(basis.values(_nodes_c(basis)), _drawn(spread, _nodes_c(basis)).T, rcond=None)[0].T
    between = np.cov(coef.T)
    return CutPrior(
        basis, tuple(coef.mean(axis=0).tolist()), tuple(map(tuple, between.tolist())), AS_MANY_UNITS, (), 0.0, cut=cut
    )


def _nodes_c(basis: ChebyshevBasis) -> Floats:
    """As many temperatures as coefficients: the curves are polynomials of that degree. [degC]"""
    return np.linspace(basis.low_c, basis.high_c, basis.size)


def _drawn(spread: Spread, temperature_c: Floats) -> Floats:
    """Curves of crystals of a cut, shape (DRAWS, n). [ppb]"""
    rng = np.random.default_rng(SEED)

    def drawn(range_of: tuple[float, float]) -> Floats:
        low, high = range_of
        return np.asarray(rng.normal((low + high) / 2, WIDER * (high - low) / RANGE_SD, (DRAWS, 1)))

    base_ppb, bends, away_c = drawn(BASE_PPB), drawn(spread.bends), temperature_c - drawn(spread.centre_c)
    if spread.slope is None:
        return np.asarray(base_ppb + bends * away_c**2)
    return np.asarray(base_ppb + drawn(spread.slope) * away_c + bends * away_c**3)
