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
from math import gcd

from tcomp.errors import FirmwareError

PPT = 10**12
INT32_MIN, INT32_MAX = -(2**31), 2**31 - 1
INT64_MIN, INT64_MAX = -(2**63), 2**63 - 1
UINT32_MAX = 2**32 - 1
LARGEST_WORD_48 = 2**48 - 1
Vector = tuple[int, int]
"""What is given, and the offset. [any unit, ppt]"""


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
    return _word(wanted, offset_ppt, UINT32_MAX)


def tuning_word_48(wanted: int, offset_ppt: int) -> int:
    """Word of 48 bits for a synthesiser whose clock is off: wanted / (1 + y).

    Also the ratio a + f / 2**n of a fractional-N loop, as the integer a * 2**n + f.

    Parameters
    ----------
    wanted : int
        The word that would do if the clock were right, 0 to 2**48 - 1.
    offset_ppt : int
        Offset of the clock, an int32. [ppt]

    Returns
    -------
    int
        Held within 48 bits.

    Raises
    ------
    FirmwareError
        A value is outside its type.

    Examples
    --------
    A clock fast by 100 ppm needs a word smaller by 1e-4 of itself.

    >>> tuning_word_48(100_010_000_000_000, 100_000_000)
    100000000000000
    """
    return _word(wanted, offset_ppt, LARGEST_WORD_48)


def _word(wanted: int, offset_ppt: int, largest: int) -> int:
    _check("wanted", wanted, 0, largest)
    _check("offset_ppt", offset_ppt, INT32_MIN, INT32_MAX)
    return min(_rounded_ratio(wanted * PPT, PPT + offset_ppt), largest)


@dataclass(frozen=True)
class Correction:
    """One correction.

    Parameters
    ----------
    name, function : str
        Its name in the job file, and in programs behind the symbol.
    least, largest : int
        What it takes and gives: an int64, or a uint32.
    specification : callable
        What is given and the offset [ppt], to the result.
    pieces : tuple of str
        Templates of C that it needs, in the order of their text.
    example, example_text
        A value to show it with, and the sentence about it and its result.
    needs : tuple of str
        Names of others that its C calls.
    """

    name: str
    function: str
    least: int
    largest: int
    specification: Callable[[int, int], int]
    pieces: tuple[str, ...]
    example: int
    example_text: str
    needs: tuple[str, ...] = ()

    @property
    def is_word(self) -> bool:
        """Whether it takes a uint32, not an int64."""
        return self.largest == UINT32_MAX

    @property
    def c_type(self) -> str:
        """What it takes and gives in C."""
        return "uint32_t" if self.is_word else "int64_t"


FREQUENCY = Correction(
    "frequency", "true_frequency", INT64_MIN, INT64_MAX, true_frequency, ("wide.c", "sign.c"),
    10_000_000_000, "A counter on it that shows {0} mHz is fed {1} mHz",
)  # fmt: skip
INTERVAL = Correction(
    "interval", "true_interval", INT64_MIN, INT64_MAX, true_interval, ("wide.c", "sign.c", "share.c"),
    1_000_000_000, "An interval that it shows as {0} ns lasted {1} ns",
)  # fmt: skip
TUNING_WORD = Correction(
    "tuning-word", "tuning_word", 0, UINT32_MAX, tuning_word, ("wide.c", "share.c"),
    1_000_000_000, "Where a synthesiser on it would need the word {0}, give it {1}",
)  # fmt: skip
TUNING_WORD_48 = Correction(
    "tuning-word-48", "tuning_word_48", 0, LARGEST_WORD_48, tuning_word_48, INTERVAL.pieces,
    100_000_000_000_000, "Where one of 48 bits would need the word {0}, give it {1}", ("interval",),
)  # fmt: skip
CORRECTIONS = {correction.name: correction for correction in (FREQUENCY, INTERVAL, TUNING_WORD, TUNING_WORD_48)}
"""Each correction by its name in the job file, in the order in which the C has them."""


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


def with_needed(names: tuple[str, ...]) -> tuple[Correction, ...]:
    """Those of these names and those that they call, in the order of the catalogue."""
    needed = {need for name in names for need in CORRECTIONS[name].needs}
    return tuple(one for name, one in CORRECTIONS.items() if name in names or name in needed)


def ties() -> list[Vector]:
    """Arguments whose exact result lies halfway between two integers.

    shown * (1 + y) does for shown = 500 000 and odd multiples of 1 ppm.  wanted / (1 + y) does where
    the denominator D = 10**12 + offset_ppt has as many factors of two as 2 * 10**12, which is 13, and
    2 * wanted is a multiple of the rest of D: for offsets of 4096 times 1, 5, 9 and so on.
    """
    multiplied = [(500_000 * sign, 1_000_000 * odd) for odd in (1, -1, 3) for sign in (1, -1)]
    divided = []
    for offset_ppt in (4096 * factor for factor in (1, 9, -3, 400_001, -400_003)):
        denominator = PPT + offset_ppt
        shown = denominator // gcd(denominator, 2 * PPT)
        divided += [(shown, offset_ppt), (-shown, offset_ppt), (3 * shown, offset_ppt)]
    return multiplied + divided


def _rounded_ratio(numerator: int, denominator: int) -> int:
    """Nearest integer to a ratio of integers, ties away from zero; the denominator is positive."""
    magnitude = (2 * abs(numerator) + denominator) // (2 * denominator)
    return magnitude if numerator >= 0 else -magnitude


def _check(name: str, value: int, least: int, largest: int) -> None:
    if not least <= value <= largest:
        raise FirmwareError(f"{name} is {value}; expected an integer from {least} to {largest}")
