"""What a crystal's curve says of the crystal: physical parameters, held against handbooks.

As functions of temperature, the cubic about the inflection temperature (AT, SC cuts) and the
parabola about the turnover (tuning forks, BT cuts) are the polynomials of degree 3 and 2.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.estimation.basis import ChebyshevBasis

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Parameter:
    """A physical parameter of the crystal, with its standard uncertainty."""

    name: str
    value: float
    uncertainty: float
    unit: str


HANDBOOK: dict[str, tuple[tuple[str, float, float, str], ...]] = {
    "AT": (
        # Inflection 25 to 35 degC: a crystal tutorial page, looked up.  Third-order coefficient 108.6e-12 per K**3:
        # Gerber and Ballato, Precision Frequency Control vol. 2, 1985, p. 101, second-hand; the width of the range
        # allows for mounting and load (common practice, no source).
        ("inflection temperature", 20.0, 38.0, "25 to 35 degC for AT cuts"),
        ("cubic coefficient", 0.080, 0.130, "about 0.105 to 0.110 ppb/degC^3 for AT cuts"),
    ),
    "SC": (
        # Inflection about 95 degC: J. R. Vig, Introduction to Quartz Frequency Standards, SLCET-TR-92-1 rev. 1, 1992,
        # "Static f vs T"; 85 degC is also seen, hence the wide range.
        ("inflection temperature", 80.0, 110.0, "85 to 95 degC for SC cuts"),
        ("cubic coefficient", 0.040, 0.080, "about 0.058 ppb/degC^3 for SC cuts (from memory)"),
    ),
    "tuning-fork": (
        # -0.035 ppm/K**2: Vig 1992, same page; -0.030 +- 0.010: a component data sheet.  Turnover 25 +- 5: from memory.
        ("turnover temperature", 18.0, 32.0, "20 to 30 degC for tuning forks (from memory)"),
        ("curvature", -45.0, -25.0, "-35 ppb/degC^2, within 10, for tuning forks"),
    ),
    "BT": (
        # About -0.04 ppm/K**2: recomputed from elastic constants, Bechmann, Ballato, Lukaszek, Proc. IRE 50 (1962).
        ("curvature", -55.0, -30.0, "about -40 ppb/degC^2 for BT cuts"),
    ),
}
"""Per cut: parameter, lowest and highest plausible value, and the handbook's figure in words."""
TURNED_BY_SIGN = ("cubic coefficient", "curvature")
"""Parameters that change their sign with the offset's; an inflection or turnover temperature does not."""
MIN_BEND_PPB = 1e-6
"""What a leading power must be worth at the ends of the range: an offset is kept to 1e-6 ppb."""


def cubic_parameters(basis: ChebyshevBasis, coef: Floats, covariance: Floats) -> tuple[Parameter, ...]:
    """Physical parameters of offset = peak + slope d + cubic d**3, with d = T - inflection.

    From powers of temperature c0 ... c3: inflection = -c2 / (3 c3); uncertainties by first-order
    propagation of the covariance (JCGM 100:2008, 5.2).
    """
    middle = 0.5 * (basis.low_c + basis.high_c)
    c0, c1, c2, c3 = basis.power_coefficients(coef, middle)
    if _bends_less(c3, basis):
        return ()
    shift = -c2 / (3 * c3)
    values = [middle + shift, c1 - c2**2 / (3 * c3), c3, c0 + c1 * shift + c2 * shift**2 + c3 * shift**3]
    gradient = np.array(
        [
            [0, 0, -1 / (3 * c3), c2 / (3 * c3**2)],
            [0, 1, -2 * c2 / (3 * c3), c2**2 / (3 * c3**2)],
            [0, 0, 0, 1],
            [1, shift, shift**2, shift**3],
        ]
    )
    slope_there = c1 + 2 * c2 * shift + 3 * c3 * shift**2
    gradient[3] += slope_there * gradient[0]  # the value at the inflection moves with the inflection too
    names = ("inflection temperature", "slope at inflection", "cubic coefficient", "offset at inflection")
    return _parameters(
        basis, covariance, middle, gradient, values=values, names=names, units=("degC", "ppb/degC", "ppb/degC^3", "ppb")
    )


def _bends_less(leading: float, basis: ChebyshevBasis) -> bool:
    """Whether the leading power is worth nothing at the ends of the range: such a curve has no inflection, or no turnover."""
    return abs(leading) * (0.5 * (basis.high_c - basis.low_c)) ** basis.degree < MIN_BEND_PPB


