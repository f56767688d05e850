"""The offset from whatever quantity a log holds: frequency, offset, phase, or two readings.

Examples
--------
A counter whose own timebase is under test shows 9 999 990 Hz for a trusted 10 MHz: its timebase is 1 000.001 ppb fast, as its
seconds are shorter by 1 + y.

>>> from pathlib import Path
>>> log = RunLog(Path("x.csv"), "t", frequency="f", role="timebase", reference_hz=10e6)
>>> offset_ppb = offsets_of({"f": np.array([9_999_990.0])}, log, Oscillator("counter"))
>>> offset_ppb.round(3).tolist()
[1000.001]
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from typing import Any

import numpy as np

from tcomp.arrays import FloatArray, IntArray, robust_sd
from tcomp.errors import RunError
from tcomp.job import Column, Oscillator, RunLog
from tcomp.logs.dialect import column_label
from tcomp.logs.record import GAP_INTERVALS
from tcomp.units import HZ_PER_UNIT, PPB_PER_UNIT, offset_ppb_of_frequency, offset_ppb_of_timebase, turned_offset_ppb

S_PER_UNIT = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
_SIGN = {"+": 1.0, "-": -1.0}
MIN_STEPS = 2
SLIP_NEIGHBOURS = 4
"""Number of steps of the phase on either side whose median rate a step is compared with."""
SLIP_SCALES = 8.0
"""A step that deviates by more robust standard deviations is odd; it is whole cycles if it agrees with them within as many."""
SLIP_ROUND_OFF = 1e-9
"""Round-off of the readings, as a share of a step."""
MAX_CYCLES = 1000
"""A missed trigger skips a few cycles; a larger step is a counter that restarts."""
MAX_SLIPS = 0.05
"""Share of the steps above which they are not cycle slips."""
WRAP_SPAN = 0.7
"""Where a counter restarts, the phase falls back by more than this share of its whole span."""
LARGEST_OFFSET_PPB = 2e6
"""2000 ppm: no crystal oscillator is farther off, so a nominal or a unit is wrong."""
MAX_SPREAD = 4e-3
"""Largest span of a column of frequencies, as a share: a crystal moves by less than 2000 ppm to either side."""


def offsets_of(values: dict[Column, Any], log: RunLog, oscillator: Oscillator) -> FloatArray:
    """Offset of each row, of shape (n,), from frequency, offset, or reading and trusted. [ppb]"""
    with np.errstate(all="ignore"):  # fill values and zeros give values that cleaning drops
        if log.frequency is not None:
            # The nominal is converted to the column's unit, not the column to Hz, so that no reading is rounded.
            unit_hz = HZ_PER_UNIT[log.frequency_unit]
            if log.reference_hz is not None:
                return offset_ppb_of_timebase(values[log.frequency], log.reference_hz / unit_hz)
            return offset_ppb_of_frequency(values[log.frequency], _nominal_hz(oscillator) / unit_hz)
        if log.offset is not None and log.offset_unit is not None:
            offset_ppb = values[log.offset] * _ppb_per_unit(log, oscillator)
            return turned_offset_ppb(offset_ppb) if log.role == "timebase" else offset_ppb
        if log.reading is None:
            raise RunError(f"{log.file}: the [[run]] block names no quantity; name one of frequency, offset, reading")
        reading = values[log.reading]
        trusted = np.mean([values[column] for column in log.trusted], axis=0)
        above, below = (trusted, reading) if log.role == "timebase" else (reading, trusted)
        return np.asarray(PPB_PER_UNIT["1"] * (above - below) / below)


def _ppb_per_unit(log: RunLog, oscillator: Oscillator) -> float:
    if log.offset_unit == "Hz":
        return PPB_PER_UNIT["1"] / (log.reference_hz or _nominal_hz(oscillator))
    return PPB_PER_UNIT[log.offset_unit or "1"]


def intervals_of_phase(
    time_s: FloatArray, temperature_c: FloatArray, phase_s: FloatArray, role: str
) -> tuple[FloatArray, FloatArray, FloatArray, IntArray]:
    """Mean offset over each interval between rows, from the time departure x: y = dx/dt (IEEE Std 1139).

    The time of a sample is the middle of its interval, its temperature the mean of those at both ends.  No sample is formed
    across a gap; where the time does not advance, the offset is NaN.

    Returns
    -------
    time_s, temperature_c, offset_ppb : ndarray of shape (n_intervals,)
    end : ndarray of shape (n_intervals,)
        The row at the end of each interval.
    """
    with np.errstate(all="ignore"):
        step_s = np.diff(time_s)
        offset_ppb = np.where(step_s > 0, np.diff(phase_s) / step_s * PPB_PER_UNIT["1"], np.nan)
        middle_s, mean_c = (time_s[1:] + time_s[:-1]) / 2, (temperature_c[1:] + temperature_c[:-1]) / 2
        advancing = step_s[step_s > 0]
        near = ~(step_s > GAP_INTERVALS * np.median(advancing)) if advancing.size else np.full(len(step_s), True)
        turned = turned_offset_ppb(offset_ppb) if role == "timebase" else offset_ppb
    return middle_s[near], mean_c[near], turned[near], np.flatnonzero(near) + 1


def phase_departure_s(
    phase: Any, line: Any, time_s: FloatArray, log: RunLog, oscillator: Oscillator
) -> tuple[FloatArray, tuple[str, ...]]:
    """The phase column as the time departure of the oscillator's clock, positive when the clock is ahead.

    Its unit and sign are those of the block.  Where it wraps, whole periods are added; a slip of whole cycles of the
    oscillator, as from a missed or doubled trigger, is removed.  Both are stated in a remark.

    Returns
    -------
    phase_s : ndarray of shape (n,)
        [s]
    remarks : tuple of str
    """
    phase_s = np.asarray(phase, dtype=np.float64) * S_PER_UNIT[log.phase_unit]
    row = np.flatnonzero(np.isfinite(phase_s) & np.isfinite(time_s))
    step_s, phase_step_s = np.diff(time_s[row]), np.diff(phase_s[row])
    advancing = step_s > 0
    if int(advancing.sum()) < MIN_STEPS:
        return _SIGN[log.phase_sign] * phase_s, ()
    median_s = float(np.median(step_s[advancing]))
    near = advancing & (step_s <= GAP_INTERVALS * median_s)
    remarks: list[str] = []
    steps = phase_step_s[near]
    if log.phase_wrap_s is not None:
        steps = np.unwrap(steps - log.phase_wrap_s * np.round(steps / log.phase_wrap_s), period=log.phase_wrap_s)
        remarks += _wrap_remarks(phase_step_s[near], steps, log.phase_wrap_s, median_s)
    period_s = 1.0 / oscillator.nominal_hz if oscillator.nominal_hz else None
    steps, slips = _without_slips(steps, step_s[near], period_s)
    line = line[row[1:][near]]
    remarks += _slip_remarks(slips, line, period_s)
    if log.phase_wrap_s is None:
        remarks += _seems_wrapped(steps, step_s[near], phase_s, line)
    joined_s = np.full(len(phase_s), np.nan)
    every = phase_step_s.copy()
    every[near] = steps
    joined_s[row] = phase_s[row[0]] + np.concatenate([[0.0], np.cumsum(every)])
    changed = not np.array_equal(every, phase_step_s)
    return _SIGN[log.phase_sign] * (joined_s if changed else phase_s), tuple(remarks)


def _wrap_remarks(raw: FloatArray, steps: FloatArray, wrap_s: float, median_s: float) -> Iterator[str]:
    wraps = int(np.sum(np.abs(steps - raw) > wrap_s / 2))
    if wraps:
        yield f"The phase wraps {wraps} times, by whole multiples of {wrap_s:g} s, and was joined there."
    alias_ppb = wrap_s / median_s * PPB_PER_UNIT["1"]
    if alias_ppb < 2 * LARGEST_OFFSET_PPB:
        yield (
            f"Between rows {median_s:g} s apart, a phase that wraps at {wrap_s:g} s determines offsets except for whole multiples "
            f"of {alias_ppb:.4g} ppb; the first is taken as the nearest to zero: check it against a frequency."
        )


def _deviations(steps: FloatArray, step_s: FloatArray) -> tuple[FloatArray, float]:
    """The deviation of each step of the phase from its neighbours' rate, and a robust scale of it. [s]"""
    rate = steps / step_s
    padded = np.pad(rate, SLIP_NEIGHBOURS, mode="reflect") if len(rate) > SLIP_NEIGHBOURS else np.pad(
        rate, SLIP_NEIGHBOURS, mode="edge"
    )  # fmt: skip
    usual = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * SLIP_NEIGHBOURS + 1), axis=1)
    deviation_s = (rate - usual) * step_s
    return deviation_s, robust_sd(deviation_s)


