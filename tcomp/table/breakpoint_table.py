"""Knots wherever the curve wants them: a binary search finds them, and a stored reciprocal spares the division."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import TableError
from tcomp.table.lookup import PART_BITS, CorrectionTable, Integers, check_choice, check_integer, interpolated


@dataclass(frozen=True)
class Breakpoints:
    """Free knots.

    Parameters
    ----------
    knots : tuple of int
        Their codes, ascending, 2 or more apart.

    Examples
    --------
    >>> breakpoints = Breakpoints((0, 10, 30))
    >>> breakpoints.part_shift, breakpoints.reciprocals
    (3, (52428, 26214))
    >>> breakpoints.placed(np.array([0, 5, 10, 25]))
    (array([0, 0, 1, 1]), array([    0, 32767,     0, 49151]))
    """

    knots: tuple[int, ...]

    def __post_init__(self) -> None:
        check_integer("the number of breakpoints", len(self.knots), 2, 2**15)
        for knot in self.knots:
            check_integer("a breakpoint", knot, -(2**16), 2**17)
        widths = np.diff(self.knots)
        if widths.min() < 2 or widths.max() > 2**16:
            raise TableError("the breakpoints are not all 2 to 65536 codes apart, ascending; expected them to be")

    @property
    def part_shift(self) -> int:
        """Bits by which the reciprocals are finer than 2**-16: as many as let the narrowest interval's fit 16 bits."""
        return (int(np.diff(self.knots).min()) - 1).bit_length() - 1

    @property
    def reciprocals(self) -> tuple[int, ...]:
        """2**(16 + part_shift) / width of each interval, rounded down, so that no code's part comes to a whole."""
        return tuple((1 << (PART_BITS + self.part_shift)) // int(width) for width in np.diff(self.knots))

    def placed(self, codes: Integers) -> tuple[Integers, Integers]:
        """Interval of each code, and the way along it in 2**-16 of its length."""
        knots = np.array(self.knots, dtype=np.int64)
        index = np.searchsorted(knots, codes, side="right") - 1
        along = codes - knots[index]
        return index, (along * np.array(self.reciprocals, dtype=np.int64)[index]) >> self.part_shift


@dataclass(frozen=True, kw_only=True)
class BreakpointTable(CorrectionTable):
    """Entries at free knots, straight lines between them.

    Parameters
    ----------
    knots : tuple of int
        As of :class:`Breakpoints`; the last one lies above ``high_code``.

    Examples
    --------
    >>> from tcomp.table.code_scale import TemperatureScale
    >>> table = BreakpointTable(
    ...     scale=TemperatureScale(100), low_code=0, high_code=29, knots=(0, 10, 30), entry_bits=16,
    ...     unit_log2_ppt=4, entries=(-100, 0, 300), max_error_ppb=1.0, rms_error_ppb=0.5)
    >>> table.lookup([0, 5, 10, 20])
    array([-100,  -50,    0,  150])
    """

    knots: tuple[int, ...]
    form: ClassVar[str] = "breakpoints"

    @property
    def breakpoints(self) -> Breakpoints:
        """Where the knots lie."""
        return Breakpoints(self.knots)

    def _check_form(self) -> None:
        check_choice("entry_bits", self.entry_bits, (16, 32))
        knots = self.breakpoints.knots
        if knots[0] > self.low_code or knots[-1] <= self.high_code or knots[-2] > self.high_code:
            raise TableError(
                f"the breakpoints reach from code {knots[0]} to {knots[-1]}; expected them to begin at {self.low_code} "
                f"or below, and just the last one above {self.high_code}"
            )

    def _check_reach(self) -> None:
        if len(self.entries) != len(self.knots):
            raise TableError(f"there are {len(self.knots)} breakpoints and {len(self.entries)} entries; expected equal")

    @property
    def index_bytes(self) -> int:
        """Code and reciprocal of every interval, 2 bytes each."""
        return 4 * (len(self.knots) - 1)

    @property
    def knot_codes(self) -> NDArray[np.float64]:
        """Code of each entry."""
        return np.array(self.knots, dtype=np.float64)

    @property
    def layout(self) -> str:
        """How the entries lie and are read."""
        widths = np.diff(self.knots)
        return (
            f"one every {widths.min()} to {widths.max()} codes, where the curve needs it, from code {self.knots[0]} on, "
            "straight lines between"
        )

    def _read(self, codes: Integers) -> Integers:
        index, part = self.breakpoints.placed(codes)
        entries: Integers = np.array(self.entries, dtype=np.int64)
        return interpolated(entries[index], entries[index + 1], part)

    def to_json_dict(self) -> dict[str, Any]:
        """Return what ``table.json`` holds."""
        return super().to_json_dict() | {"knots": list(self.knots)}
