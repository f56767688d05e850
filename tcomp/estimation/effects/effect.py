"""What every effect can say of itself; a new one is a class of this kind in a file of its own, and a line in the family."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar, Protocol, Self

import numpy as np
from numpy.typing import NDArray

from tcomp.estimation.effects.dynamics import FollowTerm
from tcomp.estimation.effects.finding import Finding, Reason, judged
from tcomp.estimation.samples import Conditions, Samples, Unread
from tcomp.estimation.thermal_lag import SensorLog

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]


class Exposure(Protocol):
    """What the columns of an effect are made from: measured samples, or the readings of a schedule. Arrays are (n,)."""

    @property
    def time_s(self) -> Floats:
        """Times. [s]"""

    @property
    def run(self) -> Ints:
        """Number of the run."""

    @property
    def direction(self) -> Floats:
        """+0.5 in a heating and -0.5 in a cooling sweep."""

    @property
    def regressors(self) -> Mapping[str, Floats]:
        """Quantities besides temperature, by name."""

    @property
    def temperature_c(self) -> Floats:
        """The sensor's readings. [degC]"""

    @property
    def unread(self) -> Unread:
        """What the temperature did where there is nothing else to see."""


@dataclass(frozen=True, kw_only=True)
class Limit:
    """The size beyond which an effect is unlikely: a row of ``typical.csv``, and what else would look like it."""

    kind: str
    figure: str
    instead: str


@dataclass(frozen=True, kw_only=True)
class Soak:
    """A soak of a planned schedule. [degC] [min]"""

    at_c: float
    ends_min: float
    again: bool
    """Whether it repeats a temperature from the other direction."""


@dataclass(frozen=True, kw_only=True)
class Outline:
    """A planned schedule as far as effects ask: soaks, and the rates of its ramps in both directions. [degC/min]"""

    soaks: tuple[Soak, ...]
    heating_c_per_min: tuple[float, ...]
    cooling_c_per_min: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class Estimates:
    """What a fit says of an effect's own columns: coefficients of the linear ones, values of the free parameters, and the
    covariance of both, shape (p, p); ``share`` of a column that nothing else in the fit imitates."""

    coef: Floats
    values: tuple[float, ...]
    covariance: Floats
    share: Callable[[int], float]


