"""What is done with an offset, on plain integers: the specification of the generated C.

An oscillator that is off by y (positive: fast; y = offset_ppt * 1e-12) misleads in three ways, each
a matter of arithmetic:

- a counter on it shows f_true / (1 + y), so the true frequency is the one shown times (1 + y);
- an interval counted on it shows t_true * (1 + y), so the true one is the one shown over (1 + y);
- a synthesiser on it puts out (1 + y) times what was asked, so the word is divided by (1 + y).

Every result is exact: the nearest integer, ties away from zero, held at the ends of its type.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tcomp.errors import FirmwareError

PPT = 10**12
INT32_MIN, INT32_MAX = -(2**31), 2**31 - 1
INT64_MIN, INT64_MAX = -(2**63), 2**63 - 1
UINT32_MAX = 2**32 - 1


def true_frequency(shown: int, offset_ppt: int) -> int:
    """Frequency behind what a counter shows whose timebase is off: shown * (1 + y).

    Parameters
    ----------
    shown : int
        Any unit; an int64.
    offset_ppt : int
        Offset of the timebase, an int32. [ppt]

    Returns
    -------
    int
        In the unit of ``shown``, held within an int64.

    Raises
    ------
    FirmwareError
        A value is outside its type.

    Examples
    --------
    A timebase fast by 1 ppm counts for too short a time: it shows 10 Hz in 10 MHz too little.

    >>> true_frequency(9_999_990, 1_000_000)
    10000000
    """
    _check("shown", shown, INT64_MIN, INT64_MAX)
    _check("offset_ppt", offset_ppt, INT32_MIN, INT32_MAX)
    return min(max(_rounded_ratio(shown * (PPT + offset_ppt), PPT), INT64_MIN), INT64_MAX)


def true_interval(shown: int, offset_ppt: int) -> int:
    """Interval behind what a counter shows whose timebase is off: shown / (1 + y).

    Parameters, result and errors are those of :func:`true_frequency`.

    Examples
    --------
    A clock fast by 10 ppm shows 864 ms too much after a day.

    >>> true_interval(86_400_864, 10_000_000)
    86400000
    """
    _check("shown", shown, INT64_MIN, INT64_MAX)
    _check("offset_ppt", offset_ppt, INT32_MIN, INT32_MAX)
    return min(max(_rounded_ratio(shown * PPT, PPT + offset_ppt), INT64_MIN), INT64_MAX)


def tuning_word(wanted: int, offset_ppt: int) -> int:
    """Word for a synthesiser whose clock is off: wanted / (1 + y).

    Parameters
    ----------
    wanted : int
        The word that would do if the clock were right; a uint32.
    offset_ppt : int
        Offset of the clock, an int32. [ppt]

    Returns
    -------
    int
        Held within a uint32.

    Raises
    ------
    FirmwareError
        A value is outside its type.

    Examples
    --------
    A clock fast by 100 ppm needs a word smaller by 1e-4 of itself.

    >>> tuning_word(1_000_100_000, 100_000_000)
    1000000000
    """
    _check("wanted", wanted, 0, UINT32_MAX)
    _check("offset_ppt", offset_ppt, INT32_MIN, INT32_MAX)
    return min(_rounded_ratio(wanted * PPT, PPT + offset_ppt), UINT32_MAX)


@dataclass(frozen=True)
class Correction:
    """One correction: its name in the job file, in the C, and the specification."""

    name: str
    function: str
    least: int
    largest: int
    specification: Callable[[int, int], int]


CORRECTIONS = {
    correction.name: correction
    for correction in (
        Correction("frequency", "true_frequency", INT64_MIN, INT64_MAX, true_frequency),
        Correction("interval", "true_interval", INT64_MIN, INT64_MAX, true_interval),
        Correction("tuning-word", "tuning_word", 0, UINT32_MAX, tuning_word),
    )
}


def check_corrections(names: tuple[str, ...]) -> None:
    """Refuse corrections that do not exist.

    Raises
    ------
    FirmwareError
        A name is unknown, or stands twice.
    """
    for name in names:
        if name not in CORRECTIONS:
            raise FirmwareError(f'correction "{name}" is unknown; expected some of {", ".join(CORRECTIONS)}')
    if len(set(names)) < len(names):
        raise FirmwareError(f"the corrections {', '.join(names)} name one twice; expected each once")


def _rounded_ratio(numerator: int, denominator: int) -> int:
    """Nearest integer to a ratio of integers, ties away from zero; the denominator is positive."""
    magnitude = (2 * abs(numerator) + denominator) // (2 * denominator)
    return magnitude if numerator >= 0 else -magnitude


def _check(name: str, value: int, least: int, largest: int) -> None:
    if not least <= value <= largest:
        raise FirmwareError(f"{name} is {value}; expected an integer from {least} to {largest}")
