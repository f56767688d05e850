"""Classes of lateness of a clock's events, and slips of its phase, in what a smoothed phase leaves of them.

Each window of events is a mixture of normal distributions (A. P. Dempster, N. M. Laird and D. B. Rubin, J. R. Stat. Soc. B 39
(1977) 1-38, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tcomp.arrays import BoolArray, FloatArray, robust_sd

NANO = 1e9
WINDOW = 1000
"""Events whose lateness is taken to have the same classes."""
CLASSES = 4
STEPS = 200
"""Of expectation and maximisation at most."""
LATE_SHARE = 0.02
"""A class of fewer of the events is not worth a name."""
STRAY_SHARE, STRAY_SD = 1e-3, 1e4
"""Share of events that belong to no class, and how many of the noise's standard deviations they spread over."""
AROUND = 4
"""Times as many events within which one slip is all there is: a smoothed slip looks like lesser ones on both sides."""
SLIP_EVENTS, SLIP_SD = 12, 6.0
"""Events on either side, and standard deviations of the difference of their medians, from which the phase has slipped."""


@dataclass(frozen=True, kw_only=True)
class Lateness:
    """A class of events: share, how much later than the most frequent class [s], and how far they scatter [s]."""

    share: float
    late_s: float
    scatter_s: float


def slips_of(left_ns: FloatArray, late_ns: FloatArray, noise_ns: FloatArray, anew: BoolArray) -> BoolArray:
    """Steps of the phase that stay, shape (n - 1,): between them the medians on both sides differ most about."""
    count = len(left_ns)
    slipped = np.zeros(count - 1, dtype=bool)
    if count < 4 * SLIP_EVENTS:
        return slipped
    windows = (np.lib.stride_tricks.sliding_window_view(one, SLIP_EVENTS) for one in (left_ns - late_ns, noise_ns))
    medians, scatter = (np.median(one, axis=1) for one in windows)
    step = np.abs(medians[SLIP_EVENTS:] - medians[:-SLIP_EVENTS])
    spread = 1.2533 * np.hypot(scatter[SLIP_EVENTS:], scatter[:-SLIP_EVENTS]) / math.sqrt(SLIP_EVENTS)
    score = np.zeros(count - 1)
    score[SLIP_EVENTS - 1 : count - SLIP_EVENTS] = step / spread
    for place in np.flatnonzero(score > SLIP_SD):
        near = score[max(place - AROUND * SLIP_EVENTS, 0) : place + AROUND * SLIP_EVENTS + 1]
        if score[place] == near.max() and not anew[max(place - SLIP_EVENTS, 0) : place + SLIP_EVENTS].any():
            slipped[_split(left_ns, int(place))] = True
    return slipped


