"""Response to changing temperature: an offset that goes with the rate, by an amount that depends on the temperature."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from tcomp.estimation.effects.effect import Effect, Estimates, Exposure, Outline
from tcomp.estimation.effects.finding import SIGNIFICANT, Finding, RateResponse, Reason, Status, lagrange, lobatto_c
from tcomp.estimation.effects.hysteresis import RATES_DIFFER
from tcomp.estimation.samples import Conditions, Samples
from tcomp.estimation.thermal_lag import BRIDGED, SensorLog, lagged, segment_bounds
from tcomp.logs.record import GAP_INTERVALS
from tcomp.units import SECONDS_PER_MINUTE, degc_text

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

HIGHEST_DEGREE = 3
"""Of the polynomial in temperature: a crystal's slope is a parabola, and a cubic leaves room for a compensation."""
GRID = 12
"""Time constants on the grid that is scanned first."""
LONGEST_SHARE = 0.25
"""Of the longest run: behind a slower filter the rate is a temperature, and the curve imitates it."""
START_S, START_SHARE = 300.0, 0.1
"""Time over which the rate at a start is taken, or the time constant if that is shorter, and six samples at least; behind a long
time constant this share of it: over minutes the sensor's noise would be taken for a ramp that went on for hours."""


@dataclass(frozen=True)
class Response(Effect):
    """g(Tx) w, with w the crystal's rate of change behind a first-order filter and g a polynomial in its temperature.

    w = (Tx - T_tau) / tau with tau dT_tau/dt = Tx - T_tau.  Divided by tau it is a rate, so that g hardly changes with the
    time constant: on a steady ramp not at all.  g is described by its values at the Chebyshev-Lobatto points of its range.

    Attributes
    ----------
    low_c, high_c : float
        Range of the polynomial; beyond it the value at its end. [degC]
    degree : int
        Of the polynomial; -1: there is no response so far.
    tau_s : float
        Time constant. [s]
    shortest_s, longest_s : float
        Time constants between which it lies. [s]
    free : bool
        Whether the time constant is estimated.
    """

    name: ClassVar[str] = "response"
    unit: ClassVar[str] = "ppb/(degC/min)"
    looked_for: ClassVar[bool] = True
    predicted: ClassVar[bool] = True
    of_the_board: ClassVar[bool] = True

    low_c: float = 0.0
    high_c: float = 1.0
    degree: int = -1
    tau_s: float = 0.0
    shortest_s: float = 0.0
    longest_s: float = float("inf")
    free: bool = True

    def why_not(self, samples: Samples, conditions: Conditions) -> Reason | None:
        """It needs times, and both directions."""
        if not samples.has_time:
            return Reason.NO_TIME
        return Reason.ONE_DIRECTION if np.unique(samples.direction[samples.direction != 0]).size < 2 else None

    @property
    def size(self) -> int:
        """As many columns as the polynomial has coefficients."""
        return self.degree + 1

    def columns(self, exposure: Exposure, crystal_c: Floats) -> Floats:
        """Lagrange polynomials times the filtered rate. [degC/min]"""
        if self.degree < 0:
            return np.empty((crystal_c.size, 0))
        rate_c_per_min = rate_of(exposure, crystal_c, self.tau_s)
        return lagrange(crystal_c, self.low_c, self.high_c, self.size) * rate_c_per_min[:, None]

    @property
    def parameters(self) -> tuple[str, ...]:
        """The time constant, where it is free."""
        return ("response time constant",) if self.free and self.degree >= 0 else ()

    @property
    def values(self) -> tuple[float, ...]:
        """The time constant, where it is free. [s]"""
        return (self.tau_s,) if self.parameters else ()

    def with_values(self, values: Sequence[float]) -> Self:
        """Another time constant, where it is free."""
        return replace(self, tau_s=values[0]) if values else self

    def stepped(self, steps: Sequence[float]) -> Self:
        """A step changes the time constant by half of it at most, and leaves it within what is tried."""
        reached_s = self.tau_s + float(np.clip(steps[0], -self.tau_s / 3, self.tau_s / 2))
        return replace(self, tau_s=float(np.clip(reached_s, self.shortest_s, self.longest_s)))

    def jacobian(
        self, exposure: Exposure, sensor: SensorLog, crystal_c: Floats, slope_ppb_per_c: Floats, coef: Floats
    ) -> Floats:
        """g times the change of the filtered rate with the time constant. [ppb/s]"""
        if not self.parameters:
            return np.empty((crystal_c.size, 0))
        step_s = 0.01 * self.tau_s
        ends = [rate_of(exposure, crystal_c, self.tau_s + sign * step_s) for sign in (1, -1)]
        of_rate = lagrange(crystal_c, self.low_c, self.high_c, self.size) @ coef
        return np.asarray(of_rate * (ends[0] - ends[1]) / (2 * step_s))[:, None]

    def held(self) -> Self:
        """The time constant held."""
        return replace(self, free=False)

    def freed(self) -> Self:
        """As it is: only a response that was looked for has a parameter."""
        return replace(self, degree=-1)

    def forms(
        self, samples: Samples, conditions: Conditions, low_c: float, high_c: float
    ) -> tuple[tuple[Self, ...], ...]:
        """For each time constant of a grid the polynomials that are tried, the simplest first.

        One rate without a soak does not tell a response that is alike at all temperatures from a loop.
        """
        interval_s = samples.interval_s
        longest_s = LONGEST_SHARE * max(
            float(samples.time_s[b - 1] - samples.time_s[a]) for a, b in segment_bounds(samples.run)
        )
        taus_s = np.geomspace(interval_s, max(longest_s, 2 * interval_s), GRID)
        of_range = replace(
            self, low_c=low_c, high_c=high_c, degree=HIGHEST_DEGREE, shortest_s=interval_s / 4, longest_s=longest_s
        )
        return tuple(replace(of_range, tau_s=float(tau_s)).simpler(conditions) for tau_s in taus_s)

    def simpler(self, conditions: Conditions) -> tuple[Self, ...]:
        """Polynomials of lower degree."""
        lowest = 1 if one_rate(conditions) and not conditions.soaked else 0
        return tuple(replace(self, degree=degree) for degree in range(lowest, self.degree + 1))

    def displaces(self, conditions: Conditions) -> tuple[str, ...]:
        """At one rate a loop looks the same."""
        return ("hysteresis",) if self.degree >= 0 and one_rate(conditions) else ()

    def findings(self, own: Estimates, samples: Samples) -> Iterator[Finding]:
        """One finding: the largest value along the range, and with it all others."""
        if self.degree < 0:
            return
        size = self.size
        tau_u_s = float(np.sqrt(own.covariance[size, size])) if own.values else 0.0
        covariance = own.covariance[:size, :size]
        found = RateResponse(
            tau_s=self.tau_s, tau_u_s=tau_u_s, low_c=self.low_c, high_c=self.high_c,
            values=tuple(own.coef.tolist()), covariance=tuple(map(tuple, covariance.tolist())),
        )  # fmt: skip
        if min(own.share(column) for column in range(size)) < LEAST_SHARE:
            yield Finding(self.name, self.unit, Status.UNDETERMINED, reason=Reason.RESPONSE_IMITATED)
            return
        at_c, value, u, most = largest(found)
        if np.max(np.abs(value) / np.maximum(u, 1e-300)) <= SIGNIFICANT:
            reason = f"estimated {value[most]:.3g} {self.unit}, not beyond three times its uncertainty"
            yield Finding(self.name, self.unit, Status.NONE_SEEN, 0.0, float(u[most]), reason)
            return
        yield Finding(
            self.name,
            self.unit,
            Status.FOUND,
            float(value[most]),
            float(u[most]),
            found.words(at_c[most]),
            response=found,
        )

    @classmethod
    def from_findings(cls, findings: Sequence[Finding]) -> Self | None:
        """The response that was found, held."""
        for one in findings:
            if one.name == cls.name and one.response is not None:
                own = one.response
                return cls(own.low_c, own.high_c, len(own.values) - 1, own.tau_s, free=False)
        return None

    @property
    def kind(self) -> float:
        """The degree of the polynomial."""
        return self.degree

    def common(self, others: Sequence[Self]) -> Self:
        """Over the usual range."""
        low_c, high_c = (float(np.median([getattr(one, end) for one in others])) for end in ("low_c", "high_c"))
        return replace(self, low_c=low_c, high_c=high_c)

    def figures(self, findings: Sequence[Finding]) -> tuple[Floats, Floats]:
        """Its values at the points of the range [ppb/(degC/min)], and the time constant [s]."""
        own = next(one.response for one in findings if one.response is not None)
        at_c = lobatto_c(self.low_c, self.high_c, self.size)
        columns = lagrange(at_c, own.low_c, own.high_c, len(own.values))
        covariance = np.zeros((self.size + 1,) * 2)
        covariance[:-1, :-1] = columns @ np.array(own.covariance) @ columns.T
        covariance[-1, -1] = own.tau_u_s**2
        return np.array([*(columns @ np.array(own.values)), own.tau_s]), covariance

    def at_figures(self, figures: Floats) -> Self:
        """With this time constant."""
        return replace(self, tau_s=float(figures[-1]), free=True)

    def of_lot(self, figures: Floats, covariance: Floats) -> tuple[Finding, ...]:
        """One finding."""
        own = RateResponse(
            tau_s=float(figures[-1]), tau_u_s=float(np.sqrt(covariance[-1, -1])), low_c=self.low_c, high_c=self.high_c,
            values=tuple(figures[:-1].tolist()), covariance=tuple(map(tuple, covariance[:-1, :-1].tolist())),
        )  # fmt: skip
        _, value, u, most = largest(own)
        return (
            Finding(self.name, self.unit, Status.GIVEN, float(value[most]), float(u[most]), Reason.OF_THE_LOT, own),
        )

    def remarks(
        self, finding: Finding, samples: Samples, conditions: Conditions, steepest_ppb_per_c: float
    ) -> Iterator[str]:
        """That one rate does not tell it from a loop."""
        if finding.status == Status.FOUND and one_rate(conditions):
            yield (
                f"the response was seen at one rate, {conditions.fastest_c_per_min:.2g} degC/min: a loop whose width changes with "
                "temperature would look alike, and would not grow with the rate; two rates and a reversal inside the range tell "
                "them apart"
            )

    def separation(self, outline: Outline) -> Iterator[str]:
        """Where there are two rates, or a reversal inside of the range."""
        rates = (*outline.heating_c_per_min, *outline.cooling_c_per_min)
        two_rates = bool(rates) and max(rates) >= RATES_DIFFER * min(rates)
        ends_c = (
            {min(soak.at_c for soak in outline.soaks), max(soak.at_c for soak in outline.soaks)}
            if outline.soaks
            else set()
        )
        inside = [soak.at_c for soak in outline.soaks if soak.at_c not in ends_c]
        if two_rates and inside:
            yield (
                f"response: it grows with the rate, from {min(rates):.2g} to {max(rates):.2g} degC/min, and is gone in the soak at "
                f"{degc_text(inside[0])} degC; a loop stays"
            )