def _without_slips(steps: FloatArray, step_s: FloatArray, period_s: float | None) -> tuple[FloatArray, IntArray]:
    """The steps without slips of whole cycles of the oscillator, and the number of cycles removed from each."""
    slips = np.zeros(len(steps), dtype=np.int64)
    if period_s is None:
        return steps, slips
    deviation_s, scale_s = _deviations(steps, step_s)
    tolerance_s = SLIP_SCALES * scale_s + SLIP_ROUND_OFF * float(np.max(np.abs(steps), initial=0.0))
    cycles = np.round(deviation_s / period_s)
    whole = np.abs(deviation_s - cycles * period_s) <= tolerance_s
    # Where the noise reaches a quarter of a cycle, any outlier looks like whole cycles.
    if tolerance_s < period_s / 4:
        slips = np.where(whole & (cycles != 0) & (np.abs(cycles) <= MAX_CYCLES), cycles, 0).astype(np.int64)
    if np.count_nonzero(slips) > MAX_SLIPS * len(steps):
        return steps, np.zeros_like(slips)
    return steps - slips * period_s, slips


def _slip_remarks(slips: IntArray, line: IntArray, period_s: float | None) -> Iterator[str]:
    at = np.flatnonzero(slips)
    if at.size and period_s is not None:
        what = "1 slip" if at.size == 1 else f"{at.size} slips"
        yield (
            f"{what} of whole cycles of the oscillator ({1e9 * period_s:.6g} ns) {'was' if at.size == 1 else 'were'} removed "
            f"from the phase, the first of {slips[at[0]]:+d} at line {line[at[0]]}."
        )


