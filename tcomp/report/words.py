"""Numbers as people read them, and the cautions that every report and schedule shows."""

from __future__ import annotations

import math


def number(value: float | None, digits: int = 3) -> str:
    """A number with so many significant digits, without powers of ten where a person would not write them.

    >>> number(1234.56), number(0.01234), number(-0.0), number(None), number(12800000.0, 8)
    ('1235', '0.0123', '0', 'unknown', '12800000')
    """
    if value is None or not math.isfinite(value):
        return "unknown"
    if value == 0:
        return "0"
    size = _power_of_ten(value, digits)
    if not -5 < size < 9:
        return f"{value:.{digits}g}"
    rounded = round(value, digits - 1 - size) if size < digits else round(value)
    return f"{rounded:.{max(digits - 1 - size, 0)}f}"


def with_u(value: float | None, u: float | None, unit: str) -> str:
    """A value with its standard uncertainty, both to two digits of the latter; None: it is not known.

    >>> with_u(169.412, 0.537, "s")
    '169.41 s (u 0.54 s)'
    """
    if value is None or u is None or not math.isfinite(u) or u <= 0:
        return f"{number(value, 5)} {unit}"
    decimals = max(0, 1 - _power_of_ten(u, 2))
    return f"{value:z.{decimals}f} {unit} (u {u:.{decimals}f} {unit})"


def _power_of_ten(value: float, digits: int) -> int:
    """Of the value as it will be shown: 0.0996 to two digits is 0.10."""
    return int(f"{value:.{digits - 1}e}".split("e")[1])


CHAMBER_CAUTIONS = (
    "A heater left alone can start a fire: give the chamber an independent thermal cut-out that works without any software, "
    "and do not leave it unattended.",
    "Cold and dry ice burn the skin and eyes: cover both. The gas of dry ice suffocates in a closed room or car, without "
    "warning: only with moving air, and never in a closed container.",
    "Powered boards collect water when they come out of the cold: let them come back to the room before the chamber is opened.",
    "Instruments hold mains inside; transformers and filters stay energised even when the front switch is off. Unplug, wait, "
    "and leave what you are not licensed for to those who are.",
    "Lithium cells must not be heated or frozen beyond what their maker states: take them out before a sweep.",
    "Follow your local codes; this text replaces none of them.",
)

CAUTIONS = (
    *CHAMBER_CAUTIONS,
    "Beyond its range the table holds the value of its end: it is not a forecast. The curve ages with the crystal: trim its base "
    "against a trusted reference from time to time.",
)
