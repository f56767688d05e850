"""Every conversion between units, once.

The offset y = (f - f_nominal) / f_nominal is a pure number, positive when the oscillator runs
fast (IEEE Std 1139).  Python carries it in ppb (1e-9), the firmware in ppt (1e-12).
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

# A job's keys need these units before any library is loaded: numpy's arrays are named for the type checker alone.
Number = TypeVar("Number", float, "NDArray[np.float64]")

HZ_PER_UNIT = {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6}
PPT_PER_PPB = 1000
SECONDS_PER_DAY = 86_400.0
DAYS_PER_YEAR = 365.25
MONTHS_PER_YEAR = 12.0
PPB_PER_UNIT = {
    "1": 1e9, "ppm": 1e3, "ppb": 1.0, "ppt": 1.0 / PPT_PER_PPB,
    "1e-6": 1e3, "1e-7": 1e2, "1e-8": 1e1, "1e-9": 1.0, "1e-10": 1e-1, "1e-11": 1e-2, "1e-12": 1e-3,
    "s/day": 1e9 / SECONDS_PER_DAY, "s/month": 1e9 / (SECONDS_PER_DAY * DAYS_PER_YEAR / MONTHS_PER_YEAR),
}  # fmt: skip
"""Units of an offset that need no nominal frequency; a clock that gains runs fast."""
SECONDS_PER_HOUR = 3_600.0
SECONDS_PER_MINUTE = 60.0
MINUTES_PER_HOUR = 60.0
UNIX_EPOCH_MJD = 40_587
"""Modified Julian Date of 1970-01-01T00:00:00Z (arithmetic on the definition MJD = JD - 2400000.5)."""


def offset_ppb_of_frequency(frequency_hz: Number, nominal_hz: float) -> Number:
    """Offset of an oscillator whose frequency was measured against a trusted reference. [ppb]

    The nominal is subtracted before anything is divided, so that the offset keeps every digit
    that the reading has.

    Examples
    --------
    >>> round(offset_ppb_of_frequency(12_800_012.8, 12_800_000.0), 6)
    1000.0
    """
    return (frequency_hz - nominal_hz) / nominal_hz * 1e9


def offset_ppb_of_timebase(shown_hz: Number, trusted_hz: Number | float) -> Number:
    """Offset of an instrument's own timebase, from a trusted frequency that it shows. [ppb]

    A counter whose timebase is off by y shows f_true / (1 + y), so y = f_true / f_shown - 1: a
    fast timebase shows too little.

    Examples
    --------
    >>> round(offset_ppb_of_timebase(9_999_990.0, 10_000_000.0), 3)
    1000.001
    """
    return (trusted_hz - shown_hz) / shown_hz * 1e9


def turned_offset_ppb(offset_ppb: Number) -> Number:
    """Offset of the timebase, from the offset that it shows of a trusted source. [ppb]

    1 + y = 1 / (1 + d), with d the departure shown.

    Examples
    --------
    >>> round(turned_offset_ppb(-1000.0), 6)
    1000.001
    """
    return -offset_ppb / (1.0 + offset_ppb * 1e-9)


def true_frequency(shown: Number, offset_ppb: Number) -> Number:
    """The frequency that an instrument shows, free of its timebase's offset: shown (1 + y); in the unit of the reading.

    The correction is added to the reading, so that the sum keeps every digit that a float has.

    Examples
    --------
    >>> true_frequency(9_999_990.0, 1000.0)
    9999999.99999
    """
    return shown + shown * (offset_ppb * 1e-9)


def true_interval(shown: Number, offset_ppb: Number) -> Number:
    """The interval that an instrument shows, free of its timebase's offset: shown / (1 + y); in the unit of the reading.

    Examples
    --------
    A second, counted by a timebase that is 1000 ppb fast:

    >>> round(true_interval(1.000001, 1000.0), 15)
    1.0
    """
    return shown - shown * (offset_ppb / (1e9 + offset_ppb))


def seconds_per_day(offset_ppb: Number) -> Number:
    """What a clock on this oscillator gains in a day. [s]

    Examples
    --------
    1 ppm is 86.4 ms per day (arithmetic: 86 400 s times 1e-6):

    >>> round(seconds_per_day(1000.0) * 1e3, 9)
    86.4
    """
    return offset_ppb * 1e-9 * SECONDS_PER_DAY


def short(value: float) -> str:
    """Two digits, without powers of ten below a million: for the size of something in a sentence.

    >>> short(123.4), short(0.0123)
    ('120', '0.012')
    """
    return f"{float(f'{value:.2g}'):g}"


def chance(probability: float) -> str:
    """A drawn probability, which is never certain.

    >>> chance(0.9964), chance(1.0), chance(0.0)
    ('over 99 %', 'over 99 %', 'under 1 %')
    """
    if probability > 0.99:
        return "over 99 %"
    return "under 1 %" if probability < 0.01 else f"{100 * probability:.0f} %"


def degc_text(temperature_c: float) -> str:
    """A temperature with four digits, for a sentence; what is left of a zero by round-off is 0.

    >>> degc_text(4.392e-13), degc_text(-12.3456), degc_text(50.0)
    ('0', '-12.35', '50')
    """
    return f"{round(float(temperature_c), 4) + 0.0:.4g}"


EARLIEST_CLOCK_S = 1e8
"""Below this a time counts seconds since a start, as the reader of logs takes it. [s]"""
LATEST_CLOCK_S = 1e11
"""Beyond this, in the year 5138, a number is no date: a damaged log may hold any number. [s]"""


def utc(time_s: float) -> str:
    """A time as text: UTC for a time of a clock, else seconds.

    >>> utc(1_772_436_600.0), utc(3600.0)
    ('2026-03-02T07:30:00Z', '3600 s')
    """
    if not EARLIEST_CLOCK_S <= time_s < LATEST_CLOCK_S:
        return f"{time_s:g} s"
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