def _seems_wrapped(steps: FloatArray, step_s: FloatArray, phase_s: FloatArray, line: IntArray) -> Iterator[str]:
    """A remark where the phase falls back by about its whole span, always by the same amount."""
    deviation_s, scale_s = _deviations(steps, step_s)
    span_s = float(np.nanmax(phase_s) - np.nanmin(phase_s))
    back = np.flatnonzero(np.abs(deviation_s) > max(WRAP_SPAN * span_s, SLIP_SCALES * scale_s))
    if not back.size:
        return
    period_s = float(np.median(np.abs(deviation_s[back])))
    rounded_s = float(f"{period_s:.1g}")
    if np.ptp(np.abs(deviation_s[back])) < 0.01 * period_s and abs(period_s - rounded_s) < 0.01 * period_s:
        yield (
            f"The phase jumps by {rounded_s:g} s, about its whole span, {back.size} times, first at line {line[back[0]]}, so the "
            f"counter seems to restart there: phase_wrap_s = {rounded_s:g} would join it."
        )


def refuse_wrong_nominal(
    offset_ppb: FloatArray, values: dict[Column, Any], log: RunLog, oscillator: Oscillator
) -> None:
    """Refuse a log whose offsets no crystal has, and name the nominal or the unit that would fit.

    Raises
    ------
    RunError
        The median offset is beyond 2000 ppm; or, in a column of offsets, many are, or they span more than a crystal does.
    """
    finite = offset_ppb[np.isfinite(offset_ppb)]
    median_ppb = float(np.median(finite)) if finite.size else 0.0
    if abs(median_ppb) <= LARGEST_OFFSET_PPB:
        if log.offset is not None and finite.size:
            _refuse_wide_offsets(finite, values[log.offset], log)
        return
    median_ppm = median_ppb / PPB_PER_UNIT["ppm"]
    found = f"{log.file}: the median offset is {median_ppm:.6g} ppm, beyond the 2000 ppm of any crystal"
    if log.frequency is not None:
        reading = values[log.frequency]
        frequency_hz = float(np.nanmedian(reading)) * HZ_PER_UNIT[log.frequency_unit]
        key, given = ("reference_hz", log.reference_hz) if log.reference_hz else ("nominal_hz", _nominal_hz(oscillator))
        unit = fitting_unit(frequency_hz / HZ_PER_UNIT[log.frequency_unit], given)
        other = "" if unit else _other_quantity(reading[np.isfinite(reading)], given, log)
        if other:
            raise RunError(f"{found}: {column_label(log.frequency)} {other}")
        if frequency_hz <= 0:
            raise RunError(f"{found}: the median frequency is {frequency_hz:.6g} Hz; check the frequency column")
        fits = f'frequency_unit = "{unit}"' if unit else f"{key} = {nominal_text(frequency_hz)}"
        wrong = f'frequency_unit = "{log.frequency_unit}"' if unit else f"{key} = {given:.10g}"
        raise RunError(f"{found}: {wrong} is probably wrong; {fits} would fit")
    if log.offset is not None:
        fitting = _fitting_units(values[log.offset], log.offset_unit)
        raise RunError(f'{found}: offset_unit = "{log.offset_unit}" is probably wrong; {fitting}')
    if log.event is not None:
        raise RunError(f"{found}: period_s = {log.period_s:g} is probably wrong, or event is another column")
    if log.phase is not None:
        given_ppb = {unit: abs(median_ppb) * size / S_PER_UNIT[log.phase_unit] for unit, size in S_PER_UNIT.items()}
        units = [f'"{unit}"' for unit, ppb in given_ppb.items() if ppb <= LARGEST_OFFSET_PPB]
        fits = f"{' or '.join(units)} would fit" if units else "no unit fits, so check the column and phase_wrap_s"
        raise RunError(f'{found}: phase_unit = "{log.phase_unit}" is probably wrong; {fits}')
    raise RunError(f"{found}: reading and trusted must be in the same unit; check the columns")


