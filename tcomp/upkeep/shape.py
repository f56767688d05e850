"""The smooth shape of a fresh run, held against a curve in the curve's own terms.

What remains at the crystal's temperature is fitted with a level for each run and a cubic in the temperature.  Its coefficients c
but for the levels say by how much the crystal is flatter, steeper or more bent than the curve.  Their covariance C is that of the
fresh run's own noise, with its wander (`cell_noise`), and of what the curve is known to, carried through the same fit.
c' C^-1 c is a chi-square of three freedoms where the curve is right, and c_1^2 / C_11 for the slope alone one of one, which finds
a slope sooner (Hotelling's and Student's tests, textbook).  However noisy the run, it is the shape that is judged.  What is more
local than a cubic, such as an activity dip, is looked for in what the cubic leaves (`lack_of_fit`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.arrays import MAD_TO_SD
from tcomp.estimation.cell_noise import CellNoise, Residuals, mixed_wander
from tcomp.estimation.curve import Curve
from tcomp.estimation.lack_of_fit import lack_of_fit
from tcomp.estimation.least_squares import weighted_solution
from tcomp.estimation.uncertainty import hac_covariance
from tcomp.estimation.weights import robust_weight, sample_sd
from tcomp.tables import CorrectionTable
from tcomp.units import SECONDS_PER_HOUR
from tcomp.upkeep.calibration import Calibration
from tcomp.upkeep.claim import COVERED, TELLING, Promise, Status, lag_error_ppb
from tcomp.upkeep.verification import VerificationRun, root_mean_square

Floats = NDArray[np.float64]

DEGREE = 3
"""Of the polynomial: the crystals' own form."""
RICH_DEGREE = 9
"""Of the one beside which noise is estimated, as where effects are looked for."""
SURE = 0.98
"""Of either test: both together fail a right curve in less than 4 % of cases (Bonferroni)."""
FEW = 40
"""Fewer samples do not separate a sensor's noise by the slope (as for a curve)."""
ROUNDS = 4
"""Fits with gross errors weighed down, and off in the last."""
GRID = 101


@dataclass(frozen=True, kw_only=True)
class ShapeTest:
    """What the test found.

    Attributes
    ----------
    difference_ppb, u_ppb, at_c : float
        Where the smooth difference is largest in the range that the run covers: the crystal less the prediction, about its mean,
        and its standard uncertainty by run and curve. [ppb] [ppb] [degC]
    slope_ppb_per_c, slope_u_ppb_per_c : float
        Of that difference. [ppb/degC]
    times : float
        The larger of both statistics over its limit: more than 1 fails.
    local_ppb : float
        RMS of a shape more local than a cubic; 0: none is seen.  More than what is promised fails. [ppb]
    noise_ppb, built_ppb : float
        Standard deviation of a sample about the smooth difference, and about the curve when it was fitted. [ppb]
    status
        The result.
    """

    difference_ppb: float
    u_ppb: float
    at_c: float
    slope_ppb_per_c: float
    slope_u_ppb_per_c: float
    times: float
    local_ppb: float
    noise_ppb: float
    built_ppb: float
    status: Status


def shape_test(
    subject: Calibration, curve: Curve, fresh: VerificationRun, left_ppb: Floats, promise: Promise, covered: float
) -> ShapeTest:
    """Hold the smooth shape of what remains against the curve.

    Parameters
    ----------
    subject, curve : Calibration, Curve
        What is checked; of a table the curve that it was designed from.
    fresh : VerificationRun
    left_ppb : ndarray of shape (n,)
        What remains of each sample. [ppb]
    promise : Promise
        What is promised of single samples, for the verdict of a run that is short.
    covered : float
        Share of the range that the run covers. [1]
    """
    from scipy.stats import chi2

    at_c = fresh.crystal_c
    terms = _Terms(*_ends(fresh))
    design = np.hstack([_levels(fresh), terms.of(at_c)])
    slope = curve.slope_ppb_per_c(at_c)
    weight, coef, own = _fitted(design, left_ppb, slope)
    noise = _own_covariance(fresh, design, own, weight, slope)
    known = noise + _promised_covariance(subject, curve, fresh, design, weight)
    shape = slice(design.shape[1] - terms.size, design.shape[1])
    c, noise, known = coef[shape], noise[shape, shape], known[shape, shape]
    along_c = np.linspace(terms.low_c, terms.high_c, GRID)
    rows = terms.of(along_c)
    rows -= rows.mean(axis=0)
    difference, u = rows @ c, np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", rows, known, rows), 1e-300))
    times = (
        float(c @ np.linalg.pinv(known, hermitian=True) @ c / chi2.ppf(SURE, c.size)),
        float(c[0] ** 2 / max(known[0, 0], 1e-300) / chi2.ppf(SURE, 1)),
    )
    worst = int(np.argmax(np.abs(difference)))
    of_run_ppb = float(np.sqrt(np.mean(np.einsum("ij,jk,ik->i", rows, noise, rows))))
    left = lack_of_fit(at_c, own, _sweeps(fresh))
    local_ppb = left.amplitude_ppb if left.found else 0.0
    fails = max(times) > 1 or local_ppb > promise.rms_ppb
    return ShapeTest(
        difference_ppb=float(difference[worst]), u_ppb=float(u[worst]), at_c=float(along_c[worst]),
        slope_ppb_per_c=float(c[0]) * terms.per_c, slope_u_ppb_per_c=float(np.sqrt(known[0, 0])) * terms.per_c,
        times=max(times), local_ppb=local_ppb, noise_ppb=MAD_TO_SD * float(np.median(np.abs(own))), built_ppb=curve.residual_sd_ppb,
        status=_status(fails, root_mean_square(left_ppb), of_run_ppb, promise, covered),
    )  # fmt: skip