def largest(response: RateResponse) -> tuple[Floats, Floats, Floats, int]:
    """Temperatures along the range, the response and its standard uncertainty there, and where it is largest."""
    at_c = np.linspace(response.low_c, response.high_c, 41)
    value = response.at(at_c)
    return at_c, value, response.u_at(at_c), int(np.argmax(np.abs(value)))


LEAST_SHARE = 0.001
"""Share of a column that nothing else imitates from which a response is identifiable."""


def one_rate(conditions: Conditions) -> bool:
    """Whether all ramps are about as fast as each other."""
    rates = [abs(rate) for rate in conditions.rates_c_per_min if rate]
    return not rates or max(rates) < RATES_DIFFER * min(rates)


def rate_of(exposure: Exposure, crystal_c: Floats, tau_s: float) -> Floats:
    """Filtered rate of the crystal's temperature, shape (n,), through rows too that have a temperature alone. [degC/min]

    There the crystal is taken to be as far from its sensor as at the samples around.
    """
    unread = exposure.unread
    if not unread.time_s.size:
        return filtered_rate(exposure.time_s, exposure.run, crystal_c, tau_s)
    apart_c = crystal_c - exposure.temperature_c
    between_c = unread.temperature_c.copy()
    for run in np.unique(unread.run):
        own, rows = exposure.run == run, unread.run == run
        between_c[rows] += np.interp(unread.time_s[rows], exposure.time_s[own], apart_c[own])
    time_s, run_of = np.append(exposure.time_s, unread.time_s), np.append(exposure.run, unread.run)
    order = np.lexsort((time_s, run_of))
    rate = np.empty(time_s.size)
    rate[order] = filtered_rate(time_s[order], run_of[order], np.append(crystal_c, between_c)[order], tau_s)
    return rate[: crystal_c.size]


