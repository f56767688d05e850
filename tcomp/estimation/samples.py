"""The kept samples of all runs, as plain arrays side by side."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import CurveError
from tcomp.logs.cleaning import NOT_A_NUMBER, STUCK_COUNTER
from tcomp.logs.legs import sweep_of_sample
from tcomp.logs.neighbours import quantum_of
from tcomp.logs.prepared import PreparedRun
from tcomp.logs.record import EVENT_COLUMNS, GAP_INTERVALS, REGRESSOR
from tcomp.units import SECONDS_PER_MINUTE

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Cells:
    """What is known of each sample where it is a cell of many; arrays of shape (n,).

    ``count`` is how many, ``noise_ppb`` the scatter of one of them about a line in time, ``spread_s`` the standard
    deviation of their times, ``farthest_ppb`` how far the farthest lies from the line; ``quantum_c`` the sensor's step.
    """

    count: Floats
    noise_ppb: Floats
    spread_s: Floats
    farthest_ppb: Floats
    quantum_c: float

    def part(self, which: NDArray[np.bool_] | Ints | slice) -> Cells:
        """Those of some cells."""
        return Cells(
            self.count[which], self.noise_ppb[which], self.spread_s[which], self.farthest_ppb[which], self.quantum_c
        )


@dataclass(frozen=True)
class Lost:
    """Rows that cleaning dropped, with the reason and how many samples each stands for; arrays of shape (n,)."""

    time_s: Floats
    temperature_c: Floats
    run: Ints
    reason: NDArray[np.str_]
    count: Floats


@dataclass(frozen=True, eq=False)
class Unread:
    """Rows whose temperature is known and whose reading is not, in gaps between samples and beyond their ends: a filter goes on
    through them.  Times [s], sensor's temperatures [degC], runs; shape (n,)."""

    time_s: Floats
    temperature_c: Floats
    run: Ints


NONE_UNREAD = Unread(np.zeros(0), np.zeros(0), np.zeros(0, dtype=np.int64))


@dataclass(frozen=True, eq=False)
class ClockRows:
    """Samples that are intervals between events of a clock: length [s], white phase noise at both ends [ns]; shape (n,)."""

    interval_s: Floats
    start_u_ns: Floats
    end_u_ns: Floats


NO_REGRESSORS: Mapping[str, Floats] = MappingProxyType({})
NONE_LOST = Lost(np.zeros(0), np.zeros(0), np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.str_), np.zeros(0))


@dataclass(frozen=True, kw_only=True)
class Conditions:
    """How the runs were driven: the rate of each ramp [degC/min], and whether there was a soak.

    ``soak_tells_lag``: what decays in a soak is known to be the lag, so that one sweep tells it.
    """

    rates_c_per_min: tuple[float, ...]
    soaked: bool
    soak_tells_lag: bool = False

    @property
    def fastest_c_per_min(self) -> float:
        """Of all ramps; 0 without any. [degC/min]"""
        return max(map(abs, self.rates_c_per_min), default=0.0)

    def crossing_s(self, span_c: float) -> float:
        """Time that a ramp of the median rate takes over a range [degC]; without ramps it has no end. [s]

        >>> Conditions(rates_c_per_min=(0.5, -0.5, 2.0), soaked=True).crossing_s(60.0)
        7200.0
        """
        rates = [abs(rate) for rate in self.rates_c_per_min if rate]
        return SECONDS_PER_MINUTE * span_c / float(np.median(rates)) if rates else np.inf


