"""Thermal lag: one or two time constants between the sensor and the crystal."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import CurveError
from tcomp.estimation.effects.dynamics import FollowTerm, TimeConstant
from tcomp.estimation.effects.effect import Effect, Exposure, Limit, Outline
from tcomp.estimation.effects.finding import SIGNIFICANT, Finding, Reason, Status
from tcomp.estimation.samples import Conditions, Samples
from tcomp.estimation.thermal_lag import SensorLog, segment_bounds
from tcomp.units import SECONDS_PER_MINUTE

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

GRID = 28
"""Time constants per sign on the grid that is scanned first: steps of about 20 to 30 %."""
UNKNOWN_LAG_S = 60.0
"""A lag that a small board may well have: the unit in which an undetermined one is said to hurt."""
MIN_PPB = 1e-3
"""One ppt, the firmware's unit: a smaller shift is not worth a remark."""
NAMES = ("lag", "second lag")
STRAINED = 0.1
"""Share of the time in which the runs cross the range, from which a lag may be something else: on a ramp sensor and crystal would
be apart by a tenth of the range, which no first-order path between two places of one board leaves (common practice, no source)."""


@dataclass(frozen=True)
class Lag(Effect):
    """First-order lags, one after the other: tau dTx/dt = Ts - Tx; tau < 0 is a sensor that lags the crystal.

    Attributes
    ----------
    lags_s : tuple of float
        Time constants, the longest first; none yet: the crystal is taken to be as warm as its sensor. [s]
    free : bool
        Whether they are estimated.
    """

    name: ClassVar[str] = "lag"
    unit: ClassVar[str] = "s"
    of_the_board: ClassVar[bool] = True
    limit: ClassVar[Limit | None] = Limit(
        kind="board", figure="most_lag_s", instead="times in another unit, or two oscillators"
    )

    lags_s: tuple[float, ...] = ()
    free: bool = True

    def why_not(self, samples: Samples, conditions: Conditions) -> Reason | None:
        """It needs times, and two sweeps or a soak that is known to tell it."""
        if not samples.has_time:
            return Reason.NO_TIME
        return None if samples.sweeps > 1 or conditions.soak_tells_lag else Reason.ONE_SWEEP_LAG

    def check_given(self, value: float, samples: Samples) -> None:
        """Refuse a lag of more than half of the longest run."""
        if not samples.has_time:
            return
        longest_s = max(float(samples.time_s[b - 1] - samples.time_s[a]) for a, b in segment_bounds(samples.run))
        if abs(value) > longest_s / 2:
            raise CurveError(
                f"[fit] lag = {value:g} s is more than half of the longest run, {longest_s:.0f} s, which could then tell "
                'nothing; give seconds, or "auto"'
            )

    def given(self, value: float) -> Self:
        """One time constant, held."""
        return type(self)((value,), free=False)

    @property
    def finding_names(self) -> tuple[str, ...]:
        """Of one time constant and of two."""
        return NAMES

    @property
    def parameters(self) -> tuple[str, ...]:
        """The time constants, where they are free."""
        return NAMES[: len(self.lags_s)] if self.free else ()

    @property
    def values(self) -> tuple[float, ...]:
        """The free time constants. [s]"""
        return self.lags_s if self.free else ()

    def with_values(self, values: Sequence[float]) -> Self:
        """Other time constants, where they are free."""
        return replace(self, lags_s=tuple(values)) if self.free else self

    def stepped(self, steps: Sequence[float]) -> Self:
        """Each step is held to what the linearisation can bear."""
        return self.with_values([_stepped(lag_s, float(step)) for lag_s, step in zip(self.values, steps, strict=True)])

    def jacobian(
        self, exposure: Exposure, sensor: SensorLog, crystal_c: Floats, slope_ppb_per_c: Floats, coef: Floats
    ) -> Floats:
        """The curve's slope times the change of the crystal's temperature with each time constant. [ppb/s]"""
        if not self.values:
            return np.empty((crystal_c.size, 0))
        return np.column_stack(
            [slope_ppb_per_c * self._sensitivity(sensor, which) for which in range(len(self.lags_s))]
        )

    def _sensitivity(self, sensor: SensorLog, which: int) -> Floats:
        """Change of the crystal temperature with one of the time constants. [degC/s]"""
        step_s = max(0.5, 0.01 * abs(self.lags_s[which]))
        ends = [
            sensor.crystal_c((*self.lags_s[:which], self.lags_s[which] + sign * step_s, *self.lags_s[which + 1 :]))
            for sign in (1, -1)
        ]
        return np.asarray((ends[0] - ends[1]) / (2 * step_s))

    def expected(self, lag_s: float) -> Self:
        """One free time constant."""
        return type(self)((lag_s,))

    def held(self) -> Self:
        """The time constants held."""
        return replace(self, free=False)

    def freed(self) -> Self:
        """One free time constant, from none on."""
        return type(self)((0.0,))

    def ordered(self) -> Self:
        """The longest time constant first."""
        return replace(self, lags_s=tuple(sorted(self.lags_s, key=abs, reverse=True)))

    @property
    def searched(self) -> bool:
        """Where it is free."""
        return self.free

    def grid(self, sensor: SensorLog) -> tuple[Self, ...]:
        """Zero, and time constants of both signs, where they are free."""
        return tuple(type(self)((float(lag_s),)) for lag_s in lag_grid_s(sensor)) if self.free else ()

    def finer(self) -> tuple[Self, ...]:
        """A second time constant: from sensor to board to crystal, or a sensor's own."""
        if not self.free or len(self.lags_s) != 1:
            return ()
        return (type(self)((*self.lags_s, 0.0)),)

    def strained(self, conditions: Conditions, span_c: float) -> bool:
        """Where the lag shifts ramps by a large share of the range."""
        return self.free and abs(sum(self.lags_s)) > STRAINED * conditions.crossing_s(span_c)

    @property
    def degenerate(self) -> bool:
        """Whether two time constants nearly cancel: together they smooth the sensor's noise, which is no lag."""
        lags_s = self.lags_s
        return len(lags_s) > 1 and lags_s[0] * lags_s[1] < 0 and abs(lags_s[1]) > 0.5 * abs(lags_s[0])

    @property
    def imitates_itself(self) -> bool:
        """Two time constants always imitate each other."""
        return len(self.lags_s) > 1

    @property
    def moves_temperature(self) -> bool:
        """It does."""
        return True

    @property
    def time_constants_s(self) -> tuple[float, ...]:
        """Those that are not zero. [s]"""
        return tuple(lag_s for lag_s in self.lags_s if lag_s != 0)

    def crystal_c(self, sensor: SensorLog, temperature_c: Floats) -> Floats:
        """Temperature behind the time constants. [degC]"""
        return sensor.behind(temperature_c, self.lags_s)

    def crystal_errors_c(self, sensor: SensorLog, errors_c: Floats) -> Floats:
        """Errors behind the time constants. [degC]"""
        return sensor.errors_behind(errors_c, self.lags_s)

    def start_columns(self, sensor: SensorLog) -> Floats:
        """The decay of each start of the filter. [1]"""
        return sensor.start_columns(self._longest_s)

    def settled(self, sensor: SensorLog) -> Mask:
        """Samples two time constants behind a start."""
        return sensor.settled(self._longest_s)

    @property
    def _longest_s(self) -> float:
        return max(self.lags_s, default=0.0)

    def unsettled_words(self, usable: int, total: int) -> str:
        """The runs are too short for it."""
        if not self.lags_s:
            return ""
        return (
            f"with a thermal lag of {sum(self.lags_s):.0f} s, only {usable} of {total} samples have "
            "settled behind the start of its filter and lie within the range: log runs many times longer than the lag, "
            "with a soak at each end, and state in [fit] no other lag than a known one"
        )

    def form(self, value: float, uncertainty: float, samples: Samples) -> str:
        """That it may be the counter's own."""
        return gate_words(value, uncertainty, samples.interval_s)

    def follow_terms(self, findings: Sequence[Finding]) -> tuple[FollowTerm, ...]:
        """Its time constants."""
        return tuple(TimeConstant(lag_s=lag_s) for lag_s in self.time_constants_s)

    @classmethod
    def from_findings(cls, findings: Sequence[Finding]) -> Self | None:
        """The time constants that are known, held."""
        lags_s = tuple(one.value for one in findings if one.name in NAMES and one.value != 0)
        return cls(lags_s, free=False) if lags_s else None

    @property
    def kind(self) -> float:
        """How many time constants."""
        return len(self.lags_s)

    def figures(self, findings: Sequence[Finding]) -> tuple[Floats, Floats]:
        """The time constants. [s]"""
        own = [one for one in findings if one.name in NAMES and one.value != 0]
        return np.array([one.value for one in own]), np.diag([one.uncertainty**2 for one in own])

    def at_figures(self, figures: Floats) -> Self:
        """With these time constants."""
        return type(self)(tuple(figures.tolist()))

    def of_lot(self, figures: Floats, covariance: Floats) -> tuple[Finding, ...]:
        """A finding for each time constant."""
        return tuple(
            Finding(name, self.unit, Status.GIVEN, float(lag_s), math.sqrt(variance), Reason.OF_THE_LOT)
            for name, lag_s, variance in zip(NAMES, figures.tolist(), np.diag(covariance).tolist(), strict=False)
        )

    def remarks(
        self, finding: Finding, samples: Samples, conditions: Conditions, steepest_ppb_per_c: float
    ) -> Iterator[str]:
        """What an unknown lag would do to the curve, and that the samples are too sparse for it."""
        if finding.status == Status.UNDETERMINED and conditions.rates_c_per_min:
            rate = conditions.fastest_c_per_min
            shift_ppb = UNKNOWN_LAG_S / SECONDS_PER_MINUTE * rate * steepest_ppb_per_c
            if shift_ppb >= MIN_PPB:
                yield (
                    f"the thermal lag is undetermined ({finding.reason}); each {UNKNOWN_LAG_S:g} s of it would shift the "
                    f"curve by up to {shift_ppb:.3g} ppb at the runs' {rate:.2g} degC/min"
                )
        if samples.has_time:
            yield from _sparse_remark(finding, samples.interval_s)

    def temperature_u_c(self, findings: Sequence[Finding], apart_c: Floats) -> Floats:
        """All time constants together, against their sum: sensor less crystal is the sum times the crystal's rate."""
        total_s = sum(self.lags_s)
        if total_s == 0:
            return np.zeros_like(apart_c)
        us = [one.uncertainty for one in findings if one.name in NAMES and one.value and one.uncertainty > 0]
        return np.asarray(math.hypot(*us) / abs(total_s) * np.abs(apart_c))

    def separation(self, outline: Outline) -> Iterator[str]:
        """Where there is a soak."""
        if outline.soaks:
            yield "lag: it shifts a ramp by rate times time constant, and decays in a soak"


