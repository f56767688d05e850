"""Trusted times of a clock's nominally periodic events, such as a beacon's frames: the clock's time error at each, and from these
mean offsets over the intervals between.

An event that stands on tick n of the clock at the trusted time t says that the clock's time error is x = n period - t.  Events
that are missing are counted on; a repeated one, and one beside the ticks, is left out.  Events may come in classes of lateness
(another receiver, another path), each late by a constant: these are found as a mixture of normal distributions about the smoothed
phase (A. P. Dempster, N. M. Laird and D. B. Rubin, J. R. Stat. Soc. B 39 (1977) 1-38, from memory) and taken off.  Where the phase
steps, the clock restarts or nothing is heard for long, it starts anew.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from tcomp.arrays import BoolArray, FloatArray, IntArray, robust_sd
from tcomp.errors import RunError
from tcomp.logs.clock_noise import ClockNoise, Readings, Smoother, fitted_noise
from tcomp.logs.lateness import Lateness, Mixture, class_remarks, classes_of, mixtures, slips_of
from tcomp.logs.record import EVENT_COLUMNS, frame_of
from tcomp.units import SECONDS_PER_DAY, SECONDS_PER_HOUR, turned_offset_ppb

if TYPE_CHECKING:
    import pandas as pd

NOTHING: Mapping[str, FloatArray] = MappingProxyType({})
FASTEST = 2e-4
"""200 ppm: what no crystal's clock gains or loses (common practice, no source)."""
USUAL_RATE = 6e-5
"""60 ppm, which a tuning fork reaches outdoors (common practice, no source): allowed while ticks are looked for."""
OFF_TICK, MOST_OFF_S = 0.05, 0.5
"""Share of a period, and time, by which an event may miss a tick and still be a late one."""
NEIGHBOURS = 20
"""Events on either side among which those of one tick sequence are counted."""
LONGEST_S = 2 * SECONDS_PER_DAY
"""Neighbours farther apart are no evidence of one sequence."""
SILENCE_PERIODS, SILENCE_S = 100.0, SECONDS_PER_HOUR
"""The phase starts anew where nothing was heard for so many periods, and for as long as this."""
MOST_OFF = 0.5
"""Share of the events beside the ticks from which the period is taken to be wrong."""
MIN_EVENTS = 20
NANO = 1e9
FEW_C = 1.0
"""Temperatures within so little are taken as one while lateness is looked for. [degC]"""
ROUNDS = 6
MOST_FOR_NOISE = 20_000
"""Events, the middle ones, from which the noise is estimated while lateness is looked for."""
MOST_ROWS = 25_000
"""Events beyond are averaged in groups, so that a fit takes seconds."""
MOST_GROUP_PPB = 2e5
"""Noise of a row's offset that is still far below the 2000 ppm beyond which cleaning takes it for impossible. [ppb]"""


@dataclass(frozen=True, eq=False)
class EventRows:
    """Rows over the intervals between events, shape (n,), and what was found about the events.

    ``start_u_ns`` and ``end_u_ns`` are the standard deviations of white phase noise at both ends of a row.
    """

    time_s: FloatArray
    temperature_c: FloatArray
    offset_ppb: FloatArray
    line: IntArray
    interval_s: FloatArray
    start_u_ns: FloatArray
    end_u_ns: FloatArray
    remarks: tuple[str, ...]
    others: dict[str, FloatArray]
    """Means of further columns over the intervals."""

    def frame(self, role: str) -> pd.DataFrame:
        """The rows as the frame of a run; of a timebase, the events of which are trusted, turned about."""
        turned = turned_offset_ppb(self.offset_ppb) if role == "timebase" else self.offset_ppb
        return frame_of(self.time_s, self.temperature_c, turned, self.line).assign(
            **{name: getattr(self, name) for name in EVENT_COLUMNS}, **self.others
        )