def _nominal_hz(oscillator: Oscillator) -> float:
    if oscillator.nominal_hz is None:
        raise RunError(f"{oscillator.name}: a frequency column needs [oscillator] nominal_hz")
    return oscillator.nominal_hz


def nominal_text(frequency_hz: float) -> str:
    """A frequency as nominals are written: a power of two, or as few digits as stay within 200 ppm.

    >>> nominal_text(32_769.1), nominal_text(12_800_064.0)
    ('32768', '12800000')
    """
    power = 2.0 ** round(math.log2(frequency_hz)) if frequency_hz > 0 else 0.0
    texts = [f"{power:.10g}", *(f"{frequency_hz:.{digits}g}" for digits in range(1, 6))]
    return next(f"{float(one):.10g}" for one in texts if math.isclose(float(one), frequency_hz, rel_tol=200e-6))


def fitting_unit(reading: float, nominal_hz: float) -> str | None:
    """The unit in which a reading lies within 2000 ppm of a nominal; None if there is none.

    >>> fitting_unit(12_800.01, 12_800_000.0), fitting_unit(10_000.0, 12_800_000.0)
    ('kHz', None)
    """
    fits = [unit for unit, hz in HZ_PER_UNIT.items() if math.isclose(reading * hz, nominal_hz, rel_tol=2e-3)]
    return fits[0] if fits else None


MAX_SPAN_PPB = 500e3
"""500 ppm: no crystal moves so far in a run (a tuning fork moves 150 ppm over 65 degC; common practice, no source)."""
MIN_SPAN_PPB = 1e-3
"""1 ppt, the firmware's unit: no crystal moves by so little while its temperature moves (common practice, no source)."""
MIN_ROWS = 20
"""Fewer offsets do not separate a wrong unit from a few gross errors."""
FEW_BEYOND = 0.1
"""Largest share of offsets beyond 2000 ppm that may be gross errors."""
FEW_WORDS = 5
"""Up to so many distinct values may stand for a missing one."""
UNITS_NAMED = ("1", "ppm", "ppb")
"""Units that a message may suggest."""


