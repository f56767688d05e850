"""The samples of a verification run that can be judged, as sensor and crystal saw them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.documents.check import LegKind
from tcomp.errors import RunError
from tcomp.estimation.effects.response import filtered_rate
from tcomp.estimation.samples import Samples, samples_of
from tcomp.estimation.sensor_smoothing import sensor_log
from tcomp.estimation.thermal_lag import segment_bounds
from tcomp.logs.legs import Leg
from tcomp.logs.prepared import PreparedRun
from tcomp.units import SECONDS_PER_DAY, degc_text
from tcomp.upkeep.calibration import Calibration

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

LEAST = 2
"""Fewer samples have no remainder about their own mean."""


@dataclass(frozen=True, eq=False)
class VerificationRun:
    """Judged samples, in time, or in temperature where there is no time; arrays of shape (n,).

    Attributes
    ----------
    sensor_c, smooth_c, crystal_c
        What the sensor said; the same without its noise and steps; what the crystal saw. [degC]
    response_ppb
        What a known response adds while the temperature changes; of ``offset_ppb`` it is a part.
    offset_ppb
        What was measured, brought to the end of its run with the known ageing, and to the references of the quantities besides
        temperature that the logs hold. [ppb]
    run, leg
        Numbers of the run, and of the leg among ``legs``.
    direction
        +0.5 in a heating sweep, -0.5 in a cooling one, 0 in neither.
    lag_s : float
        Sum of the time constants that part sensor and crystal; 0: none known, or no time. [s]
    sensor_u_c : float
        Standard uncertainty of a reading of the sensor. [degC]
    time_s : ndarray of shape (n,) or None
        None: no time. [s]
    widths : tuple of int
        Samples over which the sensor was smoothed, by run.
    outside, unsettled : int
        Samples that are not judged: out of range, or soon after a start of the lag filter.
    """

    sensor_c: Floats
    smooth_c: Floats
    crystal_c: Floats
    response_ppb: Floats
    offset_ppb: Floats
    run: Ints
    leg: Ints
    direction: Floats
    lag_s: float
    sensor_u_c: float
    time_s: Floats | None
    widths: tuple[int, ...]
    outside: int
    unsettled: int
    logs: tuple[str, ...]
    legs: tuple[Leg, ...]

    @property
    def bounds(self) -> list[tuple[int, int]]:
        """Stretches within which samples are neighbours."""
        return segment_bounds(self.run)

    @property
    def apart(self) -> bool:
        """Whether what the crystal saw differs from what the sensor said, or a response comes on top."""
        return bool((self.crystal_c != self.sensor_c).any() or self.response_ppb.any())


def fresh_samples(subject: Calibration, runs: tuple[PreparedRun, ...]) -> VerificationRun:
    """Take the samples that can be judged.

    Samples outside the range, by sensor or crystal, are counted and left out, and so are those
    that the lag filter's unknown start still touches.

    Raises
    ------
    RunError
        None is left.
    """
    samples = samples_of(runs)
    smooth_c, crystal_c, settled, widths = _seen(subject, samples)
    low_c, high_c = subject.range_c
    lowest_c, highest_c = np.minimum(crystal_c, samples.temperature_c), np.maximum(crystal_c, samples.temperature_c)
    inside = (lowest_c >= low_c) & (highest_c <= high_c)
    judged = np.flatnonzero(inside & settled)
    if judged.size < LEAST:
        raise RunError(_too_few(subject, runs, judged.size, inside.size))
    if not samples.has_time:
        judged = judged[np.argsort(samples.temperature_c[judged], kind="stable")]
    return VerificationRun(
        sensor_c=samples.temperature_c[judged], smooth_c=smooth_c[judged], crystal_c=crystal_c[judged],
        response_ppb=_response_ppb(subject, samples, crystal_c)[judged],
        offset_ppb=(_at_end_of_run(samples, subject.ageing_ppb_per_day) - _added_ppb(subject, samples))[judged],
        run=samples.run[judged], leg=_leg_of_sample(runs)[judged], direction=samples.direction[judged],
        lag_s=sum(subject.lags_s) if samples.has_time else 0.0,
        sensor_u_c=_sensor_u_c(runs, (samples.temperature_c - smooth_c)[judged]),
        time_s=samples.time_s[judged] if samples.has_time else None, widths=widths,
        outside=int((~inside).sum()), unsettled=int((inside & ~settled).sum()),
        logs=tuple(one.run.name for one in runs), legs=tuple(leg for one in runs for leg in one.legs),
    )  # fmt: skip


def _seen(subject: Calibration, samples: Samples) -> tuple[Floats, Floats, Mask, tuple[int, ...]]:
    """Smoothed sensor, crystal, the samples settled, and how many were smoothed together in each run; without a curve or a time
    all is as the sensor said."""
    if subject.curve is None or not samples.has_time:
        alone = (1,) * (int(samples.run.max()) + 1)
        return samples.temperature_c, samples.temperature_c, np.ones(samples.temperature_c.size, dtype=bool), alone
    sensor, smoothing = sensor_log(samples)
    settled = sensor.settled(max(subject.lags_s, default=0.0))
    return sensor.temperature_c, sensor.crystal_c(subject.lags_s), settled, tuple(one.width for one in smoothing)


def _response_ppb(subject: Calibration, samples: Samples, crystal_c: Floats) -> Floats:
    """What a known response adds at each sample; nothing without times. [ppb]"""
    if subject.response is None or not samples.has_time:
        return np.zeros_like(crystal_c)
    rate = filtered_rate(samples.time_s, samples.run, crystal_c, subject.response.tau_s)
    return np.asarray(subject.response.at(crystal_c) * rate)


def _added_ppb(subject: Calibration, samples: Samples) -> Floats:
    """What quantities besides temperature add where the fresh logs hold them. [ppb]"""
    parts = (
        term.at(samples.regressors[name]) for name, term in subject.regressors.items() if name in samples.regressors
    )
    return sum(parts, np.zeros(samples.offset_ppb.size))


def _too_few(subject: Calibration, runs: tuple[PreparedRun, ...], judged: int, count: int) -> str:
    low_c, high_c = subject.range_c
    later = ", later than two time constants of the lag after a start" if subject.lags_s else ""
    return (
        f"{', '.join(one.run.name for one in runs)}: {judged} of {count} samples can be judged; expected samples from "
        f"{degc_text(low_c)} to {degc_text(high_c)} degC{later}; log a run there"
    )


def _at_end_of_run(samples: Samples, ageing_ppb_per_day: float) -> Floats:
    """Offsets with the known ageing taken off from each sample to the end of its run. [ppb]"""
    if not samples.has_time or ageing_ppb_per_day == 0:
        return samples.offset_ppb
    ends_s = np.array([samples.time_s[samples.run == run].max() for run in np.unique(samples.run)])
    return np.asarray(
        samples.offset_ppb + ageing_ppb_per_day * (ends_s[samples.run] - samples.time_s) / SECONDS_PER_DAY
    )


def _leg_of_sample(runs: tuple[PreparedRun, ...]) -> Ints:
    lengths = [leg.samples for one in runs for leg in one.legs]
    return np.repeat(np.arange(len(lengths)), lengths)


def _sensor_u_c(runs: tuple[PreparedRun, ...], noise_c: Floats) -> float:
    """Scatter about the smoothed temperature, and at least that of the sensor's steps (rectangular)."""
    quantum_c = max(one.run.quantum_c for one in runs)
    return max(float(np.std(noise_c)), quantum_c / math.sqrt(12))


