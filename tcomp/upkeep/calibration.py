"""What is checked: a curve, or a table with the curve that it was designed from, if that is known."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import TcompError
from tcomp.estimation.curve import Curve, read_curve
from tcomp.estimation.effects import RateResponse, RegressorTerm
from tcomp.files import read_json
from tcomp.tables import CorrectionTable, read_table
from tcomp.units import PPT_PER_PPB

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Calibration:
    """A curve, a table, or a table and its curve; ``remarks`` say which was used and why."""

    curve: Curve | None
    table: CorrectionTable | None
    remarks: tuple[str, ...] = ()

    @property
    def range_c(self) -> tuple[float, float]:
        """Over which it promises something. [degC]"""
        if self.table is not None:
            low_c, high_c = self.table.temperature_of([self.table.low_code, self.table.high_code])
            return float(min(low_c, high_c)), float(max(low_c, high_c))
        assert self.curve is not None
        return self.curve.low_c, self.curve.high_c

    @property
    def lags_s(self) -> tuple[float, ...]:
        """Time constants from sensor to crystal, those that are known. [s]"""
        return self.curve.known_effects.time_constants_s if self.curve is not None else ()

    @property
    def response(self) -> RateResponse | None:
        """What changing temperature adds to the offset; None where none is known."""
        return self.curve.response if self.curve is not None else None

    @property
    def regressors(self) -> dict[str, RegressorTerm]:
        """What quantities besides temperature add to the offset, by name; empty where none is known."""
        return self.curve.regressors if self.curve is not None else {}

    @property
    def ageing_ppb_per_day(self) -> float:
        """Drift of the base during a run; 0 where none is known. [ppb/day]"""
        return self.curve.effect("ageing").value if self.curve is not None else 0.0

    def firmware_ppb(self, sensor_c: Floats) -> Floats:
        """What the integer lookup returns at the code of the sensor's temperature. [ppb]"""
        assert self.table is not None
        return np.asarray(self.table.offset_ppt(self.table.code_of(sensor_c)) / PPT_PER_PPB)

    def shape_ppb(self, crystal_c: Floats) -> Floats:
        """The prediction at a crystal temperature. [ppb]

        Of a table: between the integers of the two nearest codes, since the crystal's temperature
        is not rounded to one.
        """
        if self.table is None:
            assert self.curve is not None
            return self.curve.offset_ppb(crystal_c)
        at_c = self.table.temperature_of(self.table.codes)
        upwards = np.argsort(at_c)  # A raw code may fall as the temperature rises.
        offset_ppb = self.table.offset_ppt(self.table.codes) / PPT_PER_PPB
        return np.interp(crystal_c, at_c[upwards], offset_ppb[upwards])


def subject_of(promised: Curve | CorrectionTable | Calibration) -> Calibration:
    """A curve or a table by itself as what is checked or applied."""
    if isinstance(promised, Calibration):
        return promised
    return Calibration(promised, None) if isinstance(promised, Curve) else Calibration(None, promised)


def read_subject(path: Path) -> Calibration:
    """Read ``curve.json`` or ``table.json``; of a table, the curve that stands beside it too.

    Raises
    ------
    TcompError
        The file is neither, or is damaged.
    """
    if path.is_dir():
        raise TcompError(f"{path}: is a folder; give the file in it: {path / 'table.json'} or {path / 'curve.json'}")
    try:
        content = read_json(path)
    except OSError as error:
        raise TcompError(f"{path}: cannot be read ({error.strerror}); expected a curve.json or table.json") from error
    except ValueError as error:
        raise TcompError(f"{path}: is no JSON text; expected a curve.json or table.json of `tcomp build`") from error
    if not isinstance(content, dict) or not ("entries" in content or content.get("kind") == "curve"):
        raise TcompError(
            f"{path}: is neither a curve nor a table; expected a curve.json or table.json of `tcomp build`"
        )
    if "entries" not in content:
        return Calibration(read_curve(path), None)
    return _with_curve_beside(read_table(path), path.parent / "curve.json")


def _with_curve_beside(table: CorrectionTable, beside: Path) -> Calibration:
    """The table with its curve, if the curve beside it is the one."""
    alone = "the table is judged alone, by its own largest error and the reference's uncertainty"
    if not beside.is_file():
        return Calibration(None, table, (f"no curve.json beside the table: {alone}",))
    curve = read_curve(beside)
    apart_ppb = shape_apart_ppb(table, curve)
    if apart_ppb > table.max_error_ppb * ROUND_OFF:
        return Calibration(
            None,
            table,
            (
                f"curve.json beside the table is not the curve that it was designed from: their shapes differ by "
                f"{apart_ppb:.3g} ppb where the table states {table.max_error_ppb:.3g} ppb; {alone}",
            ),
        )
    return Calibration(curve, table, ("curve.json beside the table was used: its promise and its lag",))


ROUND_OFF = 1.001
"""What a largest error may grow by when it is computed again from a curve read back from text."""


def shape_apart_ppb(table: CorrectionTable, curve: Curve) -> float:
    """Largest difference between table and curve over every code, a shift of the base taken off. [ppb]"""
    difference = table.offset_ppt(table.codes) / PPT_PER_PPB - curve.continued_ppb(table.temperature_of(table.codes))
    return float(np.ptp(difference)) / 2
