"""Coefficients of polynomials on a curve: of least worst error, as real numbers and as the firmware's integers."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np

from tcomp.arrays import FloatArray, IntArray
from tcomp.errors import TableError
from tcomp.tables.coded_curve import CodedCurve, per_code
from tcomp.tables.minimax import NEGLIGIBLE_PPB

ARGUMENT_BITS = 15
"""The argument of a polynomial is in units of 2**-15."""
LARGEST_DEGREE = 9
POINTS_PER_DEGREE = 24
"""Places at which the programmes see the curve: Chebyshev's, dense where a minimax error turns."""
EXCHANGES = 8
"""Rounds in which codes are added at most; two or three suffice, as each makes the excess its square."""
EXCESS = 1e-6
"""Share of the promised error by which a code may exceed it: far below what integers can express."""
NODES = 400
"""Branches that the integer programme may look at; more rarely help, and trial goes on from there."""
COARSE = 1.02
"""An integer programme whose rounded start is within 2 % of the real optimum has nothing to gain."""
Coefficients = tuple[int, ...]


def chebyshev_factors(curve: CodedCurve, x: FloatArray, degree: int) -> tuple[FloatArray, float]:
    """Factors of Chebyshev's polynomials of least worst error, degree 0 first, and an error that none go below. [ppb]

    A linear programme over a few codes, to which those are added where what it found errs most, until
    none errs more than it promised (the exchange of Remez; E. W. Cheney, Introduction to Approximation
    Theory, chapter 3, from memory).

    Parameters
    ----------
    curve : CodedCurve
    x : array
        Argument at each of its codes, from -1 to 1.
    degree : int

    Raises
    ------
    TableError
        The solver finds none.
    """
    allowance = per_code(curve.allowance, curve)
    # About the mean, as the solver's tolerances are absolute.
    mean_ppb = float(curve.offset_ppb.mean())
    rows = np.polynomial.chebyshev.chebvander(x, degree) / allowance[:, None]
    target = (curve.offset_ppb - mean_ppb) / allowance
    places = _places(len(x), degree)
    for _ in range(EXCHANGES):
        chebyshev, promised = _least_worst(rows[places], target[places])
        residual = rows @ chebyshev - target
        if np.abs(residual).max() <= promised * (1 + EXCESS) + NEGLIGIBLE_PPB:
            break
        places = np.union1d(places, _peaks(residual))
    chebyshev[0] += mean_ppb
    return chebyshev, promised


def _least_worst(rows: FloatArray, target: FloatArray) -> tuple[FloatArray, float]:
    """Factors of the columns with the least largest residual in any row, and that residual."""
    from scipy.optimize import linprog

    count, ones = rows.shape[1], np.ones((len(rows), 1))
    solution = linprog(
        np.append(np.zeros(count), 1.0),
        A_ub=np.vstack([np.hstack([rows, -ones]), np.hstack([-rows, -ones])]),
        b_ub=np.concatenate([target, -target]),
        bounds=[(None, None)] * count + [(0, None)],
        method="highs",
    )
    if solution.x is None or solution.fun is None:
        raise TableError(f"no polynomial of degree {count - 1} of least error could be found ({solution.message})")
    return solution.x[:-1], float(solution.fun)


def _peaks(residual: FloatArray) -> IntArray:
    """Place of the largest residual of each stretch of one sign."""
    starts = np.flatnonzero(np.diff(residual > 0, prepend=not residual[0] > 0))
    ends = np.append(starts[1:], len(residual))
    return np.array(
        [start + int(np.abs(residual[start:end]).argmax()) for start, end in zip(starts, ends, strict=True)]
    )


def _places(count: int, degree: int) -> IntArray:
    turns = np.cos(np.pi * np.arange(POINTS_PER_DEGREE * (degree + 1)) / (POINTS_PER_DEGREE * (degree + 1) - 1))
    return np.unique(np.rint((1 - turns) / 2 * (count - 1)).astype(np.int64))


