"""What the crystal saw, batch after batch: the lag of `tcomp.curve.thermal_lag`, with its state carried on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.curve.sensor_smoothing import local_parabolas, smooth_temperature
from tcomp.curve.thermal_lag import BRIDGED, SETTLED, lagged
from tcomp.run.record import GAP_INTERVALS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

CONTEXT = 64
"""Samples about a batch that are handed over to the next: more than the widest window of the smoothing."""
SPIKE_C, SPIKE_STEPS = 1.0, 20.0
"""A single temperature that departs from both its neighbours by more than this, and by more than so many usual steps of the
log, is a fault of the sensor (common practice, no source).  Behind a lag it would spoil the rows of several minutes. [degC]"""
WIDTH_SAMPLES = 20_000
"""Samples from which the width of that window is learnt."""


@dataclass(frozen=True, eq=False)
class _Carried:
    """The last samples of a batch, how far each lag's output was from its input there, and when the filter started."""

    time_s: Floats
    sensor_c: Floats
    apart_c: tuple[float, ...]
    start_s: float


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
    ) -> tuple[Floats, Mask]:
        """Temperature of the crystal, and whether the filter has settled; NaN and False where time or sensor is missing,
        or the sensor shows a single wild value.

        Parameters
        ----------
        time_s, sensor_c : ndarray of shape (n,)
            The batch. [s] [degC]
        ahead : tuple of ndarray, default=None
            Times and temperatures that follow: a start is judged by the ramp behind it.

        Returns
        -------
        crystal_c, settled : ndarray of shape (n,)
        """
        # Without a lag a row needs no time.
        crystal_c = np.full(time_s.size, np.nan) if self.lags_s else sensor_c.copy()
        settled = np.isfinite(crystal_c)
        known = np.isfinite(time_s) & np.isfinite(sensor_c)
        if known.any():
            crystal_c[known], settled[known] = self._follow(time_s[known], sensor_c[known], ahead)
        return crystal_c, settled

    def _follow(self, time_s: Floats, sensor_c: Floats, ahead: tuple[Floats, Floats] | None) -> tuple[Floats, Mask]:
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
        crystal, apart_c = self._seen(t, sensor, segment, begin, last)
        started = np.append(before.start_s if before is not None else np.nan, t[starts])[segment]
        self._before = _Carried(
            t[max(0, last + 1 - CONTEXT) : last + 1], sensor[max(0, last + 1 - CONTEXT) : last + 1], apart_c,
            float(started[last]),
        )  # fmt: skip
        own = place[place.size - time_s.size :]
        settled = t - started >= SETTLED * self._longest_s
        return np.where(wild, np.nan, crystal[own] if self.lags_s else sensor_c), settled[own] & ~wild

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
    ) -> tuple[Floats, tuple[float, ...]]:
        """The lags one after the other; the sensor's own, which is negative, is undone first."""
        seen, aparts = sensor, []
        for number, lag_s in enumerate(self.lags_s):
            if lag_s < 0:
                value, rate = local_parabolas(t, seen, segment, self._width)[:2] if self._width > 1 else (seen, 0.0)
                seen, apart_c = value - lag_s * rate, 0.0
            else:
                known = self._before.apart_c[number] if self._before is not None else None
                behind = seen.copy()
                behind[begin:] = lagged(t[begin:], seen[begin:], segment[begin:], lag_s, known)
                apart_c = float(behind[last] - seen[last])
                seen = behind
            aparts.append(apart_c)
        return seen, tuple(aparts)
