"""The curve as the firmware meets it: one offset for every code of the range."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import TableError
from tcomp.table.code_scale import CodeScale
from tcomp.table.lookup import CorrectionTable
from tcomp.units import PPT_PER_PPB

OffsetOfTemperature = Callable[[NDArray[np.float64]], NDArray[np.float64]]


@dataclass(frozen=True, eq=False)
class CodedCurve:
    """Offset at every code from ``low_code`` on. [ppb]"""

    low_code: int
    scale: CodeScale
    offset_ppb: NDArray[np.float64]

    @property
    def high_code(self) -> int:
        """Last code of the range."""
        return self.low_code + len(self.offset_ppb) - 1

    @property
    def codes(self) -> NDArray[np.int64]:
        """Every code of the range."""
        return np.arange(self.low_code, self.high_code + 1, dtype=np.int64)

    def errors_ppb(self, table: CorrectionTable) -> NDArray[np.float64]:
        """What the integer lookup returns, less the curve, at every code. [ppb]"""
        return table.offset_ppt(self.codes) / PPT_PER_PPB - self.offset_ppb


def coded_curve(offset_ppb_of: OffsetOfTemperature, low_c: float, high_c: float, scale: CodeScale) -> CodedCurve:
    """Ask a curve for its offset at every code of a range.

    All codes lie inside the range, to round-off, so the curve is never asked beyond what it was learnt on.

    Raises
    ------
    TableError
        The range does not fit the codes, or the curve does not give one finite number per code.
    """
    low_code, high_code = scale.code_range(low_c, high_c)
    temperature_c = np.clip(scale.temperature_of(np.arange(low_code, high_code + 1)), low_c, high_c)
    offset_ppb = np.asarray(offset_ppb_of(temperature_c), dtype=np.float64)
    if offset_ppb.shape != temperature_c.shape:
        raise TableError(
            f"the curve gave an array of shape {offset_ppb.shape} for {temperature_c.shape}; "
            "expected one offset per temperature"
        )
    if not np.isfinite(offset_ppb).all():
        where_c = temperature_c[~np.isfinite(offset_ppb)][0]
        raise TableError(f"the curve is not finite at {where_c:g} degC; expected a number over the whole range")
    return CodedCurve(low_code, scale, offset_ppb)