CELLS = 8
"""Equal parts of the temperatures that were judged."""


@dataclass(frozen=True)
class Part:
    """A cell of temperature or a leg, with RMS and mean of each remainder there. [degC] [degC/min] [ppb]"""

    log: str | None
    leg: LegKind | None
    low_c: float
    high_c: float
    rate_c_per_min: float
    samples: int
    rms_ppb: tuple[float, ...]
    mean_ppb: tuple[float, ...]

    @property
    def words(self) -> str:
        """Which samples."""
        return "all legs" if self.leg is None else f"{self.log}: {self.leg}"


def parts_by_temperature(fresh: VerificationRun, errors_ppb: Sequence[Floats]) -> tuple[Part, ...]:
    """Equal cells of the sensor's temperature; those without samples are left out."""
    edges = np.linspace(fresh.sensor_c.min(), fresh.sensor_c.max(), CELLS + 1)
    cell = np.clip(np.searchsorted(edges, fresh.sensor_c, side="right") - 1, 0, CELLS - 1)
    nan = float("nan")
    return tuple(
        _part(None, None, float(edges[i]), float(edges[i + 1]), nan, cell == i, errors_ppb)
        for i in range(CELLS)
        if (cell == i).any()
    )


def parts_by_leg(fresh: VerificationRun, errors_ppb: Sequence[Floats]) -> tuple[Part, ...]:
    """Each leg of which samples were judged."""
    parts = []
    for number in np.unique(fresh.leg):
        leg, here = fresh.legs[number], fresh.leg == number
        log = fresh.logs[fresh.run[np.argmax(here)]]
        at_c = fresh.sensor_c[here]
        parts.append(_part(log, leg.kind, float(at_c.min()), float(at_c.max()), leg.rate_c_per_min, here, errors_ppb))
    return tuple(parts)


def _part(
    log: str | None,
    leg: LegKind | None,
    low_c: float,
    high_c: float,
    rate_c_per_min: float,
    here: Mask,
    errors_ppb: Sequence[Floats],
) -> Part:
    inside = [error[here] for error in errors_ppb]
    rms_ppb = tuple(root_mean_square(error) for error in inside)
    mean_ppb = tuple(float(error.mean()) for error in inside)
    return Part(log, leg, low_c, high_c, rate_c_per_min, int(here.sum()), rms_ppb, mean_ppb)


def root_mean_square(values: Floats) -> float:
    """Root of the mean square.

    >>> root_mean_square(np.array([3.0, -4.0, 0.0, 0.0]))
    2.5
    """
    return float(np.sqrt(np.mean(values**2)))
