"""How many samples took no part in the curve, where they are, and what is the likely reason.

Counted are those that the fit gives no weight, as gross errors, and those that cleaning drops as impossible.  A missing
value is none of them, nor a time that stands twice, a sample in an activity dip, or one behind a start of the lag filter:
these are left out for what they are, not for what they say.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import CurveError
from tcomp.estimation.samples import Samples
from tcomp.logs.cleaning import (
    IMPOSSIBLE,
    OUT_OF_RANGE,
    OUTLIER,
    STUCK_COUNTER,
    STUCK_SENSOR,
    TIME_BACKWARDS,
)
from tcomp.units import utc

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

WARNED = 0.02
"""Share from which it is a warning: two gross errors in a hundred move the curve by less than its uncertainty
(tests/test_curve_recovery.py)."""
NO_WEIGHT = "given no weight"
LIKELY = {
    IMPOSSIBLE: "a wrong unit or column",
    OUT_OF_RANGE: "a sensor that is broken or shorted",
    STUCK_SENSOR: "a sensor that stopped",
    STUCK_COUNTER: "a counter or a reference that stopped",
    OUTLIER: "interference or a bad contact",
    TIME_BACKWARDS: "a clock that was set back, or a log that was begun anew in the same file",
}
"""What is the likely reason for each reason of cleaning that counts."""
NEAR = 5
"""Dropped samples no further apart than this belong to one stretch."""
LONG = 10
"""Dropped samples of a stretch, on average, from which they are no single readings."""
MOST = 0.5
"""Share of the dropped samples that makes a stretch the place where they are."""
BAND = 0.8
"""The same of a band of temperature."""
NARROW = 0.2
"""Share of the range that such a band may take."""
STILL = 0.05
"""Share of the range within which a leg is a soak, and of the samples that a turn of the temperature takes."""


@dataclass(frozen=True, kw_only=True)
class Dropped:
    """Samples that took no part, of how many, where most of them are, and the likely reason."""

    samples: int = 0
    of: int = 0
    counts: tuple[str, ...] = ()
    """How many for each reason, in words."""
    where: str = ""
    likely: str = ""

    @property
    def share(self) -> float:
        """Share of the samples."""
        return self.samples / self.of if self.of else 0.0

    @property
    def words(self) -> str:
        """All in one clause."""
        return (
            f"{100 * self.share:.2g} % of the samples ({self.samples} of {self.of}) took no part in the curve "
            f"({', '.join(self.counts)}): {self.where}; likely {self.likely}"
        )

    @property
    def warnings(self) -> tuple[str, ...]:
        """The clause, if they are many."""
        return (self.words,) if self.share >= WARNED else ()

    def refuse_many(self, most: float, *more: str) -> None:
        """Refuse a curve that rests on too few of the samples; ``more`` is what else is known of the reason.

        Raises
        ------
        CurveError
            More than this share took no part.
        """
        if self.share > most:
            enough = np.ceil(100 * self.share) / 100
            raise CurveError(
                f"{'; '.join([self.words, *more])}; correct the log or the job, or allow it with [fit] max_dropped = {enough:g}"
            )


NOTHING_DROPPED = Dropped()


@dataclass(frozen=True, kw_only=True)
class _Rows:
    """All samples that count, in order of run and time; (n,). The reason is "" for one that took part."""

    time_s: Floats
    temperature_c: Floats
    run: Ints
    sweep: Ints
    soak: Mask
    count: Floats
    reason: NDArray[np.str_]


def dropped_samples(samples: Samples, usable: Mask, gross: Mask) -> Dropped:
    """Count and place what took no part.

    Parameters
    ----------
    samples : Samples
    usable : ndarray of bool of shape (n,)
        Samples that the curve could have used.
    gross : ndarray of bool of shape (n,)
        Those of them that got no weight.
    """
    rows = _rows(samples, usable, gross)
    bad = rows.reason != ""
    if not bad.any():
        return Dropped(of=int(rows.count.sum()))
    reasons, place = np.unique(rows.reason[bad], return_inverse=True)
    counts = np.bincount(place, rows.count[bad]).astype(int)
    order = np.argsort(-counts, kind="stable")
    where, of_place = _where(rows, bad, samples.has_time)
    commonest = str(reasons[order[0]])
    return Dropped(
        samples=int(rows.count[bad].sum()), of=int(rows.count.sum()),
        counts=tuple(f"{counts[one]} {reasons[one]}" for one in order),
        where=where, likely=LIKELY.get(commonest, of_place),
    )  # fmt: skip


def _rows(samples: Samples, usable: Mask, gross: Mask) -> _Rows:
    """The usable samples, and those lost in cleaning among them."""
    lost, chosen = samples.lost, np.flatnonzero(usable)
    count = np.ones(chosen.size) if samples.cells is None else samples.cells.count[chosen]
    counted = np.isin(lost.reason, list(LIKELY))
    unknown = np.full(int(counted.sum()), -1)
    run = np.concatenate([samples.run[chosen], lost.run[counted]])
    time_s = np.concatenate([samples.time_s[chosen], lost.time_s[counted]])
    order = np.lexsort((time_s, run))
    legs = samples.leg[chosen]
    range_c = float(np.ptp(samples.temperature_c[chosen])) if chosen.size else 0.0
    still = np.zeros(int(samples.leg.max()) + 1, dtype=bool)
    for leg in np.unique(legs):
        still[leg] = np.ptp(samples.temperature_c[chosen][legs == leg]) < STILL * range_c
    return _Rows(
        time_s=time_s[order],
        temperature_c=np.concatenate([samples.temperature_c[chosen], lost.temperature_c[counted]])[order],
        run=run[order],
        sweep=np.concatenate([samples.sweep[chosen], unknown])[order],
        soak=np.concatenate([still[legs], unknown == 0])[order],
        count=np.concatenate([count, lost.count[counted]])[order],
        reason=np.concatenate([np.where(gross[chosen], NO_WEIGHT, ""), lost.reason[counted]])[order],
    )


def _where(rows: _Rows, bad: Mask, has_time: bool) -> tuple[str, str]:
    """Where most of the bad ones are, and what is likely of samples there that got no weight."""
    start, stop, share = _longest_stretch(rows, bad)
    if has_time and share >= MOST:
        span = slice(start, stop)
        turned = np.unique(rows.sweep[span][rows.sweep[span] >= 0]).size > 1 and stop - start < STILL * bad.size
        return (
            f"most in one stretch, {_time_words(rows.time_s[span])}, {_span_words(rows.temperature_c[span])}",
            "the temperature turned there, faster than sensor and crystal followed alike"
            if turned
            else "the reference, the supply or the sensor was disturbed there, or the frequency stepped away and came back",
        )
    temperature_c = rows.temperature_c[bad]
    band = _narrowest_band(temperature_c[np.isfinite(temperature_c)])
    inside = (rows.temperature_c >= band[0]) & (rows.temperature_c <= band[1])
    sweeps = np.unique(rows.sweep[bad & inside & (rows.sweep >= 0)]).size
    all_c = rows.temperature_c[~bad]
    range_c = float(np.ptp(all_c)) if all_c.size else 0.0
    if sweeps > 1 and band[1] - band[0] <= NARROW * range_c and inside.mean() < MOST:
        return (
            f"most at {_span_words(np.array(band))}, on {sweeps} sweeps",
            "something at that temperature which no smooth curve follows: an activity dip, or the sensor's own fault",
        )
    scattered = (
        f"{_time_words(rows.time_s[bad])}, {_span_words(temperature_c)}" if has_time else _span_words(temperature_c)
    )
    if rows.soak[bad].mean() > BAND and rows.soak.mean() < MOST:
        return f"most in soaks, {scattered}", "steps of the counter or the sensor, which in a soak do not average out"
    if (_stretches(rows, bad)[-1] + 1) * LONG < np.count_nonzero(bad):
        return (
            f"in many long stretches, {scattered}",
            "something that changed during the log, as a sensor that moved or froze, or an effect that the job switches off",
        )
    return f"scattered, {scattered}", "readings that went wrong one by one, or noise that comes in bursts"


def _longest_stretch(rows: _Rows, bad: Mask) -> tuple[int, int, float]:
    """First and one-past-last row of the stretch that holds most of the bad ones, and its share of them."""
    places, number = np.flatnonzero(bad), _stretches(rows, bad)
    sizes = np.bincount(number, rows.count[places])
    own = places[number == int(np.argmax(sizes))]
    return int(own[0]), int(own[-1]) + 1, float(sizes.max() / sizes.sum())


def _stretches(rows: _Rows, bad: Mask) -> Ints:
    """Number of the stretch that each bad row lies in, from 0."""
    places = np.flatnonzero(bad)
    apart = (np.diff(places) > NEAR) | (np.diff(rows.run[places]) != 0)
    return np.append(0, np.cumsum(apart))


def _narrowest_band(temperature_c: Floats) -> tuple[float, float]:
    """The narrowest band that holds BAND of some temperatures. [degC]"""
    ordered = np.sort(temperature_c)
    held = max(int(np.ceil(BAND * ordered.size)), 1)
    if held > ordered.size:
        return np.nan, np.nan
    widths = ordered[held - 1 :] - ordered[: ordered.size - held + 1]
    first = int(np.argmin(widths))
    return float(ordered[first]), float(ordered[first + held - 1])


def _time_words(time_s: Floats) -> str:
    known = time_s[np.isfinite(time_s)]
    return f"{utc(float(known.min()))} to {utc(float(known.max()))}" if known.size else "at unknown times"


def _span_words(temperature_c: Floats) -> str:
    known = temperature_c[np.isfinite(temperature_c)]
    return (
        f"{round(known.min(), 2) + 0.0:g} to {round(known.max(), 2) + 0.0:g} degC"
        if known.size
        else "at unknown temperatures"
    )