class Effect:
    """A cause that moves the offset besides the curve itself.

    An effect has linear columns, or nonlinear parameters, or both.  Nonlinear parameters enter a fit by their Jacobian.
    One that moves the temperature acts through the slope of the curve.  Instances are frozen dataclasses; the
    defaults here are those of an effect that does nothing.
    """

    name: ClassVar[str]
    unit: ClassVar[str]
    taken_off: ClassVar[bool] = True
    """Whether it is taken off the offsets before curves are compared on sweeps left out; False: it is for the curve to
    average over."""
    slow: ClassVar[bool] = False
    """Whether weeks of daily cycles tell it: it needs no ramp, no sweep and no fast reading."""
    limit: ClassVar[Limit | None] = None
    looked_for: ClassVar[bool] = False
    """Whether it is looked for in what the other effects leave, by `forms`; else it is in the fit from the beginning."""
    predicted: ClassVar[bool] = False
    """Whether its linear columns follow from the temperature alone, so that a prediction holds them."""
    of_the_board: ClassVar[bool] = False
    """Whether units of one board and part have it in common, so that a lot tells it of a unit that does not."""

    # --- before a fit

    def why_not(self, samples: Samples, conditions: Conditions) -> Reason | None:
        """Why the data cannot identify it, known before any look at the offsets; None if they may."""
        return None

    def check_given(self, value: float, samples: Samples) -> None:
        """Refuse a value that the job gives and these samples cannot bear, by a CurveError."""

    def given(self, value: float) -> Self:
        """The effect held at a value that the job gives. [unit]"""
        raise NotImplementedError(f"{self.name} cannot be given")

    @property
    def finding_names(self) -> tuple[str, ...]:
        """Names under which it may be found."""
        return (self.name,)

    # --- linear part

    @property
    def size(self) -> int:
        """Number of linear columns."""
        return 0

    @property
    def reported(self) -> tuple[str, ...]:
        """Names of the linear columns that are findings."""
        return (self.name,) * self.size

    @property
    def levels(self) -> int:
        """Levels of the offset that it adds; a fit of coarse readings begins anew where their number changes."""
        return 0

    def columns(self, exposure: Exposure, crystal_c: Floats) -> Floats:
        """Linear columns, shape (n, size). [1/unit times ppb]"""
        return np.empty((crystal_c.size, 0))

    def stated_ppb(self, exposure: Exposure, crystal_c: Floats) -> Floats:
        """What it adds to the offset by values that are known before the fit, shape (n,). [ppb]"""
        return np.zeros(crystal_c.size)

    def stated_errors_ppb(
        self, exposure: Exposure, sensor: SensorLog, crystal_c: Floats, slope_ppb_per_c: Floats
    ) -> Floats:
        """What independent standard errors of such values do to the offset, shape (n, errors). [ppb]"""
        return np.empty((crystal_c.size, 0))

    # --- nonlinear part

    @property
    def parameters(self) -> tuple[str, ...]:
        """Names of the free nonlinear parameters."""
        return ()

    @property
    def values(self) -> tuple[float, ...]:
        """Their values. [unit]"""
        return ()

    def with_values(self, values: Sequence[float]) -> Self:
        """The effect with other values of its free parameters."""
        return self

    def stepped(self, steps: Sequence[float]) -> Self:
        """The effect after a Gauss-Newton step, which may be cut to what the linearisation can bear."""
        return self.with_values([value + step for value, step in zip(self.values, steps, strict=True)])

    def jacobian(
        self, exposure: Exposure, sensor: SensorLog, crystal_c: Floats, slope_ppb_per_c: Floats, coef: Floats
    ) -> Floats:
        """Derivative of the offset with respect to the free parameters, shape (n, parameters). [ppb/unit]

        ``coef`` are the coefficients of its own linear columns.
        """
        return np.empty((crystal_c.size, 0))

    def expected(self, lag_s: float) -> Self:
        """The effect as a plan expects it, about which the fit will be linear."""
        return self

    def held(self) -> Self:
        """The effect with its nonlinear parameters held."""
        return self

    def freed(self) -> Self:
        """The effect with free parameters, from the beginning."""
        return self

    def ordered(self) -> Self:
        """The same effect with like parameters in their usual order."""
        return self

    @property
    def searched(self) -> bool:
        """Whether its parameters are looked for over a grid first."""
        return False

    def grid(self, sensor: SensorLog) -> tuple[Self, ...]:
        """Forms that are tried before the first step, since there may be several minima; empty: none needed."""
        return ()

    def finer(self) -> tuple[Self, ...]:
        """Finer forms of it, to be kept where they lower the error on held-out sweeps."""
        return ()

    def forms(
        self, samples: Samples, conditions: Conditions, low_c: float, high_c: float
    ) -> tuple[tuple[Self, ...], ...]:
        """Forms in which it is looked for in what a fit without it leaves: at each point of a grid the simplest first, each
        holding the columns of those before it."""
        return ()

    def simpler(self, conditions: Conditions) -> tuple[Self, ...]:
        """The same with fewer columns, the simplest first and it itself last."""
        return (self,)

    def displaces(self, conditions: Conditions) -> tuple[str, ...]:
        """Names of the effects that such runs do not identify beside it."""
        return ()

    def strained(self, conditions: Conditions, span_c: float) -> bool:
        """Whether it is so large beside what the runs did over a range that something else may have taken its place. [degC]"""
        return False

    @property
    def degenerate(self) -> bool:
        """Whether its parameters cancel each other, so that it is another effect than it says."""
        return False

    def cancels(self, coef: Floats) -> bool:
        """Whether coefficients of its linear columns, shape (size,), cancel each other."""
        return False

    @property
    def imitates_itself(self) -> bool:
        """Whether its parameters always imitate each other, so that held-out data must say whether they are kept."""
        return False

    # --- the crystal's temperature

    @property
    def moves_temperature(self) -> bool:
        """Whether it makes the crystal's temperature another than the sensor's."""
        return False

    @property
    def time_constants_s(self) -> tuple[float, ...]:
        """First-order time constants of a filter from sensor to crystal, as a logged reading passes it. [s]"""
        return ()

    def crystal_c(self, sensor: SensorLog, temperature_c: Floats) -> Floats:
        """Temperature behind it, shape (n,). [degC]"""
        return temperature_c

    def crystal_errors_c(self, sensor: SensorLog, errors_c: Floats) -> Floats:
        """What errors of the sensor become behind it, shape (n, draws). [degC]"""
        return errors_c

    def start_columns(self, sensor: SensorLog) -> Floats:
        """Effect of one degree of error in each unknown start on the crystal's temperature, shape (n, starts). [1]"""
        return np.empty((sensor.time_s.size, 0))

    def settled(self, sensor: SensorLog) -> Mask:
        """Samples far enough from a start to be used, shape (n,)."""
        return np.ones(sensor.time_s.size, dtype=np.bool_)

    def unsettled_words(self, usable: int, total: int) -> str:
        """The error where hardly a sample is settled; empty where it cannot be the cause."""
        return ""

    # --- after a fit

    def findings(self, own: Estimates, samples: Samples) -> Iterator[Finding]:
        """What a fit says of it: of linear columns first, of nonlinear parameters then."""
        values = [*own.coef.tolist(), *own.values]
        for column, name in [*enumerate(self.reported), *enumerate(self.parameters, start=self.size)]:
            u = float(np.sqrt(own.covariance[column, column]))
            share = 1.0 if self.imitates_itself else own.share(column)
            form = self.form(values[column], u, samples)
            yield self.detailed(judged(name, self.unit, values[column], u, share, form))

    def form(self, value: float, uncertainty: float, samples: Samples) -> str:
        """The form in which it was found, in words."""
        return ""

    def detailed(self, finding: Finding) -> Finding:
        """What was found, with what the form of the effect adds to it."""
        return finding

    def follow_terms(self, findings: Sequence[Finding]) -> tuple[FollowTerm, ...]:
        """What firmware keeps to follow it while the temperature changes; none: a table at a temperature says all."""
        return ()

    @classmethod
    def from_findings(cls, findings: Sequence[Finding]) -> Self | None:
        """The effect as a curve holds it; None where the findings hold none."""
        return None

    # --- a lot

    @property
    def kind(self) -> float:
        """What units must have alike for their figures to be held against each other."""
        return 0.0

    def common(self, others: Sequence[Self]) -> Self:
        """The form in which the figures of several units are stated; it itself is one of them."""
        return self

    def figures(self, findings: Sequence[Finding]) -> tuple[Floats, Floats]:
        """Its coefficients and then its parameters, shape (k,), by findings of the same kind; and their covariance, (k, k)."""
        raise NotImplementedError(f"{self.name} is each unit's own")

    def at_figures(self, figures: Floats) -> Self:
        """The effect, free, with the parameters that stand in such figures."""
        return self

    def of_lot(self, figures: Floats, covariance: Floats) -> tuple[Finding, ...]:
        """Findings that say such figures."""
        raise NotImplementedError(f"{self.name} is each unit's own")

    def remarks(
        self, finding: Finding, samples: Samples, conditions: Conditions, steepest_ppb_per_c: float
    ) -> Iterator[str]:
        """What must not be overlooked about it, in sentences."""
        yield from ()

    def usual_step_ppb(self, days: float, *, estimated: bool) -> float:
        """By how much it usually moves the base from one run to the next, so many days later. [ppb]"""
        return 0.0

    def temperature_u_c(self, findings: Sequence[Finding], apart_c: Floats) -> Floats:
        """Standard uncertainty of the crystal's temperature by its own, where sensor less crystal is ``apart_c``. [degC]"""
        return np.zeros_like(apart_c)

    # --- a schedule

    def separation(self, outline: Outline) -> Iterator[str]:
        """How a planned schedule separates it from the other effects, in sentences."""
        yield from ()
