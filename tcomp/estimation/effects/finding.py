"""What a fit found of an effect, and its sentences: the one place where these words are made."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from tcomp.estimation.effects.dynamics import PlayLoop
from tcomp.units import degc_text

Floats = NDArray[np.float64]

INDEPENDENT_SHARE = 0.001
"""An effect whose column lies within 0.1 % (in squares) of what the curve and the other effects can
imitate is undetermined: its uncertainty would be thirty times what it is alone."""
SIGNIFICANT = 3.0
"""Standard uncertainties from zero at which an effect is found (k = 3, common practice, no source)."""


class Status(StrEnum):
    """What a fit says of an effect."""

    FOUND = "found"
    NONE_SEEN = "none seen"
    UNDETERMINED = "undetermined"
    GIVEN = "given"
    OFF = "off"


class Reason(StrEnum):
    """Why an effect has its status without an estimate."""

    NO_TIME = "the log has no time"
    ONE_SWEEP_LAG = "one sweep only: a lag shifts the curve and leaves no trace"
    ONE_SWEEP_AGEING = "one sweep only: every temperature was visited once"
    ONE_DIRECTION = "the runs have no heating and cooling to compare"
    ONE_RATE = "one ramp rate and no soak: lag and hysteresis look alike; add a soak or a second rate"
    BESIDE_STATED = (
        "the job states another effect, which a response might take the place of; remove that from [fit] to look for it"
    )
    SWITCHED_OFF = "switched off in the job"
    GIVEN_IN_JOB = "given in the job"
    IN_SERVICE = "events of a clock in daily cycles cannot tell it"
    FEW_SOAKS = "a few soaks cannot tell it"
    OF_THE_LOT = "as in the lot"
    NONE_IN_LOT = "the lot tells none"
    LIKE_A_RESPONSE = "one ramp rate: it looks like a part of the response to changing temperature; add a second rate"
    UNCHANGED = "it did not change in these runs"
    STRAINED = "the response explains these runs better than a lag of such length, and beside it they do not tell it"
    RAN_AWAY = "beside the response these runs do not tell it: estimates run away beyond their length"
    RESPONSE_IMITATED = (
        "the curve and the other effects imitate it in these runs; two rates and a reversal inside the range tell it"
    )


@dataclass(frozen=True, kw_only=True)
class RateResponse:
    """A response to changing temperature: values [ppb/(degC/min)] at the Chebyshev-Lobatto points of the range [degC], their
    covariance, and the time constant of the rate's filter with its standard uncertainty. [s]"""

    tau_s: float
    tau_u_s: float
    low_c: float
    high_c: float
    values: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]

    def at(self, temperature_c: Floats) -> Floats:
        """Offset at 1 degC/min, by the crystal's temperature; beyond the range the value at its end. [ppb/(degC/min)]

        >>> RateResponse(
        ...     tau_s=60.0, tau_u_s=1.0, low_c=0.0, high_c=40.0, values=(2.0, 6.0), covariance=((0.0, 0.0), (0.0, 0.0))
        ... ).at(np.array([-10.0, 10.0, 40.0])).round(9).tolist()
        [2.0, 3.0, 6.0]
        """
        return np.asarray(lagrange(temperature_c, self.low_c, self.high_c, len(self.values)) @ np.array(self.values))

    def u_at(self, temperature_c: Floats) -> Floats:
        """Standard uncertainty of that. [ppb/(degC/min)]"""
        columns = lagrange(temperature_c, self.low_c, self.high_c, len(self.values))
        return np.asarray(np.sqrt(np.einsum("ij,jk,ik->i", columns, np.array(self.covariance), columns)))

    def words(self, most_c: float) -> str:
        """Where it is largest, and what it is at the ends and in the middle."""
        at_c = np.linspace(self.low_c, self.high_c, 3)
        values = ", ".join(
            f"{value:.3g} at {degc_text(c)} degC"
            for c, value in zip(at_c.tolist(), self.at(at_c).tolist(), strict=True)
        )
        return f"at {degc_text(most_c)} degC, where it is largest; {values}; time constant {self.tau_s:.3g} s"


@dataclass(frozen=True, kw_only=True)
class RegressorTerm:
    """What a quantity besides temperature adds: coefficients of the powers of its value less the reference, their covariance
    [ppb/unit**k], and its lowest, highest and RMS deviation in the runs. [unit]"""

    unit: str
    reference: float
    low: float
    high: float
    rms: float
    values: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]

    def at(self, value: Floats) -> Floats:
        """What it adds to the offset; outside of what was seen the value at the end. [ppb]

        >>> RegressorTerm(
        ...     unit="V", reference=3.0, low=2.5, high=3.5, rms=0.2, values=(40.0,), covariance=((1.0,),)
        ... ).at(np.array([2.0, 3.25])).tolist()
        [-20.0, 10.0]
        """
        return np.asarray(self._powers(value) @ np.array(self.values))

    def u_at(self, value: Floats) -> Floats:
        """Standard uncertainty of that. [ppb]"""
        columns = self._powers(value)
        return np.asarray(np.sqrt(np.einsum("ij,jk,ik->i", columns, np.array(self.covariance), columns)))

    @property
    def spread_ppb(self) -> float:
        """What is not known where the value is not: its spread in the runs, with the uncertainty. [ppb]"""
        return float(np.hypot(self.values[0], np.sqrt(self.covariance[0][0])) * self.rms)

    @property
    def words(self) -> str:
        """About which value, and over which it was seen."""
        bend = f", and {self.values[1]:.3g} ppb by its square" if len(self.values) > 1 else ""
        unit = f" {self.unit}" if self.unit else ""
        return f"about {self.reference:g}{unit}, seen from {self.low:g} to {self.high:g}{bend}"

    def _powers(self, value: Floats) -> Floats:
        return powers(np.clip(value, self.low, self.high) - self.reference, len(self.values))