@dataclass(frozen=True, eq=False)
class IntegerForm(ABC):
    """A polynomial whose coefficients are integers, as the firmware computes it on the codes of a curve.

    Parameters
    ----------
    curve : CodedCurve
    unit : float
        Size of a unit of its value. [ppb]
    """

    curve: CodedCurve
    unit: float

    @abstractmethod
    def value(self, coefficients: Coefficients) -> IntArray:
        """At every code. [units]"""

    @abstractmethod
    def fits(self, coefficients: Coefficients) -> bool:
        """Whether every number on the way stays within its bits."""

    @abstractmethod
    def columns(self, degree: int, places: IntArray) -> FloatArray:
        """How much each coefficient adds to the value at some places of the curve, without rounding. [units]"""

    def worst_ppb(self, coefficients: Coefficients) -> float:
        """Worst error as the firmware computes it, over every code. [ppb]"""
        residual = self.value(coefficients) * self.unit - self.curve.offset_ppb
        return float(np.max(np.abs(residual) / self.curve.allowance))


def best_coefficients(form: IntegerForm, start: Coefficients, bound_ppb: float) -> Coefficients:
    """Integers of small worst error: from an integer programme, then by steps of one unit in one or two of them.

    Parameters
    ----------
    form : IntegerForm
    start : tuple of int
        The real optimum, rounded.
    bound_ppb : float
        What no coefficients go below. [ppb]
    """
    return _improved(form, _programmed(form, start, bound_ppb))


def _programmed(form: IntegerForm, start: Coefficients, bound_ppb: float) -> Coefficients:
    """The integers of least worst error as an integer programme sees it, without the products' rounding."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    if form.worst_ppb(start) <= COARSE * bound_ppb:
        return start
    curve, degree = form.curve, len(start) - 1
    places = _places(len(curve.offset_ppb), degree)
    allowance = per_code(curve.allowance, curve)[places]
    rows = form.columns(degree, places) / allowance[:, None]
    target = curve.offset_ppb[places] / form.unit / allowance
    # Unknowns are steps away from the rounded start, which keeps the numbers small.
    target = target - rows @ np.array(start, dtype=np.float64)
    ones = np.ones((len(places), 1))
    reach = 2.0 ** np.arange(2, degree + 3)
    found = milp(
        np.append(np.zeros(degree + 1), 1.0),
        constraints=LinearConstraint(
            np.vstack([np.hstack([rows, -ones]), np.hstack([-rows, -ones])]),
            ub=np.concatenate([target, -target]),
        ),
        integrality=np.append(np.ones(degree + 1), 0),
        bounds=Bounds(np.append(-reach, 0.0), np.append(reach, np.inf)),
        options={"node_limit": NODES, "mip_rel_gap": 0.01},
    )
    if found.x is None:
        return start
    steps = np.rint(found.x[:-1]).astype(np.int64).tolist()
    return tuple(c + s for c, s in zip(start, steps, strict=True))


def _improved(form: IntegerForm, start: Coefficients) -> Coefficients:
    """Step one or two coefficients by one unit as long as that lowers what the firmware's worst error is."""
    best = start
    worst = form.worst_ppb(best) if form.fits(best) else np.inf
    moves = _moves(len(start))
    bettered = True
    while bettered:
        bettered = False
        for move in moves:
            tried = tuple(c + m for c, m in zip(best, move, strict=True))
            error = form.worst_ppb(tried)
            if error < worst and form.fits(tried):
                best, worst, bettered = tried, error, True
    return best


def _moves(count: int) -> list[tuple[int, ...]]:
    moves = []
    for places in [*combinations(range(count), 1), *combinations(range(count), 2)]:
        for signs in product((-1, 1), repeat=len(places)):
            move = [0] * count
            for place, sign in zip(places, signs, strict=True):
                move[place] = sign
            moves.append(tuple(move))
    return moves
