"""The offset, formed from whatever quantity a log holds.

Examples
--------
A counter whose own timebase is tested shows 9 999 990 Hz of a trusted 10 MHz: it is 1 000.001 ppb
fast, for it counts 1 + y times as many of its own seconds.

>>> from pathlib import Path
>>> log = RunLog(Path("x.csv"), "t", frequency="f", role="timebase", reference_hz=10e6)
>>> offset_ppb = offsets_of({"f": np.array([9_999_990.0])}, log, Oscillator("counter"))
>>> offset_ppb.round(3).tolist()
[1000.001]
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import RunError
from tcomp.job import Column, Oscillator, RunLog
from tcomp.run.record import GAP_INTERVALS
from tcomp.units import HZ_PER_UNIT, PPB_PER_UNIT, offset_ppb_of_frequency, offset_ppb_of_timebase, turned_offset_ppb

Floats = NDArray[np.float64]

LARGEST_OFFSET_PPB = 2e6
"""2000 ppm: beyond it no crystal oscillator runs, so a nominal or a unit is wrong."""


def offsets_of(values: dict[Column, Any], log: RunLog, oscillator: Oscillator) -> Floats:
    """Offset of each row, from frequency, offset, or reading and trusted. [ppb]"""
    with np.errstate(all="ignore"):  # fill values and zeros give what cleaning drops
        if log.frequency is not None:
            # The nominal goes into the column's unit, not the column into Hz: so no digit of a reading is rounded away.
            unit_hz = HZ_PER_UNIT[log.frequency_unit]
            if log.reference_hz is not None:
                return offset_ppb_of_timebase(values[log.frequency], log.reference_hz / unit_hz)
            return offset_ppb_of_frequency(values[log.frequency], _nominal_hz(oscillator) / unit_hz)
        if log.offset is not None and log.offset_unit is not None:
            offset_ppb = values[log.offset] * PPB_PER_UNIT[log.offset_unit]
            return turned_offset_ppb(offset_ppb) if log.role == "timebase" else offset_ppb
        if log.reading is None:
            raise RunError(f"{log.file}: the [[run]] block names no quantity; name one of frequency, offset, reading")
        reading = values[log.reading]
        trusted = np.mean([values[column] for column in log.trusted], axis=0)
        above, below = (trusted, reading) if log.role == "timebase" else (reading, trusted)
        return np.asarray(PPB_PER_UNIT["1"] * (above - below) / below)


def intervals_of_phase(
    time_s: Floats, temperature_c: Floats, phase_s: Floats, role: str
) -> tuple[Floats, Floats, Floats, NDArray[np.int64]]:
    """Mean offset over each interval between rows, from the time departure x: y = dx/dt.

    A sample stands at the middle of its interval, with the mean of the temperatures at both ends. No
    sample is formed across a gap; where time does not advance the offset is NaN.

    Returns
    -------
    time_s, temperature_c, offset_ppb : ndarray of shape (n_intervals,)
    end : ndarray of shape (n_intervals,)
        Row that ends each interval.
    """
    with np.errstate(all="ignore"):
        step_s = np.diff(time_s)
        offset_ppb = np.where(step_s > 0, np.diff(phase_s) / step_s * PPB_PER_UNIT["1"], np.nan)
        middle_s, mean_c = (time_s[1:] + time_s[:-1]) / 2, (temperature_c[1:] + temperature_c[:-1]) / 2
        advancing = step_s[step_s > 0]
        near = ~(step_s > GAP_INTERVALS * np.median(advancing)) if advancing.size else np.full(len(step_s), True)
        turned = turned_offset_ppb(offset_ppb) if role == "timebase" else offset_ppb
    return middle_s[near], mean_c[near], turned[near], np.flatnonzero(near) + 1


def refuse_wrong_nominal(offset_ppb: Floats, values: dict[Column, Any], log: RunLog, oscillator: Oscillator) -> None:
    """Refuse a log whose median offset no crystal has, and say which nominal or unit would fit.

    Raises
    ------
    RunError
        The median offset lies beyond 2000 ppm.
    """
    finite = offset_ppb[np.isfinite(offset_ppb)]
    median_ppb = float(np.median(finite)) if finite.size else 0.0
    if abs(median_ppb) <= LARGEST_OFFSET_PPB:
        return
    median_ppm = median_ppb / PPB_PER_UNIT["ppm"]
    found = f"{log.file}: the median offset is {median_ppm:.6g} ppm, beyond the 2000 ppm of any crystal"
    if log.frequency is not None:
        frequency_hz = float(np.nanmedian(values[log.frequency])) * HZ_PER_UNIT[log.frequency_unit]
        if frequency_hz <= 0:
            raise RunError(f"{found}: the median frequency is {frequency_hz:.6g} Hz; check the frequency column")
        key, given = ("reference_hz", log.reference_hz) if log.reference_hz else ("nominal_hz", _nominal_hz(oscillator))
        unit = fitting_unit(frequency_hz / HZ_PER_UNIT[log.frequency_unit], given)
        fits = f'frequency_unit = "{unit}"' if unit else f"{key} = {nominal_text(frequency_hz)}"
        wrong = f'frequency_unit = "{log.frequency_unit}"' if unit else f"{key} = {given:.10g}"
        raise RunError(f"{found}: {wrong} is probably wrong; {fits} would fit")
    if log.offset is not None:
        fitting = _fitting_units(values[log.offset])
        raise RunError(f'{found}: offset_unit = "{log.offset_unit}" is probably wrong; {fitting}')
    if log.phase is not None:
        raise RunError(f"{found}: the phase column must hold the time departure in seconds; check its unit")
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


def _fitting_units(values: Floats) -> str:
    median = abs(float(np.nanmedian(values)))
    units = [f'"{unit}"' for unit, ppb in PPB_PER_UNIT.items() if median * ppb <= LARGEST_OFFSET_PPB]
    if units:
        return f"{' or '.join(units)} would fit"
    return "no unit fits; if the column holds frequencies, name it as frequency"
