"""A sensor that stops: it repeats one value while the offset goes on moving as only a moving temperature moves it.

In a soak, or with coarse steps, a sound sensor repeats one value for long too.  But in a soak the offset rests as well, and
within one coarse step it moves no more than within the others.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tcomp.arrays import FloatArray, robust_sd

MIN_SAMPLES = 30
"""Fewer equal values are no evidence."""
COMPARED_SAMPLES = 10
"""Least length of the stretches of one value that show how far the offset moves within a step of the sensor."""
MIN_SHARE = 0.2
"""Share of the run's span that the offset must cross meanwhile."""
MORE_THAN_OTHERS = 3.0
MORE_THAN_NOISE = 5.0
"""With these ratios none is found in 1440 simulated runs without a stop, with steps of 0.01 to 10 degC and jumps up to
30 000 ppb."""
PARTS = 20


@dataclass(frozen=True)
class Frozen:
    """Samples from ``start`` to one before ``stop``, all of one value, while the offset moved by about ``moved_ppb``."""

    start: int
    stop: int
    moved_ppb: float


def span_ppb(offset_ppb: FloatArray) -> float:
    """From the 1st to the 99th percentile, so that single wild values do not count. [ppb]"""
    return float(np.diff(np.percentile(offset_ppb, [1, 99]))[0]) if len(offset_ppb) else 0.0


@np.errstate(over="ignore", invalid="ignore")
def frozen_stretches(
    temperature_c: FloatArray, offset_ppb: FloatArray, run_span_ppb: float | None = None
) -> tuple[Frozen, ...]:
    """The stretches in which the sensor stopped.

    Parameters
    ----------
    temperature_c, offset_ppb : ndarray of shape (n,)
        Samples in the order of time, without those dropped for other reasons. [degC, ppb]
    run_span_ppb : float, default=None
        Span of the offsets of the whole run, if these are a part of it. [ppb]

    Examples
    --------
    >>> ramp_c = np.linspace(0.0, 40.0, 400)
    >>> frozen_stretches(np.minimum(ramp_c, 20.0), 10.0 * ramp_c)[0].start
    200
    """
    if len(temperature_c) < MIN_SAMPLES:
        return ()
    starts = np.concatenate([[0], np.flatnonzero(np.diff(temperature_c)) + 1])
    stops = np.append(starts[1:], len(temperature_c))
    lengths = stops - starts
    if lengths.max() < MIN_SAMPLES or (run_span_ppb is None and len(lengths) == 1):
        return ()
    compared = np.flatnonzero(lengths >= COMPARED_SAMPLES)
    moved = np.array([_moved_ppb(offset_ppb[starts[at] : stops[at]]) for at in compared])
    least_ppb = MIN_SHARE * (span_ppb(offset_ppb) if run_span_ppb is None else run_span_ppb)
    found = []
    for place, at in enumerate(compared):
        others = np.delete(moved, place).max(initial=0.0)
        if (
            lengths[at] >= MIN_SAMPLES
            and moved[place] >= max(least_ppb, MORE_THAN_OTHERS * others)
            and moved[place] > 0
        ):
            found.append(Frozen(int(starts[at]), int(stops[at]), float(moved[place])))
    return tuple(found)


EDGE_SHARE = MIN_SHARE / 2
"""Where the end of a block cuts a stretch, the offset moves by at least half as much in one of the two parts."""


def may_be_frozen(temperature_c: FloatArray, offset_ppb: FloatArray, run_span_ppb: float) -> bool:
    """Whether a sensor may have stopped in a block of a log, so that the whole log must be examined.

    Parameters
    ----------
    temperature_c, offset_ppb : ndarray of shape (n,)
        The block's samples, in the order of time. [degC, ppb]
    run_span_ppb : float
        Span of the offsets of the whole run. [ppb]
    """
    if frozen_stretches(temperature_c, offset_ppb, run_span_ppb):
        return True
    changes = np.flatnonzero(np.diff(temperature_c)) + 1
    if not changes.size:
        return len(offset_ppb) >= MIN_SAMPLES and _moved_ppb(offset_ppb) > 0
    edges = [part for part in (offset_ppb[: changes[0]], offset_ppb[changes[-1] :]) if len(part) >= MIN_SAMPLES]
    return any(_moved_ppb(part) > EDGE_SHARE * run_span_ppb for part in edges)


def _moved_ppb(offset_ppb: FloatArray) -> float:
    """How far the offset moved gradually: a single jump does not count, nor what noise alone explains. [ppb]"""
    parts = min(PARTS, len(offset_ppb) // 3)
    means = np.array([part.mean() for part in np.array_split(offset_ppb, parts)])
    steps = np.abs(np.diff(means))
    noise = robust_sd(np.diff(offset_ppb)) / np.sqrt(2.0)
    # The median absolute difference of two means of noise is 0.67 of its standard deviation.
    of_noise = 0.67 * noise * np.sqrt(2.0 * parts / len(offset_ppb))
    step = float(np.median(steps)) if steps.size else 0.0
    return step * (parts - 1) if step > MORE_THAN_NOISE * of_noise else 0.0
