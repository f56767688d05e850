"""Knots a power of two of codes apart: a shift finds them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import TableError
from tcomp.table.lookup import CorrectionTable, Integers, Interpolation, check_choice, check_integer, interpolated

LARGEST_STEP_LOG2 = 15
"""65 535 * 32 767 + 16 384 < 2**31: a wider step would let a product of 16-bit entries overflow."""


@dataclass(frozen=True, kw_only=True)
class StepTable(CorrectionTable):
    """Entries at knots 2**step_log2 codes apart, straight lines between them, or the nearest one.

    Parameters
    ----------
    first_code : int
        Code of entry 0.
    step_log2 : int
        2**step_log2 codes lie between knots, 0 to 15.
    interpolation : {"linear", "nearest"}
        Straight lines between knots, or the nearest knot (a code halfway takes the upper one).

    Examples
    --------
    >>> from tcomp.table.code_scale import TemperatureScale
    >>> table = StepTable(
    ...     scale=TemperatureScale(100), low_code=0, high_code=512, first_code=0, step_log2=8, entry_bits=16,
    ...     unit_log2_ppt=4, interpolation="linear", entries=(-100, 0, 300), max_error_ppb=1.0,
    ...     rms_error_ppb=0.5)
    >>> table.lookup([0, 128, 256, 512, 9999])
    array([-100,  -50,    0,  300,  300])
    >>> table.offset_ppt([0])
    array([-1600])
    """

    first_code: int
    step_log2: int
    interpolation: Interpolation
    form: ClassVar[str] = "steps"

    def _check_form(self) -> None:
        check_choice("interpolation", self.interpolation, ("linear", "nearest"))
        check_choice("entry_bits", self.entry_bits, (16, 32))
        # A whole step below the least code is as far as a knot can lie and still be of use.
        check_integer(
            "first_code", self.first_code, self.scale.least_code - (1 << LARGEST_STEP_LOG2), self.scale.largest_code
        )
        check_integer("step_log2", self.step_log2, 0, LARGEST_STEP_LOG2)

    def _check_reach(self) -> None:
        if self.low_code < self.origin_code:
            raise TableError(
                f"low_code {self.low_code} lies below the reach of the first entry, which begins at code "
                f"{self.origin_code}; expected entries over the whole range"
            )
        along = self.high_code - self.origin_code
        needed = along >> self.step_log2
        if self.interpolation == "linear" and along % self.step:
            needed += 1
        if needed >= len(self.entries):
            raise TableError(
                f"high_code {self.high_code} lies above the reach of the last entry: {len(self.entries)} "
                f"entries were given where {needed + 1} are needed"
            )

    @property
    def step(self) -> int:
        """Codes between two knots."""
        return 1 << self.step_log2

    @property
    def origin_code(self) -> int:
        """First code that reads entry 0: the knot itself, or half a step below it for the nearest."""
        return self.first_code - (self.step >> 1 if self.interpolation == "nearest" else 0)

    @property
    def knot_codes(self) -> NDArray[np.float64]:
        """Code of each entry."""
        return self.first_code + self.step * np.arange(len(self.entries), dtype=np.float64)

    @property
    def layout(self) -> str:
        """How the entries lie and are read."""
        between = {"linear": "straight lines between", "nearest": "the nearest one is taken"}[self.interpolation]
        return (
            f"one every {self.step} codes ({self.degc_words(self.step)} degC) from code {self.first_code} on, {between}"
        )

    def _read(self, codes: Integers) -> Integers:
        along = codes - self.origin_code
        index = along >> self.step_log2
        entries: Integers = np.array(self.entries, dtype=np.int64)
        if self.interpolation == "nearest":
            return np.take(entries, index)
        # The last knot has none above it, and needs none: its part is 0.
        after = entries[np.minimum(index + 1, len(entries) - 1)]
        return interpolated(entries[index], after, along & (self.step - 1), self.step_log2)
