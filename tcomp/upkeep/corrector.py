"""What the crystal saw, batch after batch: the lag of `tcomp.estimation.thermal_lag`, with its state carried on."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from tcomp.budget.crystal_error import CrystalUnderTest, SensorDrift, of_a_correction, sensor_drift
from tcomp.budget.operating_points import grid_c
from tcomp.estimation.curve import Curve
from tcomp.estimation.effects.response import filter_segments, rate_behind, starting_rate
from tcomp.estimation.samples import NO_REGRESSORS
from tcomp.estimation.sensor_smoothing import local_parabolas, smooth_temperature
from tcomp.estimation.thermal_lag import BRIDGED, SETTLED, lagged, segment_bounds
from tcomp.job import Job
from tcomp.logs.record import GAP_INTERVALS
from tcomp.units import SECONDS_PER_DAY, SECONDS_PER_MINUTE
from tcomp.upkeep.calibration import Calibration

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

CONTEXT = 64
"""Samples about a batch that are handed over to the next: more than the widest window of the smoothing."""
SPIKE_C, SPIKE_STEPS = 1.0, 20.0
"""A single temperature that departs from both its neighbours by more than this, and by more than so many usual steps of the
log, is a fault of the sensor (common practice, no source).  Behind a lag it would spoil the rows of several minutes. [degC]"""
WIDTH_SAMPLES = 20_000
"""Samples from which the width of that window is fitted."""
START_SHARE = 1 / math.sqrt(2)
"""The filter takes a start to be on the ramp behind it. If the board was at rest before, all of that lag is wrong. Either is as
likely (our assumption), so that the root mean square of the error is this share of the lag."""


@dataclass(frozen=True, eq=False)
class _Carried:
    """The last samples of a batch, how far each lag's output was from its input there; when the filter started, and how far all
    lags together parted crystal and sensor then."""

    time_s: Floats
    sensor_c: Floats
    apart_c: tuple[float, ...]
    start_s: float
    start_apart_c: float


class CrystalFilter:
    """Follows a log; feed it the batches in order.

    Parameters
    ----------
    lags_s : tuple of float
        Time constants, one after the other; negative: the sensor's own. [s]

    Examples
    --------
    A ramp of 1 degC/min in two batches, and a lag of 60 s: 1 degC behind, and settled after two time constants.

    >>> t = np.arange(0.0, 600.0, 10.0)
    >>> filter = CrystalFilter((60.0,))
    >>> first, second = filter.follow(t[:20], t[:20] / 60.0), filter.follow(t[20:], t[20:] / 60.0)
    >>> round(float(t[-1] / 60.0 - second[0][-1]), 6), int(np.sum(~first[1]))
    (1.0, 12)
    """

    def __init__(self, lags_s: tuple[float, ...]) -> None:
        self.lags_s = tuple(sorted(lags_s))
        self._longest_s = max(self.lags_s, default=0.0)
        self._gap_s = self._spike_c = 0.0
        self._width = 0
        self._before: _Carried | None = None

    def follow(
        self, time_s: Floats, sensor_c: Floats, ahead: tuple[Floats, Floats] | None = None
    ) -> tuple[Floats, Mask, Floats]:
        """Temperature of the crystal, whether the filter has settled, and the standard uncertainty that its start leaves; NaN and
        False where time or sensor is missing, or the sensor shows a single wild value.

        Parameters
        ----------
        time_s, sensor_c : ndarray of shape (n,)
            The batch. [s] [degC]
        ahead : tuple of ndarray, default=None
            Times and temperatures that follow: a start is judged by the ramp behind it.

        Returns
        -------
        crystal_c, settled, start_u_c : ndarray of shape (n,)
            The last decays with the longest lag. [degC]
        """
        # Without a lag a row needs no time.
        crystal_c = np.full(time_s.size, np.nan) if self.lags_s else sensor_c.copy()
        settled, start_u_c = np.isfinite(crystal_c), np.zeros(time_s.size)
        known = np.isfinite(time_s) & np.isfinite(sensor_c)
        if known.any():
            crystal_c[known], settled[known], start_u_c[known] = self._follow(time_s[known], sensor_c[known], ahead)
        return crystal_c, settled, start_u_c

    def _follow(
        self, time_s: Floats, sensor_c: Floats, ahead: tuple[Floats, Floats] | None
    ) -> tuple[Floats, Mask, Floats]:
        before = self._before
        parts = [(time_s, sensor_c), self._near(time_s[-1], ahead)]
        if before is not None:
            parts.insert(0, (before.time_s, before.sensor_c))
        all_s, all_c = (np.concatenate(column) for column in zip(*parts, strict=True))
        # A time that stands twice is one moment, and its first temperature counts.
        anew = np.diff(all_s, prepend=-np.inf) != 0
        t, sensor = all_s[anew], all_c[anew]
        place = (np.cumsum(anew) - 1)[: all_s.size - parts[-1][0].size]
        if self._gap_s == 0:
            self._learn(t, sensor)
        sound = ~self._spikes(sensor)
        wild = ~sound[place[place.size - time_s.size :]]
        t, sensor, place = t[sound], sensor[sound], np.maximum((np.cumsum(sound) - 1)[place], 0)
        if self._width == 0:
            self._width = self._window(t, sensor)
        last, begin = int(place[-1]), before.time_s.size - 1 if before is not None else 0
        starts = np.diff(t, prepend=t[0])
        starts = (starts < 0) | (starts > self._gap_s)
        starts[: begin + 1] = False
        starts[0] = before is None
        segment = np.cumsum(starts)
        crystal, apart_c, behind_c = self._seen(t, sensor, segment, begin, last)
        carried = (before.start_s, before.start_apart_c) if before is not None else (np.nan, 0.0)
        started = np.append(carried[0], t[starts])[segment]
        start_apart_c = np.append(carried[1], behind_c[starts])[segment]
        self._before = _Carried(
            t[max(0, last + 1 - CONTEXT) : last + 1], sensor[max(0, last + 1 - CONTEXT) : last + 1], apart_c,
            float(started[last]), float(start_apart_c[last]),
        )  # fmt: skip
        own = place[place.size - time_s.size :]
        settled = t - started >= SETTLED * self._longest_s
        left = np.exp(-(t - started) / self._longest_s) if self._longest_s > 0 else np.zeros_like(t)
        start_u_c = START_SHARE * np.abs(start_apart_c) * left
        crystal_c = np.where(wild, np.nan, crystal[own] if self.lags_s else sensor_c)
        return crystal_c, settled[own] & ~wild, start_u_c[own]

    def _learn(self, time_s: Floats, sensor_c: Floats) -> None:
        """From the first batch: what a gap is, and what a wild value."""
        steps_s, steps_c = np.diff(time_s), np.abs(np.diff(sensor_c))
        usual_s = float(np.median(steps_s[steps_s > 0])) if (steps_s > 0).any() else 0.0
        self._gap_s = max(GAP_INTERVALS * usual_s, BRIDGED * self._longest_s)
        self._spike_c = max(SPIKE_C, SPIKE_STEPS * float(np.median(steps_c[steps_c > 0]))) if steps_c.any() else SPIKE_C

    def _window(self, time_s: Floats, sensor_c: Floats) -> int:
        """Samples over which the sensor is smoothed, from the first batch; 1 where nothing asks for its rate."""
        if not self.lags_s or self.lags_s[0] >= 0:
            return 1
        head = slice(0, WIDTH_SAMPLES)
        gaps = np.diff(time_s[head], prepend=time_s[0])
        segment = np.cumsum((gaps < 0) | (gaps > self._gap_s), dtype=np.int64)
        return smooth_temperature(time_s[head], sensor_c[head], segment).width

    def _spikes(self, sensor_c: Floats) -> Mask:
        """Single values that depart from both neighbours to the same side."""
        rise, fall = np.diff(sensor_c, prepend=sensor_c[0]), -np.diff(sensor_c, append=sensor_c[-1])
        return np.minimum(np.abs(rise), np.abs(fall)) * np.sign(rise * fall) > self._spike_c

    def _near(self, end_s: float, ahead: tuple[Floats, Floats] | None) -> tuple[Floats, Floats]:
        """What follows within the longest time constant, and no fewer samples than a window needs."""
        if ahead is None:
            return np.empty(0), np.empty(0)
        known = np.isfinite(ahead[0]) & np.isfinite(ahead[1])
        time_s, sensor_c = ahead[0][known], ahead[1][known]
        far = time_s > end_s + self._longest_s
        count = max(int(np.argmax(far)) if far.any() else time_s.size, CONTEXT)
        return time_s[:count], sensor_c[:count]

    def _seen(
        self, t: Floats, sensor: Floats, segment: Ints, begin: int, last: int
    ) -> tuple[Floats, tuple[float, ...], Floats]:
        """The lags one after the other; the sensor's own, which is negative, is undone first.

        With how far each is behind at the last sample, and all positive ones at each sample.
        """
        seen, aparts, behind_c = sensor, [], np.zeros_like(sensor)
        for number, lag_s in enumerate(self.lags_s):
            if lag_s < 0:
                value, rate = local_parabolas(t, seen, segment, self._width)[:2] if self._width > 1 else (seen, 0.0)
                seen, apart_c = value - lag_s * rate, 0.0
            else:
                known = self._before.apart_c[number] if self._before is not None else None
                behind = seen.copy()
                behind[begin:] = lagged(t[begin:], seen[begin:], segment[begin:], lag_s, known)
                apart_c = float(behind[last] - seen[last])
                behind_c = behind_c + behind - seen
                seen = behind
            aparts.append(apart_c)
        return seen, tuple(aparts), behind_c


class RateFilter:
    """Follows the rate of the crystal's temperature behind the filter of a response; feed it the batches in order.

    Examples
    --------
    A ramp of 1 degC/min in two batches, as it was before the log:

    >>> t = np.arange(0.0, 600.0, 10.0)
    >>> filter = RateFilter(100.0)
    >>> first, second = filter.follow(t[:20], t[:20] / 60.0), filter.follow(t[20:], t[20:] / 60.0)
    >>> [float(one[-1].round(6)) for one in (first, second)]
    [1.0, 1.0]
    """

    def __init__(self, tau_s: float) -> None:
        self._tau_s = tau_s
        self._before: tuple[float, float, float] | None = None
        """Last time, temperature, and rate."""

    def follow(self, time_s: Floats, crystal_c: Floats) -> Floats:
        """Filtered rate, shape (n,); NaN where time or temperature is missing. [degC/min]"""
        rate = np.full(time_s.size, np.nan)
        known = np.flatnonzero(np.isfinite(time_s) & np.isfinite(crystal_c))
        if not known.size:
            return rate
        t, T = time_s[known], crystal_c[known]
        parts = filter_segments(t, np.zeros(t.size, dtype=np.int64), self._tau_s)
        for start, stop in segment_bounds(parts):
            own_s, own_c = t[start:stop], T[start:stop]
            going_on = start == 0 and self._before is not None and self._goes_on(own_s)
            if going_on and self._before is not None:
                own_s, own_c = np.append(self._before[0], own_s), np.append(self._before[1], own_c)
                first = self._before[2]
            else:
                first = starting_rate(own_s, own_c, self._tau_s) * SECONDS_PER_MINUTE
            found = rate_behind(own_s, own_c, self._tau_s, first)
            rate[known[start:stop]] = found[1:] if going_on else found
        self._before = float(t[-1]), float(T[-1]), float(rate[known[-1]])
        return rate

    def _goes_on(self, time_s: Floats) -> bool:
        """Whether a batch follows the last one without a gap."""
        assert self._before is not None
        usual_s = float(np.median(np.diff(time_s))) if time_s.size > 1 else 0.0
        return 0 < float(time_s[0]) - self._before[0] <= max(GAP_INTERVALS * usual_s, BRIDGED * self._tau_s)


STATES = ("ok", "after a start", "outside range", "no reading", "no time", "no temperature", "before the mark")
"""What is to be said of a row; a later word outweighs an earlier one."""
OK, AFTER_A_START, OUTSIDE, NO_READING, NO_TIME, NO_TEMPERATURE, BEFORE_THE_MARK = range(len(STATES))

GRID = 4097
"""Temperatures at which uncertainty and slope are taken; straight between them."""
FINE = 2**16 + 1
"""Temperatures at which the curve is: over 80 degC a straight line between them is 6e-6 ppb off where a crystal bends by
30 ppb/degC**2, and 1e-4 ppb in a narrow dip."""
COARSE = 64
"""Intervals over which the slope of a table alone is taken."""


class Drift(Protocol):
    """How the base has moved since it was stated."""

    def moved(self, time_s: Floats) -> tuple[Floats, Floats]:
        """By how much, and with what standard uncertainty. [ppb]"""


@dataclass(frozen=True, eq=False)
class Offsets:
    """Offset and standard uncertainty of each row, NaN where unknown, and its state; shape (n,). [ppb]"""

    offset_ppb: Floats
    u_ppb: Floats
    state: NDArray[np.int8]


class Corrector:
    """Gives the offsets of a log, batch after batch.

    While the temperature changes the offset holds the response, if one was found. The variance is the sum of those of the curve
    (its covariance and the reference), of the table (rectangular, JCGM 100:2008 4.3.7), of the lag (slope times rate times the
    time constant's uncertainty, and slope times what its unknown start leaves), of the response (its own times the rate), of the
    sensor's reading (slope times its uncertainty), and of the base's drift; and of each quantity besides temperature that of its
    coefficients, or where its value is not known what it spread by in the runs. Where the job is known, all else that the verdict
    counts is in it, too: loop, retrace, noise, the sensor's drift (`budget.crystal_error.of_a_correction`). Beyond the range the
    offset of its end is held, and its uncertainty is not known.

    Parameters
    ----------
    subject : Calibration
        The curve, or table with its curve.
    sensor_u_c : float, default=0.0
        Standard uncertainty of a reading of the sensor. [degC]
    drift : Drift, default=None
        How the base has moved; None: it has not.
    timed : bool, default=True
        False: the readings have no time, so that the crystal is taken to be as warm as its sensor.
    job : Job, default=None
        How the instrument is used; None: only what curve, table and sensor tell is counted.
    built_s : float, default=None
        When the sensor was as in the runs; None: not known, and it has drifted as far as it may. [s]

    Examples
    --------
    A table that says +1000 ppb everywhere, within 1.73 ppb:

    >>> from tcomp.tables import CorrectionTable, StepLayout, TemperatureScale
    >>> table = CorrectionTable(
    ...     layout=StepLayout(count=2, first_code=0, step_log2=9, interpolation="linear"),
    ...     scale=TemperatureScale(16), low_code=0, high_code=512, entry_bits=16, unit_log2_ppt=6,
    ...     entries=(15625, 15625), max_error_ppb=1.7320508, rms_error_ppb=1.0)
    >>> found = Corrector(Calibration(None, table)).offsets(np.zeros(2), np.array([20.0, 40.0]))
    >>> found.offset_ppb.tolist(), found.u_ppb.round(3).tolist(), [STATES[one] for one in found.state]
    ([1000.0, 1000.0], [1.0, nan], ['ok', 'outside range'])
    """

    def __init__(
        self,
        subject: Calibration,
        *,
        sensor_u_c: float = 0.0,
        drift: Drift | None = None,
        timed: bool = True,
        job: Job | None = None,
        built_s: float | None = None,
    ) -> None:
        self.subject, self._drift = subject, drift
        self._filter = CrystalFilter(subject.lags_s if timed else ())
        self._response = subject.response if timed else None
        self._rate = RateFilter(self._response.tau_s) if self._response is not None else None
        low_c, high_c = subject.range_c
        self._grid_c = np.linspace(low_c, high_c, GRID)
        curve, table = subject.curve, subject.table
        constant = 0.0 if table is None else table.max_error_ppb**2 / 3
        of_curve = 0.0 if curve is None else curve.uncertainty_ppb(self._grid_c) ** 2
        slope = self._slope_ppb_per_c()
        self._variance = of_curve + constant + (slope * sensor_u_c) ** 2
        self._slope = slope
        self._sensor_drift: SensorDrift | None = None
        if job is not None and curve is not None:
            self._variance = of_curve + self._listed_variance(job, curve)
            self._sensor_drift, self._built_s = sensor_drift(job)[0], built_s
            self._slope_at_trim = float(curve.slope_ppb_per_c(np.array([curve.reference_c]))[0])
            self._trimmed_s = curve.base_clock_s if curve.trimmed else built_s
        # Read once, at so many temperatures that a straight line between them is the curve to 1e-4 ppb: the same time for
        # every kind of curve.  Of a table at its own codes.
        at_c = np.linspace(low_c, high_c, FINE) if table is None else np.sort(table.temperature_of(table.codes))
        self._shape = at_c, subject.shape_ppb(at_c)

    def beyond_ppb(self, sensor_c: Floats) -> Floats:
        """Standard uncertainty beyond the range of the curve, where the offset of its end is held: how far the curve, continued, is
        from that, and its own u there; NaN without a curve, shape (n,). [ppb]"""
        curve = self.subject.curve
        if curve is None:
            return np.full(sensor_c.size, np.nan)
        apart_ppb = np.abs(curve.continued_ppb(sensor_c) - curve.offset_ppb(sensor_c))
        return np.asarray(apart_ppb + curve.uncertainty_ppb(sensor_c))

    def _slope_ppb_per_c(self) -> Floats:
        """On the grid; of a table alone from point to point so far apart that its steps do not show."""
        if self.subject.curve is not None:
            return self.subject.curve.slope_ppb_per_c(self._grid_c)
        apart_c = self._grid_c[:: GRID // COARSE]
        return np.interp(self._grid_c, apart_c, np.gradient(self.subject.shape_ppb(apart_c), apart_c))

    def _listed_variance(self, job: Job, curve: Curve) -> Floats:
        """Variance of all that the list counts besides the curve's own, on the grid. [ppb**2]"""
        own = replace(job, use=replace(job.use, range_c=(float(self._grid_c[0]), float(self._grid_c[-1]))))
        known = CrystalUnderTest(own, curve, self.subject.table)
        moments = known.service().even(0.0)
        upwards = replace(moments, at=np.arange(moments.at.size)[np.newaxis])
        variance = np.zeros(upwards.at.shape)
        for one in of_a_correction(known):
            variance = variance + one.u_ppb(upwards) ** 2
        return np.asarray(np.interp(self._grid_c, grid_c(known.range_c), variance[0]))

    def _drifted_variance(self, time_s: Floats, slope: Floats) -> Floats:
        """Variance by the sensor's drift since the base was as the curve states it. [ppb**2]"""
        drift = self._sensor_drift
        if drift is None:
            return np.zeros_like(slope)
        if self._built_s is None or self._trimmed_s is None:
            age_days, days = 0.0, np.full_like(slope, drift.life_days)
        else:
            age_days = (self._trimmed_s - self._built_s) / SECONDS_PER_DAY
            days = np.abs(np.nan_to_num(time_s, nan=self._trimmed_s) - self._trimmed_s) / SECONDS_PER_DAY
        effect = drift.effect_ppb_per_c(slope, self._slope_at_trim, age_days, days)
        return effect**2 * drift.half_c**2 / 3

    def _temperature_variance_c2(self, apart_c: Floats) -> Floats:
        """Variance of the crystal's temperature by the uncertainties of the effects, for sensor less crystal. [degC**2]"""
        curve = self.subject.curve
        if curve is None:
            return np.zeros_like(apart_c)
        known = (one.temperature_u_c(curve.effects, apart_c) ** 2 for one in curve.known_effects)
        return sum(known, np.zeros_like(apart_c))

    def offsets(
        self,
        time_s: Floats,
        sensor_c: Floats,
        ahead: tuple[Floats, Floats] | None = None,
        regressors: Mapping[str, Floats] = NO_REGRESSORS,
    ) -> Offsets:
        """Offsets of a batch that follows the last one.

        Parameters
        ----------
        time_s, sensor_c : ndarray of shape (n,)
            NaN where missing. [s] [degC]
        ahead : tuple of ndarray, default=None
            Times and temperatures of the next batch.
        regressors : mapping, default={}
            Quantities besides temperature by name, each of shape (n,); one that is missing is taken to be at its reference.
        """
        sensor_c = np.where(np.isfinite(sensor_c), sensor_c, np.nan)
        crystal_c, settled, start_u_c = self._filter.follow(time_s, sensor_c, ahead)
        low_c, high_c = self.subject.range_c
        held_c = np.clip(crystal_c, low_c, high_c)
        offset_ppb = np.interp(held_c, *self._shape)
        variance = np.interp(held_c, self._grid_c, self._variance)
        of_effects_c2 = self._temperature_variance_c2(sensor_c - crystal_c)
        slope = np.interp(held_c, self._grid_c, self._slope)
        variance += slope**2 * (of_effects_c2 + start_u_c**2) + self._drifted_variance(time_s, slope)
        if self._response is not None and self._rate is not None:
            rate = self._rate.follow(time_s, crystal_c)
            offset_ppb = offset_ppb + np.nan_to_num(self._response.at(held_c) * rate)
            variance += np.nan_to_num(self._response.u_at(held_c) * rate) ** 2
        if self._drift is not None:
            moved_ppb, u_ppb = self._drift.moved(time_s)
            offset_ppb, variance = offset_ppb + moved_ppb, variance + u_ppb**2
        outside = (crystal_c < low_c) | (crystal_c > high_c)
        for name, term in self.subject.regressors.items():
            value = regressors.get(name, np.full(sensor_c.size, np.nan))
            known = np.isfinite(value)
            added_ppb, u_ppb = term.at(np.where(known, value, term.reference)), term.u_at(value)
            offset_ppb = offset_ppb + added_ppb
            variance = variance + np.where(known, u_ppb, term.spread_ppb) ** 2
            outside = outside | (known & ((value < term.low) | (value > term.high)))
        state = np.where(settled, OK, AFTER_A_START).astype(np.int8)
        state[outside] = OUTSIDE
        state[np.isnan(offset_ppb)] = NO_TIME
        state[np.isnan(sensor_c) | (np.isfinite(time_s) & np.isnan(crystal_c))] = NO_TEMPERATURE
        return Offsets(offset_ppb, np.where(outside, np.nan, np.sqrt(variance)), state)