@dataclass(frozen=True)
class Samples:
    """Kept samples of all runs, in the order of the job and of time.

    All arrays have shape (n,).  ``time_s`` is NaN in an unordered table; ``segment`` numbers the
    parts between gaps, over all runs; ``sweep`` and ``leg`` number the sweeps and legs over all runs; ``direction``
    is +0.5 in a heating and -0.5 in a cooling sweep (0: unordered).  ``step_ppb`` is the counter's step, 0 where it shows none,
    and ``shown_ppb`` a reading of the run from which the others differ by whole steps.  With ``cells`` each sample is the mean
    of many.  ``names`` are those of the runs; ``has_clock`` is whether all their times are those of a clock;
    ``lost`` is what cleaning dropped.
    """

    time_s: Floats
    temperature_c: Floats
    offset_ppb: Floats
    run: Ints
    segment: Ints
    sweep: Ints
    leg: Ints
    direction: Floats
    step_ppb: Floats
    shown_ppb: Floats
    cells: Cells | None = None
    steps_c: tuple[float, ...] = ()
    """Step of the sensor's readings in each run [degC], 0: finer than they show; empty: found from the temperatures."""
    names: tuple[str, ...] = ()
    has_clock: bool = False
    lost: Lost = NONE_LOST
    regressors: Mapping[str, Floats] = field(default_factory=dict)
    """Quantities besides temperature, by name, each of shape (n,)."""
    clock: ClockRows | None = None
    """Where each sample is an interval between events of a clock; None: samples are readings of a frequency."""

    @classmethod
    def of_arrays(
        cls, temperature_c: Floats, offset_ppb: Floats, time_s: Floats | None = None, sweep: Ints | None = None
    ) -> Samples:
        """One run from plain arrays of shape (n,); without times the order means nothing.

        Raises
        ------
        CurveError
            The times do not ascend.
        """
        zeros, none = np.zeros(temperature_c.size), np.zeros(temperature_c.size, dtype=np.int64)
        if time_s is not None and not np.all(np.diff(time_s) > 0):
            raise CurveError("the times do not ascend; sort the samples by time, one sample for each")
        sweep = none if sweep is None else sweep
        direction = np.zeros(temperature_c.size)
        for number in np.unique(sweep) if time_s is not None else ():
            own = np.flatnonzero(sweep == number)
            direction[own] = np.sign(temperature_c[own[-1]] - temperature_c[own[0]]) / 2
        time_s = np.full(temperature_c.size, np.nan) if time_s is None else time_s
        return cls(time_s, temperature_c, offset_ppb, none, none, sweep, sweep, direction, zeros, offset_ppb)

    def run_name(self, run: int) -> str:
        """What a run is called in a message."""
        number = f"run {run + 1}"
        return f"{number} ({self.names[run]})" if self.names else number

    @property
    def arrays(self) -> dict[str, NDArray[Any]]:
        """All that has a value for each sample, by name."""
        return {name: getattr(self, name) for name in ARRAYS}

    def number(self, which: NDArray[np.bool_]) -> int:
        """How many samples these are, those in cells counted one by one."""
        return int(np.sum(which) if self.cells is None else np.sum(self.cells.count[which]))

    @property
    def has_time(self) -> bool:
        """Whether every run has a time, or at least an order in time."""
        return not bool(np.isnan(self.time_s).any())

    @cached_property
    def unread(self) -> Unread:
        """What the temperature did where readings alone are missing."""
        lost = self.lost
        missing = np.isin(lost.reason, (NOT_A_NUMBER, STUCK_COUNTER)) & np.isfinite(lost.temperature_c + lost.time_s)
        if not missing.any() or not self.has_time:
            return NONE_UNREAD
        far = missing.copy()
        for run in np.unique(lost.run[missing]):
            own, rows = self.time_s[self.run == run], np.flatnonzero(missing & (lost.run == run))
            at = np.searchsorted(own, lost.time_s[rows])
            inside = (at > 0) & (at < own.size)
            apart_s = own[np.minimum(at, own.size - 1)] - own[np.maximum(at - 1, 0)]
            far[rows[inside & (apart_s <= GAP_INTERVALS * self.interval_s)]] = False
        return Unread(lost.time_s[far], lost.temperature_c[far], lost.run[far])

    @property
    def sensor_steps_c(self) -> tuple[float, ...]:
        """Step of the sensor's readings in each run, as it is known or as the temperatures show it. [degC]"""
        return self.steps_c or tuple(quantum_of(self.temperature_c[self.run == run]) for run in np.unique(self.run))

    @property
    def interval_s(self) -> float:
        """Median time between neighbours, gaps apart; of samples that have a time. [s]"""
        return float(np.median(np.diff(self.time_s)[np.diff(self.segment) == 0]))

    @property
    def sweeps(self) -> int:
        """Number of sweeps over all runs."""
        return int(np.unique(self.sweep).size)


ARRAYS = (
    "time_s", "temperature_c", "offset_ppb", "run", "segment", "sweep", "leg", "direction", "step_ppb", "shown_ppb",
)  # fmt: skip
"""The arrays of `Samples`."""


