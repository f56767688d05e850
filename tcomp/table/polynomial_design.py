"""Integer coefficients for a polynomial of least worst error: chosen by an integer programme, then by trial."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import TableError
from tcomp.table.coded_curve import CodedCurve, per_code
from tcomp.table.design import measured, told_ppb
from tcomp.table.fixed_point import smallest_unit_log2_ppt, unit_ppb
from tcomp.table.lookup import LARGEST_UNIT_LOG2_PPT, CorrectionTable
from tcomp.table.minimax import NEGLIGIBLE_PPB
from tcomp.table.polynomial import ARGUMENT_BITS, Polynomial, PolynomialTable

Floats = NDArray[np.float64]

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


def polynomial_table(curve: CodedCurve, degree: int, bits: int) -> CorrectionTable:
    """Design the polynomial of one degree in integers of one width.

    Parameters
    ----------
    degree : int
        1 to 9.
    bits : int
        16: products of 16 by 16 bits.  32: of 32 by 16 bits.

    Raises
    ------
    TableError
        No unit lets all sums of Horner's rule fit.
    """
    middle_code, shift = argument_scale(curve)
    real_ppb, worst_ppb = minimax_polynomial(curve, middle_code, shift, degree)
    for unit_log2_ppt in range(smallest_unit_log2_ppt(curve.offset_ppb, bits), LARGEST_UNIT_LOG2_PPT + 1):
        unit = unit_ppb(unit_log2_ppt)
        start = Polynomial(middle_code, shift, tuple(int(c) for c in np.rint(real_ppb / unit)))
        if not _fits(start, curve, bits):
            continue
        best = _improved(curve, _programmed(curve, start, real_ppb, worst_ppb, unit), unit, bits)
        table = PolynomialTable(
            scale=curve.scale,
            low_code=curve.low_code,
            high_code=curve.high_code,
            entry_bits=bits,
            unit_log2_ppt=unit_log2_ppt,
            entries=best.coefficients,
            max_error_ppb=0.0,
            rms_error_ppb=0.0,
            middle_code=middle_code,
            shift=shift,
        )
        return replace(measured(curve, table), bound_ppb=told_ppb(worst_ppb))
    raise TableError(f"no unit lets a polynomial of degree {degree} fit {bits} bits; expected a smaller degree")


def argument_scale(curve: CodedCurve) -> tuple[int, int]:
    """Middle code, and the largest shift that keeps every code of the range within an int16 about it."""
    middle_code = (curve.low_code + curve.high_code + 1) // 2
    reach = max(middle_code - curve.low_code, curve.high_code - middle_code + 1)
    return middle_code, max(0, ARGUMENT_BITS - (reach - 1).bit_length())


def minimax_polynomial(curve: CodedCurve, middle_code: int, shift: int, degree: int) -> tuple[Floats, float]:
    """Coefficients of least worst error, power 0 first, and an error that none go below. [ppb]

    A linear programme over a few codes, to which those are added where what it found errs most, until
    none errs more than it promised (the exchange of Remez; E. W. Cheney, Introduction to Approximation
    Theory, chapter 3, from memory). In Chebyshev's basis, which keeps it well conditioned.
    """
    x = _argument(curve, middle_code, shift)
    allowance = per_code(curve.allowance, curve)
    # About the mean, as the solver's tolerances are absolute.
    mean_ppb = float(curve.offset_ppb.mean())
    rows = np.polynomial.chebyshev.chebvander(x, degree) / allowance[:, None]
    target = (curve.offset_ppb - mean_ppb) / allowance
    places = _places(len(x), degree)
    for _ in range(EXCHANGES):
        chebyshev, promised = _least_worst(rows[places], target[places])
        misfit = rows @ chebyshev - target
        if np.abs(misfit).max() <= promised * (1 + EXCESS) + NEGLIGIBLE_PPB:
            break
        places = np.union1d(places, _peaks(misfit))
    chebyshev[0] += mean_ppb
    powers = np.zeros(degree + 1)
    found = np.polynomial.chebyshev.cheb2poly(chebyshev)
    powers[: len(found)] = found
    return powers, promised


def _least_worst(rows: Floats, target: Floats) -> tuple[Floats, float]:
    """Factors of the columns with the least largest misfit in any row, and that misfit."""
    from scipy.optimize import linprog

    count, ones = rows.shape[1], np.ones((len(rows), 1))
    solution = linprog(
        np.append(np.zeros(count), 1.0),
        A_ub=np.vstack([np.hstack([rows, -ones]), np.hstack([-rows, -ones])]),
        b_ub=np.concatenate([target, -target]),
        bounds=[(None, None)] * count + [(0, None)],
        method="highs",
    )
    if solution.x is None or solution.fun is None:  # Factors of 0 meet every row with a large misfit.
        raise ArithmeticError(f"the linear programme ended with: {solution.message}")
    return solution.x[:-1], float(solution.fun)


def _peaks(misfit: Floats) -> NDArray[np.int64]:
    """Place of the largest misfit of each stretch of one sign."""
    starts = np.flatnonzero(np.diff(misfit > 0, prepend=not misfit[0] > 0))
    ends = np.append(starts[1:], len(misfit))
    return np.array([start + int(np.abs(misfit[start:end]).argmax()) for start, end in zip(starts, ends, strict=True)])


def _argument(curve: CodedCurve, middle_code: int, shift: int) -> Floats:
    return np.ldexp((curve.codes - middle_code).astype(np.float64), shift - ARGUMENT_BITS)


def _places(count: int, degree: int) -> NDArray[np.int64]:
    turns = np.cos(np.pi * np.arange(POINTS_PER_DEGREE * (degree + 1)) / (POINTS_PER_DEGREE * (degree + 1) - 1))
    return np.unique(np.rint((1 - turns) / 2 * (count - 1)).astype(np.int64))


def _fits(polynomial: Polynomial, curve: CodedCurve, bits: int) -> bool:
    if any(not -(2 ** (bits - 1)) < c < 2 ** (bits - 1) for c in polynomial.coefficients):
        return False
    try:
        polynomial.check_range(curve.low_code, curve.high_code, bits)
    except TableError:
        return False
    return True


def _worst(polynomial: Polynomial, curve: CodedCurve, unit: float) -> float:
    """Worst error as the firmware computes it, over every code. [ppb]"""
    misfit = polynomial.value(curve.codes) * unit - curve.offset_ppb
    return float(np.max(np.abs(misfit) / curve.allowance))


def _programmed(curve: CodedCurve, start: Polynomial, real_ppb: Floats, worst_ppb: float, unit: float) -> Polynomial:
    """The integers of least worst error as an integer programme sees it, without the products' rounding."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    if _worst(start, curve, unit) <= COARSE * worst_ppb:
        return start
    degree = start.degree
    x = _argument(curve, start.middle_code, start.shift)
    places = _places(len(x), degree)
    allowance = per_code(curve.allowance, curve)[places]
    rows = np.vander(x[places], degree + 1, increasing=True) / allowance[:, None]
    target = curve.offset_ppb[places] / unit / allowance
    # Unknowns are steps away from the rounded start, which keeps the numbers small.
    target = target - rows @ np.array(start.coefficients, dtype=np.float64)
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
    return replace(start, coefficients=tuple(c + s for c, s in zip(start.coefficients, steps, strict=True)))


def _improved(curve: CodedCurve, start: Polynomial, unit: float, bits: int) -> Polynomial:
    """Step one or two coefficients by one unit as long as that lowers what the firmware's worst error is."""
    best = start
    worst = _worst(best, curve, unit) if _fits(best, curve, bits) else np.inf
    moves = _moves(start.degree + 1)
    bettered = True
    while bettered:
        bettered = False
        for move in moves:
            tried = replace(best, coefficients=tuple(c + m for c, m in zip(best.coefficients, move, strict=True)))
            error = _worst(tried, curve, unit)
            if error < worst and _fits(tried, curve, bits):
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