@np.errstate(over="ignore", invalid="ignore")
def _refuse_wide_offsets(finite_ppb: FloatArray, values: FloatArray, log: RunLog) -> None:
    """Refuse many offsets beyond 2000 ppm, or a wide span: they show a wrong unit."""
    beyond = finite_ppb[np.abs(finite_ppb) > LARGEST_OFFSET_PPB]
    share = len(beyond) / len(finite_ppb)
    span_ppb = float(np.diff(np.percentile(finite_ppb, [5, 95]))[0])
    if len(finite_ppb) < MIN_ROWS:
        return
    if share > FEW_BEYOND and len(np.unique(beyond)) > FEW_WORDS:
        found = f"{100 * share:.0f} % of the offsets are beyond the 2000 ppm of any crystal"
    elif span_ppb > MAX_SPAN_PPB:
        found = (
            f"the offsets span {span_ppb / PPB_PER_UNIT['ppm']:.4g} ppm, those of a tuning-fork crystal some 150 ppm"
        )
    else:
        return
    fitting = _fitting_units(values, log.offset_unit)
    raise RunError(f'{log.file}: {found}: offset_unit = "{log.offset_unit}" is probably wrong; {fitting}')


def _span(values: FloatArray) -> float:
    """From the 1st to the 99th percentile, so that single wild values do not count."""
    return float(np.diff(np.percentile(values, [1, 99]))[0]) if values.size else 0.0


@np.errstate(over="ignore", invalid="ignore")
def unit_warnings(offset_ppb: FloatArray, values: dict[Column, Any], log: RunLog) -> tuple[str, ...]:
    """Warnings about the unit of a column of offsets: its name states another, or the offsets hardly move."""
    if log.offset is None or log.offset_unit is None:
        return ()
    remarks = []
    named = re.search(r"pp[mbt](?![a-z])", str(log.offset), re.IGNORECASE)
    same = named is None or PPB_PER_UNIT.get(log.offset_unit) == PPB_PER_UNIT[named[0].lower()]
    if named is not None and not same:
        remarks.append(
            f'{column_label(log.offset)} is taken in the unit "{log.offset_unit}", but its name says {named[0]}'
        )
    span_ppb = _span(offset_ppb[np.isfinite(offset_ppb)])
    if 0 < span_ppb < MIN_SPAN_PPB and len(offset_ppb) > FEW_WORDS:
        fitting = _fitting_units(values[log.offset], log.offset_unit)
        remarks.append(
            f'the offsets move by {span_ppb:.2g} ppb only, as no crystal does: offset_unit = "{log.offset_unit}" is probably '
            f"wrong; {fitting}"
        )
    return tuple(remarks)


def _other_quantity(reading: FloatArray, given_hz: float, log: RunLog) -> str:
    """What a column named as frequency holds instead, and what to do; empty if it may hold frequencies."""
    median = float(np.median(reading))
    reading_hz = median * HZ_PER_UNIT[log.frequency_unit]
    wide = len(reading) > 1 and _span(reading) > MAX_SPREAD * abs(median)
    if median != 0.0 and wide and abs(reading_hz) < LARGEST_OFFSET_PPB / PPB_PER_UNIT["1"] * given_hz:
        return 'seems to hold deviations from the nominal; name it as offset, with offset_unit = "Hz"'
    for unit, unit_s in (("s", 1.0), ("ms", 1e-3), ("us", 1e-6), ("ns", 1e-9)):
        if median > 0 and math.isclose(1.0 / (median * unit_s), given_hz, rel_tol=2e-3):
            return f"seems to hold periods in {unit}; log the frequency, which is 1 / period"
    for gate_s in (10.0, 100.0):
        if math.isclose(reading_hz / gate_s, given_hz, rel_tol=2e-3):
            times_hz = gate_s * given_hz
            return f"seems to count over a gate of {gate_s:g} s; divide it by that, or give {times_hz:.10g} for the nominal"
    return ""


def _fitting_units(values: FloatArray, given: str | None) -> str:
    finite = values[np.isfinite(values)]
    median, span = abs(float(np.median(finite))), _span(finite)
    others = {unit: PPB_PER_UNIT[unit] for unit in UNITS_NAMED if unit != given}
    units = [
        f'"{unit}"'
        for unit, ppb in others.items()
        if median * ppb <= LARGEST_OFFSET_PPB and (span == 0 or MIN_SPAN_PPB <= span * ppb <= MAX_SPAN_PPB)
    ]
    if units:
        return f"{' or '.join(units)} would fit"
    return "no unit fits; if the column holds frequencies, name it as frequency"