def samples_of(runs: tuple[PreparedRun, ...]) -> Samples:
    """Put the kept samples of all runs side by side.

    Returns
    -------
    Samples
        Sweeps and segments renumbered, so that no number stands in two runs.
    """
    parts: dict[str, list[NDArray[Any]]] = {name: [] for name in ARRAYS}
    sweeps = segments = legs = 0
    for number, prepared in enumerate(runs):
        kept = prepared.run.kept
        time_s = kept["time_s"].to_numpy(dtype=np.float64)
        starts = np.array([gap.end_s for gap in prepared.run.gaps])
        segment = np.searchsorted(starts, time_s, side="right") if starts.size else np.zeros(len(kept), dtype=np.int64)
        sweep = sweep_of_sample(prepared.legs, len(kept))
        parts["time_s"].append(time_s)
        parts["temperature_c"].append(kept["temperature_c"].to_numpy(dtype=np.float64))
        parts["offset_ppb"].append(kept["offset_ppb"].to_numpy(dtype=np.float64))
        parts["run"].append(np.full(len(kept), number))
        parts["segment"].append(segment + segments)
        parts["sweep"].append(sweep + sweeps)
        parts["leg"].append(np.repeat(np.arange(len(prepared.legs)), [leg.samples for leg in prepared.legs]) + legs)
        parts["direction"].append(_direction(prepared)[sweep])
        parts["step_ppb"].append(np.full(len(kept), prepared.run.quantum_ppb))
        parts["shown_ppb"].append(np.full(len(kept), prepared.run.shown_ppb))
        segments += int(segment.max()) + 1
        sweeps += int(sweep.max()) + 1
        legs += len(prepared.legs)
    return Samples(
        **{name: np.concatenate(arrays) for name, arrays in parts.items()},
        cells=_cells(runs),
        steps_c=tuple(one.run.quantum_c for one in runs),
        names=tuple(prepared.run.name for prepared in runs),
        lost=_lost(runs),
        regressors=_regressors(runs),
        clock=_clock(runs),
        has_clock=all(prepared.run.time_kind == "clock" for prepared in runs),
    )


def conditions_of(runs: tuple[PreparedRun, ...]) -> Conditions:
    """How the runs were driven."""
    legs = [leg for prepared in runs for leg in prepared.legs]
    return Conditions(
        rates_c_per_min=tuple(leg.rate_c_per_min for leg in legs if leg.kind in ("heating", "cooling")),
        soaked=any(leg.kind == "soak" for leg in legs),
    )


def _lost(runs: tuple[PreparedRun, ...]) -> Lost:
    """What cleaning dropped of all runs."""
    frames = [one.run.frame[one.run.frame["dropped"] != ""] for one in runs]
    return Lost(
        time_s=np.concatenate([frame["time_s"].to_numpy(dtype=np.float64) for frame in frames]),
        temperature_c=np.concatenate([frame["temperature_c"].to_numpy(dtype=np.float64) for frame in frames]),
        run=np.repeat(np.arange(len(frames)), [len(frame) for frame in frames]),
        reason=np.concatenate([frame["dropped"].to_numpy(dtype=np.str_) for frame in frames]),
        count=np.concatenate(
            [
                frame["samples"].to_numpy(dtype=np.float64) if "samples" in frame else np.ones(len(frame))
                for frame in frames
            ]
        ),
    )


def _cells(runs: tuple[PreparedRun, ...]) -> Cells | None:
    """What the cells of all runs keep; None where none has any.  A sample by itself is a cell of one."""
    if not any(one.run.has_cells for one in runs):
        return None

    def column(name: str, alone: float) -> Floats:
        parts = [
            one.run.kept[name].to_numpy(dtype=np.float64) if one.run.has_cells else np.full(len(one.run.kept), alone)
            for one in runs
        ]
        return np.concatenate(parts)

    return Cells(
        column("samples", 1.0), column("noise_ppb", 0.0), column("spread_s", 0.0), column("farthest_ppb", 0.0),
        max(one.run.quantum_c for one in runs),
    )  # fmt: skip


def _regressors(runs: tuple[PreparedRun, ...]) -> Mapping[str, Floats]:
    """The quantities of [[regressor]] of all runs."""
    columns = runs[0].run.regressor_columns
    return {
        name.removeprefix(REGRESSOR): np.concatenate([one.run.kept[name].to_numpy(dtype=np.float64) for one in runs])
        for name in columns
    }


def _clock(runs: tuple[PreparedRun, ...]) -> ClockRows | None:
    """The ends of intervals between events, where all runs are of events.

    Raises
    ------
    CurveError
        Some runs are and others are not.
    """
    with_events = [one for one in runs if one.run.has_events]
    if not with_events:
        return None
    if len(with_events) < len(runs):
        other = next(one.run.name for one in runs if not one.run.has_events)
        raise CurveError(
            f"{with_events[0].run.name} holds events of a clock and {other} readings of a frequency, which are not fitted "
            "together; give each kind a job of its own"
        )
    return ClockRows(
        *(np.concatenate([one.run.kept[name].to_numpy(dtype=np.float64) for one in runs]) for name in EVENT_COLUMNS)
    )


def _direction(prepared: PreparedRun) -> Floats:
    """Direction of each sweep of a run."""
    direction = np.zeros(max(leg.sweep for leg in prepared.legs) + 1)
    for leg in prepared.legs:
        direction[leg.sweep] = 0.5 * leg.direction
    return direction
