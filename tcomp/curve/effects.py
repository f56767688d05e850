"""What besides temperature moves the offset during the runs, and whether the data can tell it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tcomp.curve.samples import Samples
from tcomp.units import SECONDS_PER_DAY

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Status = Literal["found", "none seen", "undetermined", "given", "off"]

UNITS = {"lag": "s", "second lag": "s", "ageing": "ppb/day", "hysteresis": "ppb"}
INDEPENDENT_SHARE = 0.001
"""An effect whose column lies within 0.1 % (in squares) of what the curve and the other effects can
imitate is undetermined: its uncertainty would be thirty times what it is alone."""
SIGNIFICANT = 3.0
"""Standard uncertainties from zero at which an effect is found (k = 3, common practice, no source)."""
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
            form = f" ({self.reason})" if self.reason else ""
            return f"{self.value:.{digits}f} {self.unit}, u {self.uncertainty:.2g} {self.unit}{form}"
        if self.status == "given":
            return f"{self.value:g} {self.unit}, {self.reason}"
        if self.status == "none seen":
            return f"none seen, u {self.uncertainty:.2g} {self.unit} ({self.reason})"
        return f"{self.status}: {self.reason}"


@dataclass(frozen=True)
class Terms:
    """The linear effects of a fit, besides the curve.

    Attributes
    ----------
    part : ndarray of shape (n,)
        Numbers the stretches that have a base of their own: runs, cut at jumps of the crystal.
    ageing : bool
        Whether a drift is estimated.
    log_per_day : float
        B of the drift A ln(1 + B t), t from the first sample; 0: a straight line. [1/day]
    hysteresis : bool
        Whether a loop is estimated.
    play_c : float
        Temperature over which a reversal comes through; 0: at once, with the sweep. [degC]
    """

    part: Ints = field(repr=False)
    ageing: bool = False
    log_per_day: float = 0.0
    hysteresis: bool = False
    play_c: float = 0.0

    @property
    def bases(self) -> int:
        """Columns of bases: one per part but the last, whose base is the curve's own."""
        return int(self.part.max())

    @property
    def names(self) -> tuple[str, ...]:
        """The effects behind the bases, in the order of their columns."""
        return ("ageing",) * self.ageing + ("hysteresis",) * self.hysteresis

    def columns(self, samples: Samples, crystal_c: Floats) -> Floats:
        """Bases, then ageing, then hysteresis: shape (n, bases + effects).

        Each part has a base of its own, so the drift is told by what happens within parts, and the
        base of the last one is that of its end: the oscillator as it was left.
        """
        columns = [np.asarray(self.part[:, None] == np.arange(self.bases), dtype=np.float64)]
        if self.ageing:
            columns.append(drift_days(samples, self.log_per_day)[:, None])
        if self.hysteresis:
            loop = play(samples, crystal_c, self.play_c) if self.play_c else samples.direction
            columns.append(loop[:, None])
        return np.hstack(columns)


def drift_days(samples: Samples, log_per_day: float) -> Floats:
    """Days before the end of the last run, or the like of them on a logarithmic clock, scaled to their slope there.

    So the coefficient of either is the drift per day at the end.
    """
    days = (samples.time_s - samples.time_s.min()) / SECONDS_PER_DAY
    last = float(days[samples.run == samples.run.max()].max())
    if log_per_day == 0:
        return np.asarray(days - last)
    return np.asarray((np.log1p(log_per_day * days) - math.log1p(log_per_day * last)) * (1 / log_per_day + last))


def play(samples: Samples, crystal_c: Floats, width_c: float) -> Floats:
    """Position in a slot with play that the temperature drags along: -1/2 (cooled) to +1/2 (heated), per run."""
    position = np.empty_like(crystal_c)
    half_c = width_c / 2
    for run in np.unique(samples.run):
        own = samples.run == run
        slots: list[float] = []
        slot = float(crystal_c[own][0])
        for now in crystal_c[own].tolist():
            if slot < now - half_c:
                slot = now - half_c
            elif slot > now + half_c:
                slot = now + half_c
            slots.append(slot)
        position[own] = (crystal_c[own] - np.array(slots)) / width_c
    return position


def why_no_lag(samples: Samples) -> str:
    """The reason for which a lag cannot be told before any look at the offsets; empty if it can."""
    if not samples.has_time:
        return "the log has no time"
    return "" if samples.sweeps > 1 else "one sweep only: a lag shifts the curve and leaves no trace"


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
    if column.size == 0:
        return 0.0
    orthogonal = np.linalg.qr(others)[0]
    left = column - orthogonal @ (orthogonal.T @ column)
    about_mean = column - column.mean()
    total = float(about_mean @ about_mean)
    return float(left @ left) / total if total > 0 else 0.0


def gate_words(lag_s: float, uncertainty_s: float, interval_s: float) -> str:
    """That a lag is so short that the counter can be its cause; empty if it is longer.

    A reading is a mean over a gate, which lasts as long as the interval at most. Stamped at the gate's end it
    speaks of a time half a gate before, stamped at its start of one half a gate after.

    >>> gate_words(5.1, 0.2, 10.0)[:48]
    'no longer than half of the 10 s between samples,'
    >>> gate_words(-170.0, 0.5, 10.0)
    ''
    """
    if abs(lag_s) - SIGNIFICANT * uncertainty_s > interval_s / 2:
        return ""
    return (
        f"no longer than half of the {interval_s:g} s between samples, to three times its uncertainty: perhaps the counter's "
        "own averaging over its gate rather than the crystal's lag"
    )


def judged(name: str, value: float, uncertainty: float, share: float, form: str = "") -> Effect:
    """Judge an estimated effect: found, none seen, or undetermined."""
    unit = UNITS[name]
    if share < INDEPENDENT_SHARE:
        reason = f"the curve and the other effects imitate {100 * (1 - share):.2f} % of it in these runs"
        return Effect(name, unit, "undetermined", reason=reason)
    if abs(value) > SIGNIFICANT * uncertainty:
        return Effect(name, unit, "found", value, uncertainty, form)
    reason = f"estimated {value:.3g} {unit}, not beyond three times its uncertainty"
    return Effect(name, unit, "none seen", 0.0, uncertainty, reason)
