"""What is done between the runs: a corrected log, and a trimmed base."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

from tcomp.documents.fields import About, entry, in_unit


@dataclass(frozen=True, kw_only=True)
class BaseDrift:
    """How the base has moved since the curve was made."""

    base_of: str = entry("Time at which the base had the value of the curve, UTC")
    days: tuple[float, float] = in_unit("day", "Time from then to the first and to the last row of the log")
    moved_ppb: tuple[float, float] = in_unit("ppb", "Change of the base by then")
    u_ppb: tuple[float, float] = in_unit("ppb", "Standard uncertainty of the change")
    ageing: str = entry("What is known of the ageing, in words")


@dataclass(frozen=True, kw_only=True)
class ApplyDocument:
    """A corrected log."""

    ABOUT: ClassVar = About("apply", 1, "A corrected log", "`tcomp apply --json`.")

    applied: Literal["curve", "table"] = entry("What was applied")
    log: str = entry("Name of the log")
    quantity: Literal["frequency", "interval", "times"] = entry(
        "What was corrected: a frequency is multiplied by 1 + y, an interval divided by it; of times the integral of y is taken off"
    )
    column: str | int = entry("Its column, by name or number")
    rows: int = entry("Rows of the log")
    states: dict[str, int] = entry("Number of rows by state")
    offset_ppb: tuple[float, float] | None = in_unit("ppb", "Smallest and largest offset taken off; null: none")
    u_ppb: tuple[float, float] | None = in_unit(
        "ppb", "Smallest and largest standard uncertainty of the corrected readings; null: none"
    )
    range_c: tuple[float, float] = in_unit("degC", "Range of the curve: lowest and highest")
    lags_s: tuple[float, ...] = in_unit("s", "Time constants that were followed")
    drift: BaseDrift | None = entry("How the base has moved since the curve was made; null: runs or log have no clock")
    warnings: tuple[str, ...] = entry("Warnings about the log, in words")
    written: str | None = entry("Path of the corrected log; left out where it went to stdout", left_out=True)


@dataclass(frozen=True, kw_only=True)
class TrustedPoint:
    """The trusted point."""

    temperature_c: float = in_unit("degC", "Temperature of the point")
    base_ppb: float = in_unit("ppb", "Base at the reference temperature that follows from the point")
    u_ppb: float = in_unit("ppb", "Its standard uncertainty")


@dataclass(frozen=True, kw_only=True)
class Ageing:
    """The ageing, as fitted to the history of the base."""

    form: str = entry("Form of the drift over time")
    separated_by_the_history: bool = entry("Whether the bases alone determine it")
    words: str = entry("What the figure rests on")
    bases: int = entry("Number of bases in the history")
    span_days: float = in_unit("day", "Time from the first to the last")
    ppb_per_day: float = in_unit("ppb/day", "Rate now")
    u_ppb_per_day: float | None = in_unit("ppb/day", "Its standard uncertainty")


@dataclass(frozen=True, kw_only=True)
class NextTrim:
    """When the next trim is due."""

    needed_ppb: float = in_unit("ppb", "The largest error allowed, k = 2")
    now_ppb: float = in_unit("ppb", "Error right after this trim, k = 2")
    days: float | None = in_unit("day", "Time until the next trim; null: not within twenty years")
    date: str | None = entry("The day, UTC; null: not within twenty years")
    predicted_days: float | None = in_unit("day", "Time by the fitted ageing alone, not limited by the history")
    cut_short_by_the_history: bool = entry("Whether the history limits the time")


@dataclass(frozen=True, kw_only=True)
class RetrimDocument:
    """A trimmed base."""

    ABOUT: ClassVar = About(
        "retrim", 1, "A trimmed base", "`tcomp retrim --json`. Uncertainties are standard ones (k = 1)."
    )

    status: Literal["trimmed", "accepted as a step", "accepted as a bend", "refused"] = entry("What was done")
    time: str = entry("Time at which the point was measured, UTC")
    point: TrustedPoint = entry("The trusted point")
    reference_c: float = in_unit("degC", "Temperature at which the base is stated")
    predicted_ppb: float = in_unit("ppb", "Base that was predicted for that time")
    predicted_u_ppb: float = in_unit("ppb", "Its standard uncertainty")
    days_since_the_base_before: float = in_unit("day", "Time since the base before")
    away_in_u: float | None = in_unit("1", "Distance of the point from the prediction, in standard uncertainties")
    suspected: Literal["fault or step", "step", "bend", "step or bend"] | None = entry(
        "What a point that contradicts suggests: the first of its side a fault or a step, a further one a step of the base, a bend "
        "of its ageing, or either; null: it does not contradict"
    )
    base_ppb: float = in_unit("ppb", "Base now")
    base_u_ppb: float = in_unit("ppb", "Its standard uncertainty")
    trim_ppt: int = in_unit("ppt", "Value that firmware with a stored base adds to the table of the last build")
    table_max_error_ppb: float | None = in_unit(
        "ppb", "Largest error of the trimmed table against the trimmed curve; null: refused"
    )
    ageing: Ageing = entry("The ageing, as fitted to the history of the base")
    due: NextTrim | None = entry("When the next trim is due; null: refused, or the job does not say what is needed")