def _status(fails: bool, rms_ppb: float, of_run_ppb: float, promise: Promise, covered: float) -> Status:
    if fails and (covered >= COVERED or rms_ppb > promise.max_ppb):
        return "does not hold"
    tells = covered >= COVERED and of_run_ppb < TELLING * promise.rms_ppb
    return "holds" if tells and not fails else "too short to tell"


@dataclass(frozen=True)
class _Terms:
    """Legendre polynomials of the temperature without the constant, from -1 to 1 over the range."""

    low_c: float
    high_c: float
    degree: int = DEGREE

    @property
    def size(self) -> int:
        return self.degree

    @property
    def per_c(self) -> float:
        return 2.0 / max(self.high_c - self.low_c, 1e-9)

    def of(self, at_c: Floats) -> Floats:
        x = np.clip((at_c - self.low_c) * self.per_c - 1.0, -1.0, 1.0)
        return np.asarray(np.polynomial.legendre.legvander(x, self.degree)[:, 1:], dtype=np.float64)


def _sweeps(fresh: VerificationRun) -> NDArray[np.int64]:
    """Number of the sweep of each sample: it ends where direction or run changes."""
    ends = (np.diff(fresh.direction) != 0) | (np.diff(fresh.run) != 0)
    return np.concatenate([[0], np.cumsum(ends)])


def _ends(fresh: VerificationRun) -> tuple[float, float]:
    return float(fresh.crystal_c.min()), float(fresh.crystal_c.max())


def _levels(fresh: VerificationRun) -> Floats:
    return np.asarray(fresh.run[:, None] == np.unique(fresh.run), dtype=np.float64)


def _fitted(design: Floats, left_ppb: Floats, slope: Floats) -> tuple[Floats, Floats, Floats]:
    """Weights in which gross errors count for nothing, coefficients, and what is left."""
    weight = np.ones(left_ppb.size)
    coef = weighted_solution(design, left_ppb, weight)
    for step in range(ROUNDS if left_ppb.size >= FEW else 0):
        own = left_ppb - design @ coef
        weight = robust_weight(own, sample_sd(own, slope), final=step == ROUNDS - 1)
        coef = weighted_solution(design, left_ppb, weight)
    return weight, coef, left_ppb - design @ coef


def _own_covariance(fresh: VerificationRun, design: Floats, own_ppb: Floats, weight: Floats, slope: Floats) -> Floats:
    """Covariance of the coefficients by the run's own noise.

    How it wanders is estimated beside a shape so rich that no fault of curve or table is taken for noise.
    """
    used = weight > 0
    if fresh.time_s is not None:
        rich = np.hstack([_levels(fresh), _Terms(*_ends(fresh), degree=RICH_DEGREE).of(fresh.crystal_c)])
        plain, beside = (
            CellNoise.of(
                Residuals(
                    design=columns[used], weight=weight[used], left_ppb=own_ppb[used], run=fresh.run[used],
                    time_h=fresh.time_s[used] / SECONDS_PER_HOUR, sensor_ppb=slope[used] * fresh.sensor_u_c,
                    shared_ppb=np.zeros((int(used.sum()), 1)), widths=fresh.widths,
                    one=np.zeros(columns.shape[1]), level=np.zeros(columns.shape[1]),
                )
            )
            for columns in (design, rich)
        )  # fmt: skip
        if plain is not None and beside is not None:
            return plain.covariance(mixed_wander(beside, beside.left))
    bounds = _bounds(fresh.run[used])
    return hac_covariance(design[used], own_ppb[used], bounds, weight[used])


def _bounds(run: NDArray[np.int64]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(run)) + 1
    return list(zip([0, *edges.tolist()], [*edges.tolist(), run.size], strict=True))


def _promised_covariance(
    subject: Calibration, curve: Curve, fresh: VerificationRun, design: Floats, weight: Floats
) -> Floats:
    """Covariance of the coefficients by what the curve, its effects and the table are known to."""
    values, vectors = np.linalg.eigh(np.array(curve.covariance))
    of_curve = curve.basis.values(fresh.crystal_c) @ (vectors * np.sqrt(np.maximum(values, 0.0)))
    errors = [of_curve]
    lag, response, loop = (curve.effect(name) for name in ("lag", "response", "hysteresis"))
    if fresh.lag_s and lag.uncertainty > 0:
        errors.append(lag.uncertainty / abs(fresh.lag_s) * lag_error_ppb(curve, fresh, None)[:, None])
    if fresh.response_ppb.any() and response.uncertainty > 0:
        errors.append(response.uncertainty / abs(response.value) * fresh.response_ppb[:, None])
    loop_u_ppb = loop.uncertainty if np.isfinite(loop.uncertainty) else 0.0  # not known where the runs have no time
    errors.append(np.hypot(loop.value if loop.known else 0.0, loop_u_ppb) * fresh.direction[:, None])
    if subject.table is not None:
        errors.append(_table_error_ppb(subject.table, curve, fresh)[:, None])
    moved = _moved_by(design, np.hstack(errors), weight)
    return np.asarray(moved @ moved.T)


def _moved_by(design: Floats, errors: Floats, weight: Floats) -> Floats:
    """What each column of errors moves the coefficients by, shape (p, k)."""
    return np.column_stack([weighted_solution(design, error, weight) for error in errors.T])


def _table_error_ppb(table: CorrectionTable, curve: Curve, fresh: VerificationRun) -> Floats:
    """By how much the table differs from its curve, as far as it may. [ppb]"""
    error = Calibration(None, table).shape_ppb(fresh.crystal_c) - curve.offset_ppb(fresh.crystal_c)
    error -= error.mean()
    largest = float(np.abs(error).max())
    return np.asarray(error * min(1.0, table.max_error_ppb / largest) if largest > 0 else error)
