"""The filter for the effects that a curve holds, and the error that is left while the temperature changes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import FirmwareError, JobError
from tcomp.estimation.curve import Curve
from tcomp.estimation.effects import FollowTerm, PlayLoop, TimeConstant, follow_terms
from tcomp.estimation.effects.hysteresis import play
from tcomp.estimation.thermal_lag import lagged
from tcomp.job import Job
from tcomp.tables import AdcScale, CorrectionTable
from tcomp.tables.follow import (
    LEAST_LEAD_LOG2,
    MOST_LEAD_LOG2,
    MOST_STAGES,
    PART_LOG2,
    UINT16_MAX,
    WEIGHT_LOG2,
    FollowFilter,
    Loop,
    Stage,
    most_fine_bits,
)
from tcomp.units import PPT_PER_PPB, SECONDS_PER_MINUTE

Floats = NDArray[np.float64]
RATES_C_PER_MIN = (0.05, 0.2, 1.0)
"""Ramps at which the error is stated: a mild day, a draught, a board beside a heater."""
MOST_UPDATES = 40_000
"""A ramp is followed over so many updates at most, about the steepest part of the curve."""
AT_ONCE_C = 1e-6
"""A play for loops that come through at once."""
NOISES = 6.0
"""Standard deviations of the sensor's noise that a play must exceed, so that noise does not reverse a loop."""


@dataclass(frozen=True, kw_only=True)
class LeadChoice:
    """A lead's filter, and the errors that it leaves: of the sensor's steps and noise, and of what it smooths away. [s] [degC]"""

    filter_s: float
    noise_c: float
    bias_c: float

    @property
    def error_c(self) -> float:
        """Both together."""
        return math.hypot(self.noise_c, self.bias_c)


@dataclass(frozen=True, kw_only=True)
class Following:
    """The filter of a curve, and the filters among which each of its leads was chosen, by its time constant. [s]"""

    filter: FollowFilter
    leads: dict[float, tuple[LeadChoice, ...]]


@dataclass(frozen=True, kw_only=True)
class RampError:
    """Largest errors on a ramp up and down over the range of use, the table's own and the sensor's steps among them. [ppb]

    ``plain``: of the table at the sensor's code; ``followed``: at each update; ``until_next``: just before the next one;
    ``beyond_table``: followed, less the table at the crystal's own temperature.
    """

    rate_c_per_min: float
    plain_ppb: float
    followed_ppb: float
    until_next_ppb: float
    beyond_table_ppb: float


def following(job: Job, curve: Curve, table: CorrectionTable) -> Following:
    """Design the filter for the effects that the curve holds; none: one that passes the sensor's code on.

    Raises
    ------
    JobError
        An update is too long for the lag, or the range or the loop does not fit the filter's integers.
    """
    try:
        return _Design(job, curve, table).made(follow_terms(curve.effects))
    except FirmwareError as error:
        raise JobError(f"{job.location('firmware', 'follow')}: [firmware] follow: {error}") from error