@dataclass(frozen=True, eq=False)
class _Marks:
    """Events on ticks, shape (n,): ``phase_ns`` runs on from one to the next unless ``anew`` (n - 1,) says that it starts there."""

    time_s: FloatArray
    temperature_c: FloatArray
    line: IntArray
    anew: BoolArray
    phase_ns: FloatArray
    others: FloatArray
    """Further quantities, shape (n, k)."""

    @property
    def starts(self) -> IntArray:
        """The first mark of each stretch."""
        return np.flatnonzero(np.concatenate([[True], self.anew]))

    def cut(self, anew: BoolArray) -> _Marks:
        """With more starts of the phase."""
        return _Marks(self.time_s, self.temperature_c, self.line, self.anew | anew, self.phase_ns, self.others)


def rows_of_events(
    time_s: FloatArray,
    temperature_c: FloatArray,
    line: IntArray,
    period_s: float,
    file: Path,
    others: Mapping[str, FloatArray] = NOTHING,
) -> EventRows:
    """The rows of a log of events.

    Parameters
    ----------
    time_s, temperature_c : ndarray of shape (n,)
        Trusted time of each event, and the temperature then; NaN where missing. [s] [degC]
    line : ndarray of shape (n,)
    period_s : float
        Between ticks of the clock, by its own count. [s]
    file : Path
        For messages.
    others : mapping, default={}
        Further quantities at the events by the names of their columns, each of shape (n,).

    Raises
    ------
    RunError
        The events are few, or do not stand on ticks of this period.

    Examples
    --------
    A clock that is 20 ppm fast, so that its ticks come 12 ms early each 600 s:

    >>> tick = np.array([n for n in range(60) if n % 7])
    >>> early = rows_of_events(tick * 600 * (1 - 20e-6), np.full(51, 25.0), tick, 600.0, Path("beacon.csv"))
    >>> early.offset_ppb.round(0)[:3].tolist(), early.interval_s[:6].round(1).tolist()
    ([20000.0, 20000.0, 20000.0], [600.0, 600.0, 600.0, 600.0, 600.0, 1200.0])
    """
    beside = np.column_stack([np.empty((len(time_s), 0)), *others.values()])
    sound = np.isfinite(time_s) & np.isfinite(temperature_c) & np.isfinite(beside).all(axis=1)
    rows = np.flatnonzero(sound)[np.argsort(time_s[sound], kind="stable")]
    marks, remarks = _counted(time_s[rows], temperature_c[rows], line[rows], beside[rows], period_s, file)
    marks, late_ns, noise_ns, classes, slips = _without_lateness(marks)
    remarks = [*remarks, *class_remarks(classes), *_slip_remark(slips)]
    grouped = _grouped(marks, marks.phase_ns - late_ns, noise_ns, period_s)
    return _rows(grouped, tuple(remarks), tuple(others))