def filtered_rate(time_s: Floats, run: Ints, temperature_c: Floats, tau_s: float) -> Floats:
    """Rate of a temperature behind a first-order filter, shape (n,). [degC/min]

    The filter starts anew in each run, and behind each gap that is long beside its time constant.

    Examples
    --------
    A ramp of 2 degC/min from a soak is followed by 63 % within one time constant:

    >>> t = np.arange(0.0, 1000.0, 10.0)
    >>> T = np.maximum(0.0, t - 500.0) / 30.0
    >>> rate = filtered_rate(t, np.zeros(t.size, dtype=int), T, 100.0)
    >>> rate[[50, 60]].round(3).tolist()
    [0.0, 1.264]
    """
    rate = np.empty_like(temperature_c)
    for start, stop in segment_bounds(filter_segments(time_s, run, tau_s)):
        own_s, own_c = time_s[start:stop], temperature_c[start:stop]
        first = starting_rate(own_s, own_c, tau_s) * SECONDS_PER_MINUTE
        rate[start:stop] = rate_behind(own_s, own_c, tau_s, first)
    return rate


def rate_behind(time_s: Floats, temperature_c: Floats, tau_s: float, first_c_per_min: float) -> Floats:
    """Filtered rate of one stretch, which begins with a given one, shape (n,). [degC/min]"""
    one = np.zeros(time_s.size, dtype=np.int64)
    behind_c = lagged(time_s, temperature_c, one, tau_s, -tau_s * first_c_per_min / SECONDS_PER_MINUTE)
    return np.asarray((temperature_c - behind_c) * (SECONDS_PER_MINUTE / tau_s))


def filter_segments(time_s: Floats, run: Ints, tau_s: float) -> Ints:
    """Numbers of the stretches through which a filter runs, shape (n,)."""
    step_s, same = np.diff(time_s), np.diff(run) == 0
    usual_s = float(np.median(step_s[same])) if same.any() else 0.0
    apart = ~same | (step_s > max(GAP_INTERVALS * usual_s, BRIDGED * tau_s))
    return np.concatenate([[0], np.cumsum(apart)])


def starting_rate(time_s: Floats, temperature_c: Floats, tau_s: float) -> float:
    """Slope at a start. [degC/s]"""
    count = max(6, int(np.searchsorted(time_s, time_s[0] + min(tau_s, max(START_S, START_SHARE * tau_s)))))
    t = time_s[:count] - time_s[:count].mean()
    spread = float(t @ t)
    return float(t @ temperature_c[:count]) / spread if spread > 0 else 0.0
