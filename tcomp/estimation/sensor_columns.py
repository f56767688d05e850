"""Several sensors in one log: which of them is nearest to the crystal, by the error on sweeps left out."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from tcomp.errors import TcompError
from tcomp.estimation.fit_result import FitResult
from tcomp.progress import ProgressCallback, no_progress

Column = str | int
"""A column by its name in the header, or by its number, counted from 1."""


@dataclass(frozen=True)
class SensorColumn:
    """How well the offset follows one sensor.

    ``held_out_rms_ppb`` is the error on sweeps that the curve had not seen, with its standard uncertainty [ppb], and ``lag_s``
    the time constant from this sensor to the crystal [s]; all are NaN where ``fault`` says why nothing was learned.
    """

    column: Column
    held_out_rms_ppb: float
    u_ppb: float
    lag_s: float
    fault: str = ""


@dataclass(frozen=True)
class SensorComparison:
    """Sensor columns, the best first, and what follows from them."""

    columns: tuple[SensorColumn, ...]
    used: Column

    @property
    def best(self) -> SensorColumn | None:
        """The column with the least error; None if no curve could be learned from any."""
        first = self.columns[0]
        return None if first.fault else first

    @property
    def advice(self) -> str:
        """Which column to take, in a sentence."""
        best = self.best
        if best is None:
            return "no curve can be learned from any of them"
        rivals = [one for one in self.columns[1:] if not one.fault]
        near = [one for one in rivals if _alike(best, one)]
        which = f"take {best.column!r}"
        if any(one.column == self.used for one in near):
            return f"keep {self.used!r}: {best.column!r} does no better within the scatter of the sweeps"
        if best.column == self.used:
            which = f"keep {best.column!r}"
        if near:
            return f"{which}; {', '.join(repr(one.column) for one in near)} would do as well within the scatter of the sweeps"
        if not rivals:
            return f"{which}, the only one that a curve can be learned from"
        return f"{which}: it leaves {rivals[0].held_out_rms_ppb / best.held_out_rms_ppb:.3g} times less than the next"


def _alike(one: SensorColumn, other: SensorColumn) -> bool:
    """Whether the difference of two errors is within twice its standard uncertainty."""
    u_ppb = math.hypot(one.u_ppb, other.u_ppb)
    return abs(one.held_out_rms_ppb - other.held_out_rms_ppb) <= 2 * u_ppb


def compare_sensors(
    columns: Sequence[Column],
    used: Column,
    learn: Callable[[Column], FitResult],
    progress: ProgressCallback = no_progress,
) -> SensorComparison:
    """Learn a curve by each of some sensor columns, which are all of the kind that [sensor] says.

    Parameters
    ----------
    columns : sequence of str or int
        Two or more, by name or number.
    used : str or int
        The one that the job takes.
    learn : callable
        Learns the curve by a column; an error of its input is kept as the fault of that column.

    Examples
    --------
    >>> one, other = SensorColumn("board_c", 2.0, 0.1, 60.0), SensorColumn("box_c", 9.0, 0.4, 600.0)
    >>> SensorComparison((one, other), used="box_c").advice
    "take 'board_c': it leaves 4.5 times less than the next"
    """
    found = []
    for done, column in enumerate(dict.fromkeys(columns)):
        progress("comparing sensors", done, len(columns))
        found.append(_compared(column, learn))
    progress("comparing sensors", 1, 1)
    found.sort(key=lambda one: (bool(one.fault), one.held_out_rms_ppb))
    return SensorComparison(tuple(found), used)


def _compared(column: Column, learn: Callable[[Column], FitResult]) -> SensorColumn:
    nan = float("nan")
    try:
        fit_result = learn(column)
    except TcompError as error:
        return SensorColumn(column, nan, nan, nan, str(error))
    score, lag = fit_result.validation.score, fit_result.curve.effect("lag")
    # d sqrt(m) = dm / (2 sqrt(m)), with the standard error of the mean over the sweeps left out.
    u_ppb = score.mse_se / (2.0 * score.mse**0.5) if score.mse > 0 else 0.0
    return SensorColumn(column, score.rms_ppb, u_ppb, lag.value if lag.known else nan)