def lag_grid_s(sensor: SensorLog) -> Floats:
    """Zero, and time constants of both signs from the sampling interval to a tenth of the longest run. [s]"""
    shortest = float(np.median(np.diff(sensor.time_s)[np.diff(sensor.segment) == 0]))
    longest = max(float(sensor.time_s[b - 1] - sensor.time_s[a]) for a, b in segment_bounds(sensor.run)) / 10
    grid = np.geomspace(shortest, max(longest, 2 * shortest), GRID)
    return np.concatenate([-grid[::-1], [0.0], grid])


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


def _stepped(lag_s: float, step_s: float) -> float:
    """A time constant after a step, which is held to what the linearisation can bear. [s]"""
    reach_s = 0.5 * abs(lag_s) + 20.0
    return lag_s + min(max(step_s, -reach_s), reach_s)


def _sparse_remark(lag: Finding, interval_s: float) -> Iterator[str]:
    """Warn that a lag shorter than the interval rests on straight lines between the samples, or is not identifiable."""
    if lag.status == Status.NONE_SEEN:
        reach_s = SIGNIFICANT * lag.uncertainty
        if 0.1 * interval_s < reach_s < interval_s:
            yield (
                f"the samples are {interval_s:.0f} s apart and a lag of up to {reach_s:.0f} s cannot be excluded, which the "
                "curve's uncertainty does not hold; log more often"
            )
    elif lag.known and interval_s > abs(lag.value):
        yield (
            f"the samples are {interval_s:.0f} s apart, further than the lag of {lag.value:.0f} s reaches: what the temperature "
            "did between them is not known, so the curve may be further off than its uncertainty says; log more often"
        )
