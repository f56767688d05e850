"""Where to measure next: soaks that lower the worst uncertainty of a curve most, given what is measured.

Sequential design: soaks are taken one at a time from a grid, each where it leaves the least worst variance, and then
exchanged one against another while that helps (V. V. Fedorov, Theory of Optimal Experiments, 1972; from memory); evenly
spread soaks, exchanged likewise, stand beside them, since an exchange ends in the nearest optimum.
A soak of variance v at T turns the covariance C into C - C b b' C / (v + b' C b), b the curve's columns at T.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tcomp.arrays import FloatArray
from tcomp.estimation.curve import Curve

GRID = 81
"""Temperatures that are tried, over the range."""
APART = 4
"""Steps of the grid between soaks, 5 % of the range: nearer ones would better be one that is averaged longer."""
MIN_SOAKS = 2
"""One alone would only find the base of the new run."""
MAX_SOAKS = 8
"""In one go: beyond that, look at what they gave."""
MIN_GAIN = 0.05
"""A soak that lowers the worst uncertainty by less than 5 % is not worth its hour (common practice, no source)."""
UNKNOWN_BASE_PPB = 1e4
"""Standard deviation of the base of a new run, which may have moved: so large that it tells nothing."""


@dataclass(frozen=True)
class NextSoaks:
    """Temperatures in the order of choice; the best one, the best two and so on, each with the worst standard uncertainty
    that they leave; curves are (m,).

    ``now_ppb`` and ``then_ppb`` are standard uncertainties along ``at_c``, without the reference's.
    """

    chosen_c: tuple[float, ...]
    best_c: tuple[tuple[float, ...], ...]
    worst_of_best_ppb: tuple[float, ...]
    enough: bool
    """Whether what is measured was within the limit already."""
    at_c: FloatArray
    now_ppb: FloatArray
    then_ppb: FloatArray


def next_soaks(
    curve: Curve,
    soak_u_ppb: FloatArray,
    limit_ppb: float,
    base_sd_ppb: float = UNKNOWN_BASE_PPB,
    most: int = MAX_SOAKS,
) -> NextSoaks:
    """Choose the next soaks, until the worst uncertainty is within the limit or a soak no longer helps.

    Where it is within the limit already, only the latter ends the choice.

    Parameters
    ----------
    curve : Curve
        What is measured.
    soak_u_ppb : ndarray of shape (GRID,)
        Standard uncertainty of a soak's mean at each temperature of the grid over the curve's range. [ppb]
    limit_ppb : float
        Worst standard uncertainty that is enough. [ppb]
    base_sd_ppb : float
        By how much the base of the new run may differ: the curve is then given with that base. [ppb]
    most : int
        Soaks at most.

    Returns
    -------
    NextSoaks
        At least two soaks, no two nearer than 5 % of the range.
    """
    at_c = np.linspace(curve.low_c, curve.high_c, GRID)
    columns = np.column_stack([curve.basis.values(at_c), np.ones(GRID)])
    prior = np.zeros((columns.shape[1],) * 2)
    prior[:-1, :-1] = np.array(curve.covariance)
    prior[-1, -1] = base_sd_ppb**2
    # In the covariance of the grid's own values, a soak is a measurement of one of them: no basis is needed.
    joint = columns @ prior @ columns.T
    variance = soak_u_ppb**2
    now_ppb = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", columns[:, :-1], prior[:-1, :-1], columns[:, :-1]), 0.0))
    chosen: list[int] = []
    best: list[tuple[float, ...]] = []
    worst: list[float] = []
    while len(chosen) < most:
        starts = ([*chosen, _best(joint, variance, chosen)], *_even_starts(len(chosen) + 1))
        found, trial = min((_exchanged(joint, variance, start) for start in starts), key=lambda tried: tried[0])
        if len(worst) >= MIN_SOAKS and found > (1 - MIN_GAIN) * worst[-1]:
            break
        chosen = trial
        worst.append(found)
        best.append(tuple(sorted(float(at_c[one]) for one in chosen)))
        if len(worst) >= MIN_SOAKS and found <= limit_ppb < now_ppb.max():
            break
    then_ppb = np.sqrt(np.diagonal(_after(joint, variance, chosen)))
    return NextSoaks(
        tuple(float(at_c[one]) for one in chosen),
        tuple(best),
        tuple(worst),
        bool(now_ppb.max() <= limit_ppb),
        at_c,
        now_ppb,
        then_ppb,
    )


def _after(joint: FloatArray, variance: FloatArray, soaks: list[int]) -> FloatArray:
    for one in soaks:
        gain = joint[:, one] / (variance[one] + joint[one, one])
        joint = joint - np.outer(gain, joint[one])
    return joint


def _worst(joint: FloatArray, variance: FloatArray, soaks: list[int]) -> float:
    return float(np.sqrt(np.diagonal(_after(joint, variance, soaks)).max()))


def _best(joint: FloatArray, variance: FloatArray, soaks: list[int]) -> int:
    """The next soak beside these that leaves the least worst variance."""
    now = _after(joint, variance, soaks)
    left = np.diagonal(now)[:, None] - now**2 / (variance + np.diagonal(now))
    near = np.abs(np.arange(GRID)[:, None] - np.array(soaks, dtype=np.int64)) < APART
    return int(np.argmin(np.where(near.any(axis=1), np.inf, left.max(axis=0))))


def _even_starts(count: int) -> tuple[list[int], ...]:
    """Soaks from end to end, and soaks at the middles of equal parts: the exchange ends in whichever optimum is near."""
    ends = np.linspace(0, GRID - 1, count) if count > 1 else np.array([GRID // 2])
    middles = (np.arange(count) + 0.5) * GRID / count
    return tuple([int(one) for one in start] for start in (ends, middles))


def _exchanged(joint: FloatArray, variance: FloatArray, soaks: list[int]) -> tuple[float, list[int]]:
    """Each soak put where it is best beside the others, until none moves; with the worst uncertainty. [ppb]"""
    worst = _worst(joint, variance, soaks)
    moved = True
    while moved:
        moved = False
        for place in range(len(soaks)):
            others = soaks[:place] + soaks[place + 1 :]
            trial = [*others, _best(joint, variance, others)]
            found = _worst(joint, variance, trial)
            if found < worst * (1 - 1e-9):
                soaks, worst, moved = trial, found, True
                break
    return worst, soaks