def _counted(
    time_s: FloatArray, temperature_c: FloatArray, line: IntArray, others: FloatArray, period_s: float, file: Path
) -> tuple[_Marks, list[str]]:
    """The events that stand on ticks, counted on, and remarks on the others."""
    total = len(time_s)
    if total < MIN_EVENTS:
        raise RunError(
            f"{file}: {total} events with a time and a temperature are too few; expected {MIN_EVENTS} or more"
        )
    off_s = min(OFF_TICK * period_s, MOST_OFF_S)
    kept = np.flatnonzero(_on_ticks(time_s, period_s, off_s))
    if total - len(kept) > MOST_OFF * total:
        raise RunError(
            f"{file}: {total - len(kept)} of {total} events stand beside the ticks of period_s = {period_s:g}; give the period of "
            f"the clock's ticks in seconds (the median time between events is {np.median(np.diff(time_s)):.6g} s)"
        )
    beside = total - len(kept)
    ticks, missed_s, odd = _steps(time_s[kept], period_s, off_s)
    repeated = np.concatenate([[False], (ticks == 0) & ~odd])
    kept = kept[~repeated]
    stray = _strays(time_s[kept], period_s, off_s)
    kept = kept[~stray]
    ticks, missed_s, odd = _steps(time_s[kept], period_s, off_s)
    silent = np.diff(time_s[kept]) > max(SILENCE_PERIODS * period_s, SILENCE_S)
    anew = odd | silent
    phase_ns = _summed(np.where(anew, 0.0, -missed_s * NANO), anew)
    if len(kept) < MIN_EVENTS:
        raise RunError(
            f"{file}: {len(kept)} events stand on ticks of period_s = {period_s:g}; expected {MIN_EVENTS} or more"
        )
    missing = int(np.sum(np.where(anew, 0, ticks - 1)))
    remarks = [
        f"{len(kept)} of {total} events stand on ticks {period_s:g} s apart, {missing} missing ones were counted on."
    ]
    for count, words in (
        (beside, "stand beside the ticks, as repetitions do, and are left out"),
        (int(repeated.sum()), "repeat a tick, of which the first event counts, and are left out"),
        (int(stray.sum()), "stand alone off their neighbours' ticks and are left out"),
    ):
        if count:
            remarks.append(f"{count} events {words}.")
    if anew.any():
        remarks.append(
            f"The phase starts anew at {int(anew.sum())} places: {int((odd & ~silent).sum())} steps of the ticks, "
            f"{int(silent.sum())} interruptions."
        )
    return _Marks(time_s[kept], temperature_c[kept], line[kept], anew, phase_ns, others[kept]), remarks


def _on_ticks(time_s: FloatArray, period_s: float, off_s: float) -> BoolArray:
    """Events that share their ticks with most that any neighbour shares with."""
    from scipy.ndimage import maximum_filter1d

    shared = np.zeros(len(time_s))
    for places in range(1, min(NEIGHBOURS, len(time_s) - 1) + 1):
        step_s = time_s[places:] - time_s[:-places]
        missed_s = step_s - period_s * np.round(step_s / period_s)
        alike = (np.abs(missed_s) < off_s + USUAL_RATE * step_s) & (step_s < max(LONGEST_S, 4 * NEIGHBOURS * period_s))
        shared[places:] += alike
        shared[:-places] += alike
    return np.asarray((shared >= maximum_filter1d(shared, 2 * NEIGHBOURS + 1) / 2) & (shared > 0))


def _steps(time_s: FloatArray, period_s: float, off_s: float) -> tuple[IntArray, FloatArray, BoolArray]:
    """Ticks from each event to the next, the time by which that misses a whole number, and whether it is no late event's."""
    step_s = np.diff(time_s)
    ticks = np.round(step_s / period_s).astype(np.int64)
    missed_s = step_s - ticks * period_s
    return ticks, missed_s, np.abs(missed_s) > off_s + USUAL_RATE * step_s


def _strays(time_s: FloatArray, period_s: float, off_s: float) -> BoolArray:
    """Events off the ticks of both neighbours, where these agree with each other."""
    _, _, odd = _steps(time_s, period_s, off_s)
    across_s = time_s[2:] - time_s[:-2]
    agree = np.abs(across_s - period_s * np.round(across_s / period_s)) <= off_s + USUAL_RATE * across_s
    stray = np.zeros(len(time_s), dtype=bool)
    stray[1:-1] = odd[1:] & odd[:-1] & agree
    return stray


def _summed(steps: FloatArray, anew: BoolArray) -> FloatArray:
    """The running sum of steps (n - 1, ...) from 0 at the start of each stretch, shape (n, ...)."""
    steps = np.where(anew.reshape((-1,) + (1,) * (steps.ndim - 1)), 0.0, steps)
    total = np.concatenate([np.zeros((1, *steps.shape[1:])), np.cumsum(steps, axis=0)])
    starts = np.flatnonzero(np.concatenate([[True], anew]))
    return np.asarray(total - total[starts][np.cumsum(np.concatenate([[0], anew]))])


