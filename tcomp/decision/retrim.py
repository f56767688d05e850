"""The base, weighed anew by one trusted point: prediction and measurement by their uncertainties."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tcomp.curve.curve import Curve, utc
from tcomp.decision.ageing_history import AgeingFit, Rate, fit_ageing
from tcomp.decision.history import Entry, History
from tcomp.decision.point import Point
from tcomp.errors import HistoryError
from tcomp.table import CorrectionTable
from tcomp.units import PPT_PER_PPB, SECONDS_PER_DAY

Status = Literal["trimmed", "accepted as a step", "refused"]

CONTRADICTS = 3.0
"""Standard uncertainties between point and prediction (k = 3, common practice, no source)."""


@dataclass(frozen=True)
class Retrim:
    """What a point does to the base.

    Attributes
    ----------
    status
        Whether it was taken.
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


def combined(value: float, u: float, other: float, other_u: float) -> tuple[float, float]:
    """Weighted mean of two estimates and its standard uncertainty (JCGM 100:2008, F.1.2.4 and H.5, from memory).

    >>> mean, u = combined(10.0, 1.0, 13.0, 2.0)
    >>> round(mean, 9), round(u, 4)
    (10.6, 0.8944)
    """
    weight, other_weight = u**-2, other_u**-2
    return (weight * value + other_weight * other) / (weight + other_weight), (weight + other_weight) ** -0.5


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
) -> Retrim:
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
    entries = (*history.entries, *added)
    if not entries:
        raise HistoryError(
            f"{history.path}: is not there, but the curve's base has been trimmed; restore it from a copy"
        )
    _check(entries, curve, history, time_s)
    before = fit_ageing(entries, rate, scatter_ppb)
    predicted_ppb, u = (float(one[0]) for one in before.predicted(np.array([time_s])))
    days = (time_s - entries[-1].time_s) / SECONDS_PER_DAY
    found = Retrim(
        "trimmed", point, time_s, predicted_ppb, math.hypot(u, scatter_ppb), days, *_in_force(entries), added, before, 0
    )
    if found.away > CONTRADICTS and not accept:
        return replace(found, status="refused", added=())
    if found.away > CONTRADICTS:
        found = replace(found, status="accepted as a step", base_ppb=point.base_ppb, base_u_ppb=point.u_ppb)
    else:
        mean, mean_u = combined(predicted_ppb, found.predicted_u_ppb, point.base_ppb, point.u_ppb)
        found = replace(found, base_ppb=mean, base_u_ppb=mean_u)
    entry = Entry(
        time_s, "trim" if found.status == "trimmed" else "step", point.temperature_c, curve.reference_c,
        point.base_ppb, point.u_ppb, found.base_ppb, found.base_u_ppb,
    )  # fmt: skip
    of_build = next(one for one in reversed(entries) if one.kind == "runs")
    return replace(
        found, added=(*added, entry), ageing=fit_ageing((*entries, entry), rate, scatter_ppb),
        trim_ppt=round((found.base_ppb - of_build.base_ppb) * PPT_PER_PPB),
    )  # fmt: skip


def _in_force(entries: tuple[Entry, ...]) -> tuple[float, float]:
    return entries[-1].base_ppb, entries[-1].base_u_ppb


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
        max_error_ppb=float(np.abs(left_ppb).max()),
        rms_error_ppb=float(np.sqrt(np.mean(left_ppb**2))),
    )
