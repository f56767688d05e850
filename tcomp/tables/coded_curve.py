"""The curve as the firmware meets it: one offset for every code of the range."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike

from tcomp.arrays import FloatArray, IntArray
from tcomp.errors import TableError
from tcomp.tables.code_scale import CodeScale
from tcomp.tables.layout import CorrectionTable
from tcomp.units import PPT_PER_PPB

OffsetOfTemperature = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True, eq=False)
class CodedCurve:
    """Offset at every code from ``low_code`` on. [ppb]

    Parameters
    ----------
    allowance : array of float64 or 1
        How many times the error asked for is allowed at each code, 1 or more.
    share : array of float64 or 1
        How much the squared error at each code counts where the largest error leaves a choice.
    """

    low_code: int
    scale: CodeScale
    offset_ppb: FloatArray
    allowance: FloatArray = field(default_factory=lambda: np.ones(1))
    share: FloatArray = field(default_factory=lambda: np.ones(1))

    @property
    def high_code(self) -> int:
        """Last code of the range."""
        return self.low_code + len(self.offset_ppb) - 1

    @property
    def codes(self) -> IntArray:
        """Every code of the range."""
        return np.arange(self.low_code, self.high_code + 1, dtype=np.int64)

    def errors_ppb(self, table: CorrectionTable) -> FloatArray:
        """What the integer lookup returns, less the curve, at every code. [ppb]"""
        return table.offset_ppt(self.codes) / PPT_PER_PPB - self.offset_ppb

    def weighted_max_error_ppb(self, table: CorrectionTable) -> float:
        """Largest error, each code's divided by its allowance: what is held against the error asked for. [ppb]"""
        return float(np.max(np.abs(self.errors_ppb(table)) / self.allowance))

    def less(self, offset_ppb: FloatArray) -> CodedCurve:
        """What is left of the curve above another one. [ppb]"""
        return replace(self, offset_ppb=self.offset_ppb - offset_ppb)


def coded_curve(
    offset_ppb_of: OffsetOfTemperature,
    low_c: float,
    high_c: float,
    scale: CodeScale,
    allowance_of: OffsetOfTemperature | None = None,
    share_of: OffsetOfTemperature | None = None,
) -> CodedCurve:
    """Ask a curve for its offset at every code of a range.

    All codes lie inside the range, to round-off, so the curve is never evaluated outside its range.

    Parameters
    ----------
    allowance_of, share_of : callable or None
        As the fields of :class:`CodedCurve`, of temperature. [degC]  None: 1 everywhere.

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
    allowance, share = (np.ones(1) if of is None else of(temperature_c) for of in (allowance_of, share_of))
    return CodedCurve(low_code, scale, offset_ppb, allowance, share)


def per_code(values: ArrayLike, curve: CodedCurve) -> FloatArray:
    """An allowance or a share with one value per code, where one stands for all of them."""
    return np.broadcast_to(np.asarray(values, dtype=np.float64), curve.offset_ppb.shape)