def _curve_columns(marks: _Marks) -> FloatArray:
    """Phase that a cubic of the temperature, if it moves, gains from mark to mark, shape (n, 4 or 1). [ppb s]"""
    low_c, high_c = float(marks.temperature_c.min()), float(marks.temperature_c.max())
    half_c = max((high_c - low_c) / 2, 1e-9)
    degree = 3 if high_c - low_c > FEW_C else 0
    values = np.polynomial.chebyshev.chebvander((marks.temperature_c - (low_c + high_c) / 2) / half_c, degree)
    step_s = np.diff(marks.time_s)
    return _summed((values[1:] + values[:-1]) / 2 * step_s[:, None], marks.anew)


def _without_lateness(marks: _Marks) -> tuple[_Marks, FloatArray, FloatArray, tuple[Lateness, ...], int]:
    """The marks cut at slips; by how much each is early [ns], its white phase noise [ns], the classes, and how many slips."""
    count = len(marks.time_s)
    late_ns = np.zeros(count)
    bend_ns = np.diff(marks.phase_ns, 2)[~(marks.anew[1:] | marks.anew[:-1])]
    finest_ns = NANO * float(np.spacing(np.abs(marks.time_s).max()))
    first_ns = max(robust_sd(bend_ns) / math.sqrt(6.0) if bend_ns.size else 0.0, finest_ns)
    noise_ns = np.full(count, first_ns)
    noise = ClockNoise(
        phase=1.0, white_ppb2_s=1.0, walk_ppb2_per_s=2 * 500.0**2 / SECONDS_PER_DAY, memory_s=SECONDS_PER_DAY
    )
    design = _curve_columns(marks)
    found: list[Mixture] = []
    slips = 0
    for round_ in range(ROUNDS):
        readings = Readings(np.diff(marks.time_s), marks.anew, noise_ns)
        columns = np.column_stack([design, marks.phase_ns - late_ns])
        if round_ % 2 == 0:
            first = max(count - MOST_FOR_NOISE, 0) // 2
            own = slice(first, first + MOST_FOR_NOISE)
            steps = slice(first, min(first + MOST_FOR_NOISE, count) - 1)
            middle = Readings(readings.step_s[steps], marks.anew[steps], noise_ns[own])
            noise = fitted_noise(middle, columns[own], noise, evaluations=40)
        left_ns = marks.phase_ns - _smoothed(Smoother.of(readings, noise), columns) - _along(columns, readings, noise)
        if round_ < 2:
            scale_ns = max(robust_sd(left_ns), finest_ns)
            noise_ns = scale_ns * np.clip(np.abs(left_ns) / (2 * scale_ns), 1.0, 100.0)
            noise = replace(noise, phase=1.0)
            continue
        if round_ == 3:
            slipped = slips_of(left_ns, late_ns, noise_ns, marks.anew)
            slips = int(slipped.sum())
            if slips:
                marks = marks.cut(slipped)
                marks = _Marks(
                    marks.time_s, marks.temperature_c, marks.line, marks.anew,
                    _summed(np.diff(marks.phase_ns), marks.anew), marks.others,
                )  # fmt: skip
                design = _curve_columns(marks)
                continue
        found = mixtures(left_ns, found if round_ < ROUNDS - 1 else ())  # their number is found anew at the end
        late_ns = np.concatenate([one.mean_ns for one in found])
        noise_ns = np.maximum(np.concatenate([one.sd_ns for one in found]), finest_ns)
        noise = replace(noise, phase=1.0)
    return marks, late_ns, noise_ns, classes_of(found), slips


def _along(columns: FloatArray, readings: Readings, noise: ClockNoise) -> FloatArray:
    """The design's own part of the phase by generalised least squares, less what the smoother already follows. [ns]"""
    smoother = Smoother.of(readings, noise)
    coef = _coef(smoother, columns)
    return np.asarray(columns[:, :-1] @ coef)