@dataclass(frozen=True)
class _Design:
    job: Job
    curve: Curve
    table: CorrectionTable

    def made(self, terms: tuple[FollowTerm, ...]) -> Following:
        lags_s = tuple(one.lag_s for one in terms if isinstance(one, TimeConstant))
        loops = tuple(one for one in terms if isinstance(one, PlayLoop))
        if len(lags_s) + len(loops) < len(terms):
            raise FirmwareError(
                f"the curve holds {len(terms)} effects that change with the temperature's course, of which a filter follows "
                "time constants and a loop; give follow = false"
            )
        loop = one_play(loops) if loops else None
        stages, words, leads = [], [], {}
        for number, lag_s in enumerate(self._kept(lags_s)):
            if lag_s > 0:
                stages.append(Stage(part=self._part(lag_s, first=number == 0)))
                words.append(f"The crystal lags its sensor by {lag_s:.4g} s: a low-pass of that time constant.")
                continue
            choices = self._choices(-lag_s)
            best = min(choices, key=lambda lead: choices[lead].error_c)
            leads[lag_s] = tuple(choices.values())
            stages.append(Stage(part=self._part(choices[best].filter_s, first=number == 0), lead_log2=best))
            words.append(
                f"The sensor lags the crystal by {-lag_s:.4g} s: a lead of that time constant, whose noise a low-pass of "
                f"{choices[best].filter_s:.4g} s limits."
            )
        span = self.table.high_code - self.table.low_code
        fine_bits = most_fine_bits(span, tuple(stage.part for stage in stages))
        slot_bits = max(0, min(fine_bits, (UINT16_MAX // max(span, 1)).bit_length() - 1))
        if loop is not None:
            words.append(
                f"Heated and cooled differ by {abs(loop.height_ppb):.4g} ppb, which comes through over "
                f"{self._play_c(loop):.3g} degC."
            )
            if len(loops) > 1:
                plays = ", ".join(f"{one.play_c:.3g}" for one in loops)
                words.append(f"The loop has plays of {plays} degC, for which the filter keeps one: it errs in between.")
        return Following(
            filter=FollowFilter(
                table=self.table, update_s=self.job.firmware.update_s, fine_bits=fine_bits, slot_bits=slot_bits,
                stages=tuple(stages), loop=None if loop is None else self._loop(loop, slot_bits),
                words=" ".join(words) or "The curve holds no lag and no loop: the code is passed on as it is.",
            ),
            leads=leads,
        )  # fmt: skip

    def _kept(self, lags_s: tuple[float, ...]) -> tuple[float, ...]:
        """Leads first, the longest of each sign first; what is shorter than half an update is added to another of its sign.

        A ramp sees only the sum of time constants.
        """
        update_s = self.job.firmware.update_s
        kept: list[float] = []
        for sign in (-1, 1):
            own = sorted((abs(lag_s) for lag_s in lags_s if lag_s * sign > 0), reverse=True)
            long = [lag_s for lag_s in own if lag_s > update_s / 2]
            if own and not long:
                raise FirmwareError(
                    f"update_s = {update_s:g} is too long to follow a lag of {sign * own[0]:.3g} s; give at most "
                    f"{2 * own[0] * 0.99:.3g}, or follow = false"
                )
            if own:
                kept += [sign * one for one in (long[0] + sum(own) - sum(long), *long[1:])]
        if len(kept) > MOST_STAGES:
            raise FirmwareError(f"the curve holds {len(kept)} time constants; expected {MOST_STAGES} at most")
        return tuple(kept)

    def _part(self, tau_s: float, *, first: bool) -> int:
        """The share of its way that a state moves at an update, such that it lags a ramp by exactly the time constant.

        The first stage takes the mean of two readings, the trapezoidal rule: 1 / (tau/dt + 1/2).  A second one takes what is
        put out now: 1 / (tau/dt + 1).
        """
        updates = tau_s / self.job.firmware.update_s
        part = round((1 << PART_LOG2) / (updates + (0.5 if first else 1.0)))
        if part < 1 << 5:
            raise FirmwareError(
                f"update_s = {self.job.firmware.update_s:g} is too short for a time constant of {tau_s:.4g} s, of which an "
                f"update would move 1 / 2048 or less; give at least {tau_s / 1024:.2g}"
            )
        return part

    def _choices(self, lead_s: float) -> dict[int, LeadChoice]:
        """The low-passes that a lead may have, each a power of two shorter or longer than the lead itself.

        The noise is that of a white error of the sensor, its steps' step**2 / 12 and its own, through
        (1 + s (L + F)) / (1 + s F); the bias is L F times the second derivative, of a temperature that swings over the range of
        use as a sine, at most as fast as [use] ramp_c_per_min.
        """
        sensor, use, found = self.job.sensor, self.job.use, {}
        low_c, high_c = use.range_c or (self.curve.low_c, self.curve.high_c)
        swing_c, rate_c_per_s = max((high_c - low_c) / 2, 1e-3), use.ramp_c_per_min / SECONDS_PER_MINUTE
        reading_c = math.hypot(self._step_c() / math.sqrt(12), sensor.sigma_c or 0.0)
        for lead_log2 in range(LEAST_LEAD_LOG2, MOST_LEAD_LOG2 + 1):
            filter_s, gain = lead_s / 2.0**lead_log2, 2.0**lead_log2
            if filter_s <= self.job.firmware.update_s / 2:
                continue
            left = 1 - 1 / (filter_s / self.job.firmware.update_s + 0.5)
            noise = math.sqrt((1 + gain * left) ** 2 + (gain * left) ** 2 * (1 - left) / (1 + left))
            found[lead_log2] = LeadChoice(
                filter_s=filter_s,
                noise_c=noise * reading_c,
                bias_c=lead_s * filter_s * rate_c_per_s**2 / swing_c / math.sqrt(2),
            )
        if not found:
            raise FirmwareError(
                f"update_s = {self.job.firmware.update_s:g} is too long for a lead of {lead_s:.3g} s; give at most "
                f"{lead_s * 8:.3g}"
            )
        return found

    def _step_c(self) -> float:
        """The coarser of the sensor's step and a code. [degC]"""
        return max(self.job.sensor.resolution_c or 0.0, abs(self._degc_per_code()))

    def _degc_per_code(self) -> float:
        """In the middle of the range; negative where codes fall with the temperature. [degC]"""
        ends_c = self.table.temperature_of([self.table.low_code, self.table.high_code])
        middle = (self.table.low_code + self.table.high_code) // 2
        size_c = float(self.table.scale.degc_per_count([middle])[0])
        return math.copysign(size_c, float(ends_c[1] - ends_c[0]) or 1.0)

    def _play_c(self, loop: PlayLoop) -> float:
        """Its own, or what the sensor's steps and noise do not reverse. [degC]"""
        return max(loop.play_c, 2 * self._step_c() + NOISES * (self.job.sensor.sigma_c or 0.0))

    def _loop(self, loop: PlayLoop, slot_bits: int) -> Loop:
        per_code_c = self._degc_per_code()
        half = max(1, round(self._play_c(loop) / 2 / abs(per_code_c) * (1 << slot_bits)))
        height_ppt = math.copysign(1.0, per_code_c) * loop.height_ppb * PPT_PER_PPB
        return Loop(half=half, weight=round(height_ppt / 2 / half * (1 << WEIGHT_LOG2)))


def one_play(loops: tuple[PlayLoop, ...]) -> PlayLoop:
    """The loop with one play that has the height of several together and encloses the same area on a ramp over them all.

    A play of width w and height h encloses h (S - w) on a ramp over S up and down, so that the mean width by height does.

    >>> one_play((PlayLoop(height_ppb=80.0, play_c=1.0), PlayLoop(height_ppb=120.0, play_c=6.0)))
    PlayLoop(height_ppb=200.0, play_c=4.0)
    """
    height_ppb = math.fsum(one.height_ppb for one in loops)
    area = math.fsum(one.height_ppb * one.play_c for one in loops)
    return PlayLoop(height_ppb=height_ppb, play_c=max(area / height_ppb, 0.0))


def ramp_errors(
    job: Job, curve: Curve, table: CorrectionTable, rates_c_per_min: tuple[float, ...] = RATES_C_PER_MIN
) -> tuple[RampError, ...]:
    """Errors on ramps with and without the filter, from an exact crystal and the sensor's steps; none: nothing to follow.

    Parameters
    ----------
    job, curve, table
        ``job.firmware.follow`` is not asked: what the filter would buy is known without it.
    rates_c_per_min : tuple of float
        Rates of the ramps. [degC/min]
    """
    if not follow_terms(curve.effects):
        return ()
    try:
        found = following(job, curve, table).filter
    except JobError:
        return ()
    return tuple(_ramp_error(job, curve, found, rate) for rate in rates_c_per_min)


def _ramp_error(job: Job, curve: Curve, follow: FollowFilter, rate_c_per_min: float) -> RampError:
    table, update_s = follow.table, follow.update_s
    time_s, board_c = _ramp(curve, _range_c(job, curve), rate_c_per_min / SECONDS_PER_MINUTE, update_s)
    terms = follow_terms(curve.effects)
    lags_s = [one.lag_s for one in terms if isinstance(one, TimeConstant)]
    crystal_c = _behind(time_s, board_c, [lag_s for lag_s in lags_s if lag_s > 0])
    sensor_c = _behind(time_s, board_c, [-lag_s for lag_s in lags_s if lag_s < 0])
    loops = sum((_loop_ppb(one, crystal_c) for one in terms if isinstance(one, PlayLoop)), np.zeros(1))
    true_ppb = curve.continued_ppb(crystal_c) + loops
    codes = _codes(job, table, sensor_c)
    followed_ppb = follow.followed_ppt(codes) / PPT_PER_PPB
    of_table_ppb = _on_table(table, crystal_c) + loops
    return RampError(
        rate_c_per_min=rate_c_per_min,
        plain_ppb=_largest(table.offset_ppt(codes) / PPT_PER_PPB - true_ppb),
        followed_ppb=_largest(followed_ppb - true_ppb),
        until_next_ppb=_largest(followed_ppb[:-1] - true_ppb[1:]),
        beyond_table_ppb=_largest(followed_ppb - of_table_ppb),
    )


def _range_c(job: Job, curve: Curve) -> tuple[float, float]:
    """The range of use, as far as the curve reaches. [degC]"""
    low_c, high_c = job.use.range_c or (curve.low_c, curve.high_c)
    low_c, high_c = max(low_c, curve.low_c), min(high_c, curve.high_c)
    return (low_c, high_c) if low_c < high_c else (curve.low_c, curve.high_c)


def _ramp(curve: Curve, range_c: tuple[float, float], rate_c_per_s: float, update_s: float) -> tuple[Floats, Floats]:
    """Times and temperatures from the low end up, and down again; a part about the steepest where that would be long."""
    low_c, high_c = range_c
    reach_c = rate_c_per_s * update_s * MOST_UPDATES / 2
    if reach_c < high_c - low_c:
        grid_c = np.linspace(low_c, high_c, 257)
        steepest_c = float(grid_c[int(np.argmax(np.abs(curve.slope_ppb_per_c(grid_c))))])
        middle_c = min(max(steepest_c, low_c + reach_c / 2), high_c - reach_c / 2)
        low_c, high_c = middle_c - reach_c / 2, middle_c + reach_c / 2
    count = max(2, math.ceil((high_c - low_c) / (rate_c_per_s * update_s)))
    up_c = low_c + rate_c_per_s * update_s * np.arange(count)
    board_c = np.concatenate([up_c, up_c[-2::-1]])
    return update_s * np.arange(board_c.size, dtype=np.float64), np.asarray(board_c, dtype=np.float64)


def _behind(time_s: Floats, temperature_c: Floats, lags_s: list[float]) -> Floats:
    """Behind first-order lags, settled at the start. [degC]"""
    for lag_s in lags_s:
        temperature_c = lagged(time_s, temperature_c, np.zeros(time_s.size, dtype=np.int64), lag_s, 0.0)
    return temperature_c


def _loop_ppb(loop: PlayLoop, crystal_c: Floats) -> Floats:
    return loop.height_ppb * play(np.zeros(crystal_c.size, dtype=np.int64), crystal_c, loop.play_c or AT_ONCE_C)


def _codes(job: Job, table: CorrectionTable, sensor_c: Floats) -> NDArray[np.int64]:
    """Codes of what the sensor shows, in its steps."""
    step_c = 0.0 if isinstance(table.scale, AdcScale) else job.sensor.resolution_c or 0.0
    return table.code_of(np.round(sensor_c / step_c) * step_c if step_c else sensor_c)


def _on_table(table: CorrectionTable, temperature_c: Floats) -> Floats:
    """The table on straight lines from code to code. [ppb]"""
    at_c = table.temperature_of(table.codes)
    upwards = np.argsort(at_c)
    return np.asarray(np.interp(temperature_c, at_c[upwards], (table.offset_ppt(table.codes) / PPT_PER_PPB)[upwards]))


def _largest(errors_ppb: Floats) -> float:
    return float(np.abs(errors_ppb).max())
