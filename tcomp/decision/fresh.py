"""The samples of a fresh run that can be judged, as sensor and crystal saw them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.curve.samples import Samples, samples_of
from tcomp.curve.sensor_smoothing import sensor_log
from tcomp.curve.thermal_lag import segment_bounds
from tcomp.decision.subject import Subject
from tcomp.errors import RunError
from tcomp.run.legs import Leg
from tcomp.run.prepared import PreparedRun
from tcomp.units import SECONDS_PER_DAY

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

LEAST = 2
"""Fewer samples have no remainder about their own mean."""


@dataclass(frozen=True, eq=False)
class Fresh:
    """Judged samples, in time, or in temperature where there is no time; arrays of shape (n,).

    Attributes
    ----------
    sensor_c, smooth_c, crystal_c
        What the sensor said; the same without its noise and steps; what the crystal saw. [degC]
    offset_ppb
        What was measured, brought to the end of its run with the known ageing. [ppb]
    run, leg
        Numbers of the run, and of the leg among ``legs``.
    direction
        +0.5 in a heating sweep, -0.5 in a cooling one, 0 in neither.
    lag_s : float
        Sum of the time constants that part sensor and crystal; 0: none known, or no time. [s]
    sensor_u_c : float
        Standard uncertainty of a reading of the sensor. [degC]
    outside, unsettled : int
        Samples that are not judged: out of range, or soon after a start of the lag filter.
    """

    sensor_c: Floats
    smooth_c: Floats
    crystal_c: Floats
    offset_ppb: Floats
    run: Ints
    leg: Ints
    direction: Floats
    lag_s: float
    sensor_u_c: float
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
        """Whether what the crystal saw differs from what the sensor said."""
        return bool((self.crystal_c != self.sensor_c).any())


def fresh_samples(subject: Subject, runs: tuple[PreparedRun, ...]) -> Fresh:
    """Take the samples that can be judged.

    Samples outside the range, by sensor or crystal, are counted and left out, and so are those
    that the lag filter's unknown start still touches.

    Raises
    ------
    RunError
        None is left.
    """
    samples = samples_of(runs)
    smooth_c, crystal_c, settled = _seen(subject, samples)
    low_c, high_c = subject.range_c
    lowest_c, highest_c = np.minimum(crystal_c, samples.temperature_c), np.maximum(crystal_c, samples.temperature_c)
    inside = (lowest_c >= low_c) & (highest_c <= high_c)
    judged = np.flatnonzero(inside & settled)
    if judged.size < LEAST:
        raise RunError(_too_few(subject, runs, judged.size, inside.size))
    if not samples.has_time:
        judged = judged[np.argsort(samples.temperature_c[judged], kind="stable")]
    return Fresh(
        sensor_c=samples.temperature_c[judged], smooth_c=smooth_c[judged], crystal_c=crystal_c[judged],
        offset_ppb=_at_end_of_run(samples, subject.ageing_ppb_per_day)[judged],
        run=samples.run[judged], leg=_leg_of_sample(runs)[judged], direction=samples.direction[judged],
        lag_s=sum(subject.lags_s) if samples.has_time else 0.0,
        sensor_u_c=_sensor_u_c(runs, (samples.temperature_c - smooth_c)[judged]),
        outside=int((~inside).sum()), unsettled=int((inside & ~settled).sum()),
        logs=tuple(one.run.name for one in runs), legs=tuple(leg for one in runs for leg in one.legs),
    )  # fmt: skip


def _seen(subject: Subject, samples: Samples) -> tuple[Floats, Floats, Mask]:
    """Smoothed sensor, crystal, and the samples settled; without a curve or a time all is as the sensor said."""
    if subject.curve is None or not samples.has_time:
        return samples.temperature_c, samples.temperature_c, np.ones(samples.temperature_c.size, dtype=bool)
    sensor = sensor_log(samples)[0]
    return sensor.temperature_c, sensor.crystal_c(subject.lags_s), sensor.settled(max(subject.lags_s, default=0.0))


def _too_few(subject: Subject, runs: tuple[PreparedRun, ...], judged: int, count: int) -> str:
    low_c, high_c = subject.range_c
    later = ", later than two time constants of the lag after a start" if subject.lags_s else ""
    return (
        f"{', '.join(one.run.name for one in runs)}: {judged} of {count} samples can be judged; expected samples from "
        f"{low_c:.4g} to {high_c:.4g} degC{later}; log a run there"
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
