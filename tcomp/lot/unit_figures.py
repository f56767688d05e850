"""What is said of one unit beside the others: its figures, from what its build left in its folder."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tcomp.curve.curve import Curve
from tcomp.errors import StageError
from tcomp.files import read_json
from tcomp.results import Folder


@dataclass(frozen=True)
class Figure:
    """A number with its unit, and its standard uncertainty where it has one."""

    value: float
    unit: str
    u: float | None = None


@dataclass(frozen=True, eq=False)
class UnitResult:
    """A unit that is done: its curve, and what ``summary.json`` says of it."""

    name: str
    curve: Curve
    summary: dict[str, Any]

    @property
    def parameters(self) -> dict[str, Figure]:
        """Of the crystal, where its own form was taken."""
        return {one.name: Figure(one.value, one.unit, one.uncertainty) for one in self.curve.parameters}

    @property
    def figures(self) -> dict[str, Figure]:
        """All that units are compared by."""
        return self.parameters | dict(self._effects()) | dict(self._results())

    def _effects(self) -> Iterator[tuple[str, Figure]]:
        for name, one in self.summary["effects"].items():
            if one["status"] == "found":
                yield name, Figure(one["value"], one["unit"], one["u"])

    def _results(self) -> Iterator[tuple[str, Figure]]:
        curve, left, table = self.summary["curve"], self.summary["residual"], self.summary["table"]
        yield "base", Figure(curve["base_ppb"], "ppb", curve["base_u_ppb"])
        yield "uncorrected", Figure(curve["spread_ppb"], "ppb")
        yield HELD_OUT, Figure(_number(left["held_out_rms_ppb"]), "ppb")
        yield "table", Figure(float(table["bytes"]), "bytes")
        yield "table's worst error", Figure(table["max_error_ppb"], "ppb")
        yield ERROR, Figure(self.error_ppb, "ppb")

    @property
    def error_ppb(self) -> float:
        """What 95 % of corrected readings stay within: held-out samples, the table's worst, the reference; NaN: not told."""
        left_ppb = _number(self.summary["residual"]["held_out_p95_ppb"])
        table_ppb: float = self.summary["table"]["max_error_ppb"]
        return math.hypot(left_ppb, 2 * self.curve.reference_u_ppb) + table_ppb

    def meets(self, needed_ppb: float | None, *, short: bool) -> bool | None:
        """Whether it is within the need; None: nothing is needed, or it cannot be told.

        One whose C is disproved is not, nor is one whose curve is short of the range that the others have.
        """
        if self.summary["proof"]["holds"] is False or (short and needed_ppb is not None):
            return False
        if needed_ppb is None or not math.isfinite(self.error_ppb):
            return None
        return self.error_ppb <= needed_ppb


HELD_OUT = "left, held out, RMS"
ERROR = "error, 95 % within"


USED = ("curve", "effects", "proof", "residual", "table")


def read_result(into: Path, unit: str) -> UnitResult:
    """Read back what a build has left.

    Raises
    ------
    StageError
        It is damaged.
    """
    folder = Folder(into / unit)
    try:
        summary = read_json(folder.path / "summary.json")
        return UnitResult(unit, folder.read_curve(), {name: summary[name] for name in USED})
    except (OSError, ValueError, LookupError, TypeError) as error:
        raise StageError(
            f"{folder.path}: the results of unit '{unit}' are damaged; take that folder away, and run the same command again"
        ) from error


def _number(value: float | None) -> float:
    return math.nan if value is None else value