def powers(value: Floats, degree: int) -> Floats:
    """Powers of a value from the first to the one of the degree, shape (n, degree)."""
    return np.asarray(np.asarray(value)[:, None] ** np.arange(1, degree + 1))


def lagrange(temperature_c: Floats, low_c: float, high_c: float, size: int) -> Floats:
    """Polynomials that are 1 at one of the Chebyshev-Lobatto points of a range and 0 at the others, shape (n, size).

    Beyond the range they keep their value at its end.
    """
    scaled = np.clip((2 * np.asarray(temperature_c) - low_c - high_c) / (high_c - low_c), -1.0, 1.0)
    points = lobatto_c(-1.0, 1.0, size)
    vander = np.polynomial.chebyshev.chebvander
    return np.asarray(vander(scaled, size - 1) @ np.linalg.inv(vander(points, size - 1)))


def lobatto_c(low_c: float, high_c: float, size: int) -> Floats:
    """Chebyshev-Lobatto points of a range, or its middle where there is one, shape (size,). [degC]

    >>> lobatto_c(0.0, 40.0, 3).round(9).tolist(), lobatto_c(0.0, 40.0, 1).tolist()
    ([0.0, 20.0, 40.0], [20.0])
    """
    points = -np.cos(np.pi * np.arange(size) / (size - 1)) if size > 1 else np.zeros(1)
    return np.asarray((low_c + high_c) / 2 + (high_c - low_c) / 2 * points)


@dataclass(frozen=True)
class Finding:
    """An effect by its name, its value and standard uncertainty in ``unit``, and what the data say of it."""

    name: str
    unit: str
    status: Status
    value: float = 0.0
    uncertainty: float = float("nan")
    reason: str = ""
    response: RateResponse | None = None
    """Along the temperature, where the effect is a response that was found."""
    regressor: RegressorTerm | None = None
    """Where it is a quantity besides temperature, and identifiable."""
    plays: tuple[PlayLoop, ...] = ()
    """Of a loop that takes some degrees to come through: its parts."""

    @property
    def known(self) -> bool:
        """Whether it has a value: found in the data, or given."""
        return self.status in (Status.FOUND, Status.GIVEN)

    @property
    def words(self) -> str:
        """The finding in words.

        >>> Finding("lag", "s", Status.FOUND, 169.4, 0.5).words
        '169.40 s, u 0.5 s'
        >>> Finding("ageing", "ppb/day", Status.NONE_SEEN, 0.0, 4.7, "estimated 4 ppb/day").words
        'none seen, u 4.7 ppb/day (estimated 4 ppb/day)'
        """
        if self.status == Status.FOUND:
            digits = max(0, 1 - math.floor(math.log10(self.uncertainty))) if self.uncertainty > 0 else 3
            form = f" ({self.reason})" if self.reason else ""
            return f"{self.value:.{digits}f} {self.unit}, u {self.uncertainty:.2g} {self.unit}{form}"
        if self.status == Status.GIVEN:
            return f"{self.value:g} {self.unit}, {self.reason}"
        if self.status == Status.NONE_SEEN:
            return f"none seen, u {self.uncertainty:.2g} {self.unit} ({self.reason})"
        return f"{self.status}: {self.reason}"


def judged(name: str, unit: str, value: float, uncertainty: float, share: float, form: str = "") -> Finding:
    """Judge an estimate: found, none seen, or undetermined.

    Parameters
    ----------
    name, unit : str
    value, uncertainty : float
        The estimate and its standard uncertainty. [unit]
    share : float
        Share of the effect's column that nothing else in the fit imitates. [1]
    form : str, default=""
        The form in which it was estimated.
    """
    if share < INDEPENDENT_SHARE:
        reason = f"the curve and the other effects imitate {100 * (1 - share):.2f} % of it in these runs"
        return Finding(name, unit, Status.UNDETERMINED, reason=reason)
    if abs(value) > SIGNIFICANT * uncertainty:
        return Finding(name, unit, Status.FOUND, value, uncertainty, form)
    reason = f"estimated {value:.3g} {unit}, not beyond three times its uncertainty"
    return Finding(name, unit, Status.NONE_SEEN, 0.0, uncertainty, reason)


def independent_share(column: Floats, others: Floats) -> float:
    """Share of the column's variation (its squares about its mean) that the other columns cannot imitate.

    Examples
    --------
    >>> round(independent_share(np.array([0.0, 1.0, 2.0]), np.array([[1.0, 0.0], [1.0, 0.0], [1.0, 1.0]])), 6)
    0.25
    """
    if column.size == 0:
        return 0.0
    orthogonal = np.linalg.qr(others)[0]
    residual = column - orthogonal @ (orthogonal.T @ column)
    about_mean = column - column.mean()
    total = float(about_mean @ about_mean)
    return float(residual @ residual) / total if total > 0 else 0.0