def _smoothed(smoother: Smoother, columns: FloatArray) -> FloatArray:
    """Smoothed phase of what the design leaves. [ns]"""
    left = columns[:, -1] - columns[:, :-1] @ _coef(smoother, columns)
    return smoother.states(left[:, None])[0][:, 0]


def _coef(smoother: Smoother, columns: FloatArray) -> FloatArray:
    gram = smoother.products(columns)
    return np.asarray(np.linalg.lstsq(gram[:-1, :-1], gram[:-1, -1], rcond=None)[0])


def _slip_remark(slips: int) -> list[str]:
    return [f"The phase slipped {slips} times by a part of a second and starts anew there."] if slips else []


@dataclass(frozen=True, eq=False)
class _Groups:
    """Marks, or means of neighbouring ones, with the temperature's mean from each to the next (n - 1,)."""

    time_s: FloatArray
    phase_ns: FloatArray
    noise_ns: FloatArray
    line: IntArray
    anew: BoolArray
    between_c: FloatArray
    between: FloatArray
    """The same of further quantities, shape (n - 1, k)."""


def _grouped(marks: _Marks, phase_ns: FloatArray, noise_ns: FloatArray, period_s: float) -> _Groups:
    """Means of so many neighbours of a stretch that there are not too many and the noise of a row stays far below a crystal's
    range."""
    count = len(marks.time_s)
    typical_ns, usual_s = float(np.median(noise_ns)), float(np.median(np.diff(marks.time_s)))
    quiet = (math.sqrt(2) * typical_ns / (max(usual_s, period_s) * MOST_GROUP_PPB)) ** (2 / 3)
    size = max(math.ceil(count / MOST_ROWS), math.ceil(quiet), 1)
    step_s = np.diff(marks.time_s)
    quantities = np.column_stack([marks.temperature_c, marks.others])
    integral = _summed((quantities[1:] + quantities[:-1]) / 2 * step_s[:, None], marks.anew)
    stretch = np.cumsum(np.concatenate([[0], marks.anew]))
    place = np.arange(count) - marks.starts[stretch]
    first = np.flatnonzero(np.concatenate([[True], (np.diff(stretch) > 0) | (place[1:] % size == 0)]))
    weight = 1.0 / noise_ns**2
    total = np.add.reduceat(weight, first)
    # Times are averaged about the first of a group, so that no digits are lost.
    origin = np.repeat(marks.time_s[first], np.diff(np.append(first, count)))
    mean_s = marks.time_s[first] + np.add.reduceat(weight * (marks.time_s - origin), first) / total
    mean_ns = np.add.reduceat(weight * phase_ns, first) / total
    mean_integral = np.add.reduceat(weight[:, None] * integral, first) / total[:, None]
    gap_s = np.diff(mean_s)
    between = np.diff(mean_integral, axis=0) / gap_s[:, None]
    anew = np.diff(stretch[first]) > 0
    return _Groups(mean_s, mean_ns, 1.0 / np.sqrt(total), marks.line[first], anew, between[:, 0], between[:, 1:])


def _rows(groups: _Groups, remarks: tuple[str, ...], names: tuple[str, ...]) -> EventRows:
    """A row for each interval within a stretch."""
    inside = np.flatnonzero(~groups.anew)
    step_s = np.diff(groups.time_s)[inside]
    return EventRows(
        time_s=groups.time_s[inside] + step_s / 2,
        temperature_c=groups.between_c[inside],
        offset_ppb=np.diff(groups.phase_ns)[inside] / step_s,
        line=groups.line[inside + 1],
        interval_s=step_s,
        start_u_ns=groups.noise_ns[inside],
        end_u_ns=groups.noise_ns[inside + 1],
        remarks=remarks,
        others={name: groups.between[inside, place] for place, name in enumerate(names)},
    )