def _split(left_ns: FloatArray, place: int) -> int:
    """The step near a place at which two levels fit best, by the sum of distances from their medians."""
    first = max(place - 3 * SLIP_EVENTS, 0)
    around = left_ns[first : place + 3 * SLIP_EVENTS]
    # Near a slip what is left bends towards it: levels of few events on both sides tell its place.
    edges = range(SLIP_EVENTS // 2, len(around) - SLIP_EVENTS // 2 + 1)
    steps = [
        abs(float(np.median(around[at : at + SLIP_EVENTS // 2]) - np.median(around[at - SLIP_EVENTS // 2 : at])))
        for at in edges
    ]
    near = [at for at, step in zip(edges, steps, strict=True) if step > max(steps) / 2]
    return first + max(near, key=lambda at: abs(float(around[at] - around[at - 1]))) - 1


@dataclass(frozen=True, eq=False)
class Mixture:
    """Normal classes of a window of events, and what they say of each event."""

    criterion: float
    share: FloatArray
    middle_ns: FloatArray
    scatter_ns: FloatArray
    mean_ns: FloatArray
    sd_ns: FloatArray


def mixtures(left_ns: FloatArray, before: Sequence[Mixture] = ()) -> list[Mixture]:
    """The classes of every window of events, their number by the Bayesian information criterion (G. Schwarz, Ann. Stat. 6 (1978)
    461-464, from memory); from what they were ``before``, where that is known."""
    parts = np.array_split(left_ns, max(round(len(left_ns) / WINDOW), 1))
    if before:
        return [_refined(part, one) for part, one in zip(parts, before, strict=True)]
    return [_best(part) for part in parts]


def _best(left_ns: FloatArray) -> Mixture:
    """With one more class as long as that is better; two are always tried."""
    found = best = _even(left_ns, 1)
    for classes in range(2, CLASSES + 1):
        found = _even(left_ns, classes)
        if found.criterion < best.criterion:
            best = found
        elif classes > 2:
            break
    return best


def _even(left_ns: FloatArray, classes: int) -> Mixture:
    """A mixture of so many classes, from some that are spread evenly."""
    low, high = np.quantile(left_ns, [0.005, 0.995])
    middle = low + (high - low) * (np.arange(classes) + 0.5) / classes
    wide = max((high - low) / (2 * classes), _usual_ns(left_ns) / 2)
    return _maximised(left_ns, np.full(classes, 1.0 / classes), middle, np.full(classes, wide))


def _refined(left_ns: FloatArray, before: Mixture) -> Mixture:
    """The same classes in what is left now."""
    return _maximised(left_ns, before.share, before.middle_ns, before.scatter_ns)


def _usual_ns(left_ns: FloatArray) -> float:
    return max(robust_sd(left_ns - np.median(left_ns)), 1e-3)


def _maximised(left_ns: FloatArray, share: FloatArray, middle: FloatArray, scatter: FloatArray) -> Mixture:
    """A mixture by expectation and maximisation from where it begins; classes are rows, which is faster."""
    count, usual = len(left_ns), _usual_ns(left_ns)
    stray = STRAY_SHARE / (STRAY_SD * usual)
    for _ in range(STEPS):
        away = (left_ns - middle[:, None]) / scatter[:, None]
        density = ((1 - STRAY_SHARE) * share / (scatter * math.sqrt(2 * math.pi)))[:, None] * np.exp(-0.5 * away * away)
        total = density.sum(axis=0) + stray
        belongs = density / total
        weight = belongs.sum(axis=1) + 1e-9
        before = middle
        middle = belongs @ left_ns / weight
        # About the former middles: no digits are lost, as these hardly move.
        moved = (middle - before) / scatter
        scatter = scatter * np.sqrt(np.maximum((belongs * away * away).sum(axis=1) / weight - moved**2, 1e-12))
        scatter = np.maximum(scatter, usual / 30)
        share = weight / weight.sum()
        if np.abs(middle - before).max() < 1e-3 * usual:
            break
    criterion = -2 * float(np.log(total).sum()) + (3 * len(share) - 1) * math.log(count)
    sure = belongs.sum(axis=0)
    mean = middle @ belongs / np.maximum(sure, 1e-9)
    within = scatter[:, None] ** 2 + (middle[:, None] - mean) ** 2
    variance = (belongs * within).sum(axis=0) / np.maximum(sure, 1e-9)
    sd = np.sqrt(np.maximum(variance, usual**2 / 900) / np.clip(sure, 1e-8, 1.0))  # a stray tells nothing
    return Mixture(criterion, share, middle, scatter, np.where(sure > 1e-6, mean, 0.0), sd)


def classes_of(mixtures: list[Mixture]) -> tuple[Lateness, ...]:
    """The classes of the window that has most of them, relative to its most frequent one; latest last."""
    if not mixtures:
        return ()
    found: list[tuple[Lateness, ...]] = []
    for one in mixtures:
        main = int(np.argmax(one.share))
        classes = [
            Lateness(
                share=float(share), late_s=float(one.middle_ns[main] - middle) / NANO, scatter_s=float(scatter) / NANO
            )
            for share, middle, scatter in zip(one.share, one.middle_ns, one.scatter_ns, strict=True)
            if share > LATE_SHARE
        ]
        found.append(tuple(sorted(classes, key=lambda each: each.late_s)))
    return max(found, key=len)


def class_remarks(classes: tuple[Lateness, ...]) -> list[str]:
    if not classes:
        return []
    if len(classes) == 1:
        return [f"Events scatter by {1e3 * classes[0].scatter_s:.3g} ms about the ticks."]
    listed = "; ".join(
        f"{100 * one.share:.0f} % {1e3 * one.late_s:+.0f} ms (scatter {1e3 * one.scatter_s:.2g} ms)" for one in classes
    )
    return [
        f"Events come in up to {len(classes)} classes of lateness, against the most frequent: {listed}; this is taken off."
    ]
