"""The sensor's temperature without the sensor's own steps and noise.

A sensor whose steps its noise does not average out is smoothed by the intervals that its readings stand for
(`coarse_sensor`); any other as follows.

The chamber is slow and the sensor is not: a local parabola through neighbouring samples keeps what
the temperature does and averages what the sensor adds.  Its width is chosen from the data, where
the temperature at each sample is best predicted by the samples around it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.estimation.coarse_sensor import DRAWS, interval_temperature, is_coarse, plateaus
from tcomp.estimation.samples import Samples
from tcomp.estimation.thermal_lag import SensorErrors, SensorLog, segment_bounds

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
WIDTHS = (5, 7, 9, 13, 19, 27, 39)
"""Samples in a window, from the fewest that leave a parabola something to average."""


@dataclass(frozen=True)
class SmoothTemperature:
    """Temperature, its rate and how that changes after smoothing, over ``width`` samples, and the noise that was found. [degC]"""

    temperature_c: Floats
    rate_c_per_s: Floats
    bend_c_per_s2: Floats
    width: int
    noise_c: float
    step_c: float = 0.0
    """Step of a coarse sensor, whose readings were taken as intervals; 0: a parabola was laid through them. [degC]"""


def smooth_temperature(time_s: Floats, temperature_c: Floats, segment: Ints) -> SmoothTemperature:
    """Smooth within each segment, over the width that predicts best.

    ``noise_c`` is the standard deviation of a sample about the prediction of its neighbours, less
    what the neighbours' own noise adds.

    Examples
    --------
    >>> t = 10.0 * np.arange(300)
    >>> true_c = 20.0 + 5.0 * np.sin(t / 800.0)
    >>> stepped_c = np.round(true_c / 0.25) * 0.25
    >>> smooth = smooth_temperature(t, stepped_c, np.zeros(300, dtype=int))
    >>> bool(np.std(smooth.temperature_c - true_c) < 0.6 * np.std(stepped_c - true_c))
    True
    """
    best = None
    for width in WIDTHS:
        value, rate, bend, own, known = local_parabolas(time_s, temperature_c, segment, width)
        if not known.any():
            break
        left = (temperature_c - value)[known] / (1.0 - own[known])
        # The noise of a predicted value: that of the sample and of the parabola without it, 1 / (1 - own) in variance.
        predicted = float(np.mean(left**2))
        if best is None or predicted < best[0]:
            noise_c = float(np.sqrt(np.mean(left**2 * (1.0 - own[known]))))
            best = (predicted, SmoothTemperature(value, rate, bend, width, noise_c))
    if best is None:
        still = np.zeros_like(temperature_c)
        return SmoothTemperature(temperature_c, still, still, 1, 0.0)
    return best[1]


def local_parabolas(
    time_s: Floats, temperature_c: Floats, segment: Ints, width: int
) -> tuple[Floats, Floats, Floats, Floats, NDArray[np.bool_]]:
    """Value, rate and second derivative at each sample, the sample's own weight in that value, and where there were
    samples enough."""
    value, rate, bend = temperature_c.copy(), np.zeros_like(temperature_c), np.zeros_like(temperature_c)
    own, known = np.ones_like(temperature_c), np.zeros(temperature_c.size, dtype=bool)
    for start, stop in segment_bounds(segment):
        if stop - start < width:
            continue
        place = np.arange(start, stop)
        first = np.clip(place - width // 2, start, stop - width)
        window = first[:, None] + np.arange(width)
        t = time_s[window] - time_s[place, None]
        scale = np.abs(t).max(axis=1)
        t /= scale[:, None]
        T = temperature_c[window] - temperature_c[place, None]
        powers = np.stack([np.ones_like(t), t, t * t], axis=1)
        inverse = np.linalg.inv(powers @ powers.swapaxes(1, 2))
        coef = (inverse @ (powers @ T[:, :, None]))[:, :, 0]
        value[place] = temperature_c[place] + coef[:, 0]
        rate[place] = coef[:, 1] / scale
        bend[place] = 2.0 * coef[:, 2] / scale**2
        own[place] = inverse[:, 0, 0]
        known[place] = own[place] < 0.99
    return value, rate, bend, own, known


def sensor_log(samples: Samples) -> tuple[SensorLog, tuple[SmoothTemperature, ...]]:
    """The sensor's temperature with its own noise smoothed away, run by run; an unordered table is left as it is."""
    temperature_c, rate, bend = samples.temperature_c.copy(), *np.zeros((2, samples.temperature_c.size))
    smoothing = []
    errors: SensorErrors | None = None
    for number, (start, stop) in enumerate(segment_bounds(samples.run) if samples.has_time else []):
        own = slice(start, stop)
        time_s, reading_c, segment = samples.time_s[own], samples.temperature_c[own], samples.segment[own]
        step_c = samples.sensor_steps_c[number]
        if is_coarse(time_s, reading_c, segment, step_c):
            smooth, found = _from_intervals(time_s, reading_c, segment, step_c, number)
            errors = errors or SensorErrors.none(samples.temperature_c.size, DRAWS)
            errors.draws_c[own], errors.sharing[own] = found.draws_c, found.sharing
            errors.in_step_c[own] = found.in_step_c
        else:
            smooth = smooth_temperature(time_s, reading_c, segment)
        temperature_c[own], rate[own], bend[own] = smooth.temperature_c, smooth.rate_c_per_s, smooth.bend_c_per_s2
        smoothing.append(smooth)
    # A cell's length squared is 12 times the variance of its samples' times; the chord of a parabola lies a twelfth of it
    # above, times the second derivative.
    chord_c = None if samples.cells is None else bend * samples.cells.spread_s**2
    log = SensorLog(samples.time_s, temperature_c, rate, samples.run, samples.segment, chord_c, errors)
    return log, tuple(smoothing)


def _from_intervals(
    time_s: Floats, reading_c: Floats, segment: Ints, step_c: float, number: int
) -> tuple[SmoothTemperature, SensorErrors]:
    """A run of a coarse sensor: its temperature, and what is not known of it."""
    found = interval_temperature(time_s, reading_c, segment, step_c, seed=number)
    sharing = np.empty(reading_c.size)
    for start, stop in segment_bounds(segment):
        sizes = plateaus(reading_c[start:stop], step_c)[1]
        sharing[start:stop] = np.repeat(sizes, sizes)
    rate = np.concatenate([_rate(time_s[a:b], found.temperature_c[a:b]) for a, b in segment_bounds(segment)])
    still = np.zeros_like(rate)  # straight between corners
    smooth = SmoothTemperature(found.temperature_c, rate, still, 1, found.noise_c, step_c)
    return smooth, SensorErrors(found.errors_c, sharing, found.in_step_c)


def _rate(time_s: Floats, temperature_c: Floats) -> Floats:
    """Slope at each sample of a segment. [degC/s]"""
    return np.asarray(np.gradient(temperature_c, time_s)) if time_s.size > 1 else np.zeros(1)