def parabola_parameters(basis: ChebyshevBasis, coef: Floats, covariance: Floats) -> tuple[Parameter, ...]:
    """Physical parameters of offset = peak + curvature (T - turnover)**2."""
    middle = 0.5 * (basis.low_c + basis.high_c)
    if basis.degree > 2:
        return _turning_parameters(basis, coef, covariance)
    c0, c1, c2 = basis.power_coefficients(coef, middle)
    if _bends_less(c2, basis):
        return ()
    shift = -c1 / (2 * c2)
    values = [middle + shift, c2, c0 - c1**2 / (4 * c2)]
    gradient = np.array([[0, -1 / (2 * c2), c1 / (2 * c2**2)], [0, 0, 1], [1, shift, shift**2]])
    return _parameters(basis, covariance, middle, gradient, values=values, names=PARABOLA_NAMES, units=PARABOLA_UNITS)


PARABOLA_NAMES = ("turnover temperature", "curvature", "offset at turnover")
PARABOLA_UNITS = ("degC", "ppb/degC^2", "ppb")
NEWTON_STEPS = 50


def _turning_parameters(basis: ChebyshevBasis, coef: Floats, covariance: Floats) -> tuple[Parameter, ...]:
    """The same of a parabola with departures: where its slope is 0, half of the second derivative there, and the offset.

    The turnover nearest to the middle of the range, from which Newton's method begins; none where that finds none within a half
    of the range beyond its ends.
    """
    middle, reach = 0.5 * (basis.low_c + basis.high_c), basis.high_c - basis.low_c
    powers = np.polynomial.Polynomial(basis.power_coefficients(coef, middle))
    slope, bend, twist = (powers.deriv(order) for order in (1, 2, 3))
    at = 0.0
    for _ in range(NEWTON_STEPS):
        if bend(at) == 0:
            return ()
        at -= float(np.clip(slope(at) / bend(at), -reach / 8, reach / 8))
    if abs(at) > reach or abs(slope(at)) > 1e-6 * abs(bend(at)) * reach:
        return ()
    of_value, of_slope, of_bend = (
        np.array([np.polynomial.Polynomial.basis(k).deriv(order)(at) for k in range(basis.size)]) for order in (0, 1, 2)
    )
    of_turnover = -of_slope / bend(at)
    gradient = np.array([of_turnover, (of_bend + twist(at) * of_turnover) / 2, of_value])  # the slope there is 0
    values = [middle + at, float(bend(at)) / 2, float(powers(at))]
    return _parameters(basis, covariance, middle, gradient, values=values, names=PARABOLA_NAMES, units=PARABOLA_UNITS)


def handbook_remarks(parameters: tuple[Parameter, ...], cut: str) -> tuple[str, ...]:
    """A sentence for each parameter that lies outside the handbook's range by more than twice its uncertainty."""
    found = {parameter.name: parameter for parameter in parameters}
    remarks = []
    for name, low, high, words in HANDBOOK.get(cut, ()):
        parameter = found.get(name)
        if parameter and not low - 2 * parameter.uncertainty <= parameter.value <= high + 2 * parameter.uncertainty:
            doubt = "is the cut right, and does the run reach far enough to tell?"
            if low <= -parameter.value <= high and name in TURNED_BY_SIGN:
                doubt = "this is their figure with the sign turned round: is `role` right, and the sign of the column?"
            elif name in TURNED_BY_SIGN and any(low <= times * parameter.value <= high for times in (1e3, 1e-3)):
                doubt = "this is their figure with ppm and ppb mixed up: is the unit of the column right?"
            remarks.append(
                f"{name} {parameter.value:.4g} {parameter.unit} (u {parameter.uncertainty:.2g}) is unusual: handbooks "
                f"give {words}; {doubt}"
            )
    return tuple(remarks)


def _parameters(
    basis: ChebyshevBasis,
    covariance: Floats,
    origin_c: float,
    gradient: Floats,
    *,
    values: list[float],
    names: tuple[str, ...],
    units: tuple[str, ...],
) -> tuple[Parameter, ...]:
    powers = gradient @ basis.powers(origin_c)
    spread = np.sqrt(np.diagonal(powers @ covariance @ powers.T))
    return tuple(
        Parameter(name, float(value), float(u), unit)
        for name, value, u, unit in zip(names, values, spread, units, strict=True)
    )
