"""The base, weighed anew by one trusted point: prediction and measurement by their uncertainties."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tcomp.budget.drift import CONTRADICTS, AgeingFit, Rate, fit_ageing, offered_once
from tcomp.budget.history import Entry, History, Kind
from tcomp.errors import HistoryError
from tcomp.estimation.curve import Curve
from tcomp.tables import CorrectionTable
from tcomp.tables.design import rounded_ppb
from tcomp.units import PPT_PER_PPB, SECONDS_PER_DAY, utc
from tcomp.upkeep.point import Point

Status = Literal["trimmed", "accepted as a step", "accepted as a bend", "refused"]
Suspected = Literal["fault or step", "step", "bend", "step or bend"]
"""What may lie behind a point that contradicts."""


@dataclass(frozen=True)
class RetrimResult:
    """What a point does to the base.

    Attributes
    ----------
    status
        Whether it was taken.
    suspected : {"fault or step", "step", "bend", "step or bend"} or None
        What a point that contradicts suggests, with those refused before it; None: it does not.
    point : Point
    time_s : float
    predicted_ppb, predicted_u_ppb : float
        The base at that time by the one before and its ageing; with retrace, if the oscillator is switched off. [ppb]
    days : float
        Since the base before. [day]
    base_ppb, base_u_ppb : float
        The base now. [ppb]
    added : tuple of Entry
        What the history gains.
    ageing : AgeingFit
        By the history with the point; without it where it was refused.
    trim_ppt : int
        What firmware that keeps the table of the last build adds to it. [ppt]
    """

    status: Status
    suspected: Suspected | None
    point: Point
    time_s: float
    predicted_ppb: float
    predicted_u_ppb: float
    days: float
    base_ppb: float
    base_u_ppb: float
    added: tuple[Entry, ...]
    ageing: AgeingFit
    trim_ppt: int

    @property
    def away(self) -> float:
        """Distance of point and prediction in standard uncertainties of their difference."""
        return abs(self.point.base_ppb - self.predicted_ppb) / math.hypot(self.point.u_ppb, self.predicted_u_ppb)


def base_of_runs(curve: Curve, since_s: float | None) -> Entry | None:
    """The base as the runs left it; None: the curve's has been trimmed since.

    Raises
    ------
    HistoryError
        It is not known when that was.
    """
    if curve.trimmed:
        return None
    time_s = since_s if since_s is not None else curve.base_clock_s
    if time_s is None:
        raise HistoryError(
            "the runs have no clock, so it is not known when the base was as the curve states it; say when with --since"
        )
    u_ppb = float(curve.uncertainty_ppb(np.array([curve.reference_c]))[0])
    base_ppb, at_c = curve.base_ppb, curve.reference_c
    return Entry(float(math.floor(time_s)), "runs", at_c, at_c, base_ppb, u_ppb, base_ppb, u_ppb)


def retrim(
    curve: Curve,
    history: History,
    point: Point,
    time_s: float,
    rate: Rate,
    *,
    scatter_ppb: float = 0.0,
    since_s: float | None = None,
    accept: bool = False,
) -> RetrimResult:
    """Weigh a point against the base before it and its ageing.

    Parameters
    ----------
    curve : Curve
        As it stands in the folder of results.
    history : History
        What became of the base until now.
    point : Point
    time_s : float
        When it was measured. [s]
    rate : Rate
        What is known of the ageing without a history.
    scatter_ppb : float, default=0.0
        Standard deviation from power-up to power-up: retrace. [ppb]
    since_s : float, default=None
        When the runs ended, where they have no clock. [s]
    accept : bool, default=False
        Take a point that contradicts, as a step of the oscillator.

    Raises
    ------
    HistoryError
        The point is not later than the base before it, or the history belongs to another reference temperature.
    """
    added: tuple[Entry, ...] = ()
    runs = base_of_runs(curve, since_s)
    if runs is not None and (not history.entries or runs.time_s > history.entries[-1].time_s):
        added = (runs,)
    entries = offered_once((*history.entries, *added))
    if not entries:
        raise HistoryError(
            f"{history.path}: is not there, but the curve's base has been trimmed; restore it from a copy"
        )
    again = entries[-1].kind == "refused" and entries[-1].time_s == time_s
    entries = entries[:-1] if again else entries
    _check(entries, curve, history, time_s)
    before = fit_ageing(entries, rate, scatter_ppb)
    predicted_ppb, u = (float(one[0]) for one in before.predicted(np.array([time_s])))
    in_force = entries[-1]
    last_s = next(one.time_s for one in reversed(entries) if one.kind != "refused")
    found = RetrimResult(
        "refused", None, point, time_s, predicted_ppb, math.hypot(u, scatter_ppb), (time_s - last_s) / SECONDS_PER_DAY,
        in_force.base_ppb, in_force.base_u_ppb, added, before, 0,
    )  # fmt: skip

    def entry(kind: Kind) -> Entry:
        return Entry(
            time_s,
            kind,
            point.temperature_c,
            curve.reference_c,
            point.base_ppb,
            point.u_ppb,
            found.base_ppb,
            found.base_u_ppb,
        )

    kind: Kind = "trim"
    if found.away > CONTRADICTS:
        suspected = _suspected(entries, entry("refused"), rate, scatter_ppb)
        found = replace(found, suspected=suspected)
        if not accept:
            return replace(found, added=() if again else (*added, entry("refused")))
        kind = "bend" if suspected == "bend" else "step"
    ageing = fit_ageing((*entries, entry(kind)), rate, scatter_ppb)
    base_ppb, base_u_ppb = (float(one[0]) for one in ageing.predicted(np.array([time_s])))
    of_build = next(one for one in reversed(entries) if one.kind == "runs")
    found = replace(found, status=STATUS[kind], base_ppb=base_ppb, base_u_ppb=base_u_ppb)
    trim_ppt = round((base_ppb - of_build.base_ppb) * PPT_PER_PPB)
    return replace(found, added=(*added, entry(kind)), ageing=ageing, trim_ppt=trim_ppt)


STATUS: dict[Kind, Status] = {"trim": "trimmed", "step": "accepted as a step", "bend": "accepted as a bend"}


def _suspected(entries: tuple[Entry, ...], point: Entry, rate: Rate, scatter_ppb: float) -> Suspected:
    """What a point that contradicts suggests, with one that was refused since the last base.

    A step leaves both as far from the ageing; where it bends they go away from it, in proportion to the time or faster.
    """
    taken = max(number for number, one in enumerate(entries) if one.kind != "refused") + 1
    if taken == len(entries):
        return "fault or step"
    ageing, first = fit_ageing(entries[:taken], rate, scatter_ppb), entries[-1]
    predicted_ppb = ageing.predicted(np.array([first.time_s, point.time_s]))[0]
    away, further = first.measured_ppb - predicted_ppb[0], point.measured_ppb - predicted_ppb[1]
    if away * further < 0:
        return "fault or step"
    times = (point.time_s - ageing.end_s) / (first.time_s - ageing.end_s)
    first_u, point_u = (math.hypot(one.measured_u_ppb, scatter_ppb) for one in (first, point))
    between_u = float(ageing.moved(np.array([point.time_s]), first.time_s)[1][0])
    limit = CONTRADICTS * math.hypot(first_u, point_u, between_u)
    step = abs(further - away) <= limit
    bend = abs(further) - abs(away) > limit or abs(further - times * away) <= CONTRADICTS * math.hypot(
        times * first_u, point_u, between_u
    )
    if not step and not bend:
        return "fault or step"
    return "step or bend" if step and bend else "step" if step else "bend"


def _check(entries: tuple[Entry, ...], curve: Curve, history: History, time_s: float) -> None:
    if time_s <= entries[-1].time_s:
        raise HistoryError(
            f"the point of {utc(time_s)} is not later than the base of {utc(entries[-1].time_s)}; give the time at which it "
            "was measured with --time"
        )
    other = [entry.reference_c for entry in entries if abs(entry.reference_c - curve.reference_c) > 1e-9]
    if other:
        raise HistoryError(
            f"{history.path}: states bases at {other[0]:g} degC, the curve at {curve.reference_c:g}; set reference_c in "
            f"[fit] to {other[0]:g} and fit again"
        )


def retrimmed_table(table: CorrectionTable, curve: Curve) -> CorrectionTable:
    """The same table on the curve's new base: every entry moves by the same whole number of units.

    Raises
    ------
    TableError
        The entries would leave their bits.
    """
    wanted_ppb = curve.continued_ppb(table.temperature_of(table.codes))
    away_ppb = wanted_ppb - table.offset_ppt(table.codes) / PPT_PER_PPB
    unit_ppb = 2**table.unit_log2_ppt / PPT_PER_PPB
    # From the middle of the error, so that no rounding is left behind from trim to trim.
    units = round((float(away_ppb.max()) + float(away_ppb.min())) / 2 / unit_ppb)
    moved = table.shifted(units)
    left_ppb = wanted_ppb - moved.offset_ppt(moved.codes) / PPT_PER_PPB
    return replace(
        moved,
        max_error_ppb=rounded_ppb(float(np.abs(left_ppb).max())),  # as of a table that is designed anew
        rms_error_ppb=rounded_ppb(float(np.sqrt(np.mean(left_ppb**2)))),
    )
