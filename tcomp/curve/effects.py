"""What besides temperature moves the offset during the runs, and whether the data can tell it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tcomp.curve.samples import Samples
from tcomp.units import SECONDS_PER_DAY

Floats = NDArray[np.float64]
Status = Literal["found", "none seen", "undetermined", "given", "off"]
LinearEffect = Literal["ageing", "hysteresis"]

INDEPENDENT_SHARE = 0.01
"""An effect whose column lies within 1 % (in squares) of what the curve and the other effects can
imitate is undetermined: its uncertainty would be ten times what it is alone."""
SIGNIFICANT = 2.0
"""Standard uncertainties from zero at which an effect is found (k = 2, common practice, no source)."""
RATES_DIFFER = 1.5
"""Ratio of ramp rates from which lag and hysteresis can be told apart (common practice, no source)."""


@dataclass(frozen=True)
class Effect:
    """An effect, its value and standard uncertainty in ``unit``, and what the data say of it."""

    name: str
    unit: str
    status: Status
    value: float = 0.0
    uncertainty: float = float("nan")
    reason: str = ""

    @property
    def words(self) -> str:
        """The verdict in words.

        >>> Effect("lag", "s", "found", 169.4, 0.5).words
        '169.40 s, u 0.5 s'
        >>> Effect("ageing", "ppb/day", "none seen", 0.0, 4.7, "estimated 4 ppb/day").words
        'none seen, u 4.7 ppb/day (estimated 4 ppb/day)'
        """
        if self.status == "found":
            digits = max(0, 1 - math.floor(math.log10(self.uncertainty))) if self.uncertainty > 0 else 3
            return f"{self.value:.{digits}f} {self.unit}, u {self.uncertainty:.2g} {self.unit}"
        if self.status == "given":
            return f"{self.value:g} {self.unit}, given in the job"
        if self.status == "none seen":
            return f"none seen, u {self.uncertainty:.2g} {self.unit} ({self.reason})"
        return f"{self.status}: {self.reason}"


def base_columns(samples: Samples) -> Floats:
    """One column per run but the last, whose base is the curve's own: shape (n, runs - 1)."""
    runs = np.arange(int(samples.run.max()))
    return np.asarray(samples.run[:, None] == runs, dtype=np.float64)


def effect_columns(samples: Samples, names: tuple[LinearEffect, ...]) -> Floats:
    """The columns of the named effects, shape (n, len(names)).

    Ageing: days since the end of the last run.  Each run has a base of its own, so the rate is
    told by what happens within runs, and the base of the last run is that of its end: the
    oscillator as it was left.  Hysteresis: half a loop up while heating, half down while cooling.
    """
    columns = {
        "ageing": (samples.time_s - samples.time_s[samples.run == samples.run.max()].max()) / SECONDS_PER_DAY,
        "hysteresis": samples.direction,
    }
    return np.column_stack([np.empty((samples.time_s.size, 0)), *(columns[name] for name in names)])


def why_no_ageing(samples: Samples) -> str:
    """The reason for which ageing cannot be told before any look at the offsets; empty if it can."""
    if not samples.has_time:
        return "the log has no time"
    return "" if samples.sweeps > 1 else "one sweep only: every temperature was visited once"


def why_no_hysteresis(samples: Samples, rates_c_per_min: Sequence[float], soaked: bool) -> str:
    """The reason for which a loop cannot be told from lag; empty if it can."""
    if not samples.has_time:
        return "the log has no time"
    if np.unique(samples.direction[samples.direction != 0]).size < 2:
        return "the runs have no heating and cooling to compare"
    rates = [abs(rate) for rate in rates_c_per_min]
    if not soaked and (not rates or max(rates) < RATES_DIFFER * min(rates)):
        return "one ramp rate and no soak: lag and hysteresis look alike; add a soak or a second rate"
    return ""


def independent_share(column: Floats, others: Floats) -> float:
    """Share of the column's variation (its squares about its mean) that the other columns cannot imitate.

    Examples
    --------
    >>> round(independent_share(np.array([0.0, 1.0, 2.0]), np.array([[1.0, 0.0], [1.0, 0.0], [1.0, 1.0]])), 6)
    0.25
    """
    orthogonal = np.linalg.qr(others)[0]
    left = column - orthogonal @ (orthogonal.T @ column)
    about_mean = column - column.mean()
    total = float(about_mean @ about_mean)
    return float(left @ left) / total if total > 0 else 0.0


def judged(name: str, unit: str, value: float, uncertainty: float, share: float) -> Effect:
    """Judge an estimated effect: found, none seen, or undetermined."""
    if share < INDEPENDENT_SHARE:
        reason = f"the curve and the other effects imitate {100 * (1 - share):.1f} % of it in these runs"
        return Effect(name, unit, "undetermined", reason=reason)
    if abs(value) > SIGNIFICANT * uncertainty:
        return Effect(name, unit, "found", value, uncertainty)
    reason = f"estimated {value:.3g} {unit}, not beyond twice its uncertainty"
    return Effect(name, unit, "none seen", 0.0, uncertainty, reason)
