"""What was promised of the shape, share by share."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tcomp.estimation.curve import Curve
from tcomp.tables import CorrectionTable
from tcomp.units import SECONDS_PER_MINUTE
from tcomp.upkeep.calibration import Calibration
from tcomp.upkeep.verification import VerificationRun, root_mean_square

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Share:
    """A contribution to the error that is to be expected. [ppb]

    ``by_chance``: it varies by chance, and adds to others in squares; what does not may stand in one
    place with all of its size, and its 95 % and largest values are added as they are.
    """

    words: str
    rms_ppb: float
    p95_ppb: float
    max_ppb: float
    by_chance: bool


@dataclass(frozen=True)
class Promise:
    """Shares, and what they come to."""

    shares: tuple[Share, ...]

    @property
    def rms_ppb(self) -> float:
        """In squares: no share knows of another. [ppb]"""
        return math.hypot(*(share.rms_ppb for share in self.shares))

    @property
    def p95_ppb(self) -> float:
        """Within which 95 % of the samples are to be. [ppb]"""
        return self._added("p95_ppb")

    @property
    def max_ppb(self) -> float:
        """Within which all samples are to be, but for very rare ones. [ppb]"""
        return self._added("max_ppb")

    def in_noise(self, times: float) -> Promise:
        """The same in a run that is noisier: noise is no fault of what is checked.

        >>> noisy = Promise((Share(HELD_OUT_WORDS, 1.0, 2.0, 3.0, by_chance=True),)).in_noise(2.5)
        >>> noisy.rms_ppb, noisy.p95_ppb, noisy.in_noise(0.5).rms_ppb
        (2.5, 5.0, 2.5)
        """
        if times <= 1:
            return self
        more = (
            replace(one, rms_ppb=times * one.rms_ppb, p95_ppb=times * one.p95_ppb, max_ppb=times * one.max_ppb)
            if one.words == HELD_OUT_WORDS
            else one
            for one in self.shares
        )
        return Promise(tuple(more))

    def _added(self, name: str) -> float:
        chance = math.hypot(*(getattr(share, name) for share in self.shares if share.by_chance))
        return float(chance + math.fsum(getattr(share, name) for share in self.shares if not share.by_chance))


def promise_at_crystal(subject: Calibration, fresh: VerificationRun) -> Promise:
    """What a curve promises at the crystal's temperature, and a table that was designed from it."""
    curve = subject.curve
    assert curve is not None
    shares = [_held_out(curve), _curve_share(curve, fresh.crystal_c)]
    if subject.table is not None:
        shares.append(bounded_share(TABLE_WORDS, subject.table.max_error_ppb))
    lag = curve.effect("lag")
    if fresh.lag_s and lag.uncertainty > 0:
        known_to = lag.uncertainty / abs(fresh.lag_s)
        shares.append(assumed_share("lag's uncertainty", known_to * lag_error_ppb(curve, fresh, None)))
    found = curve.effect("response")
    if fresh.response_ppb.any() and found.uncertainty > 0:
        shares.append(
            assumed_share("response's uncertainty", found.uncertainty / abs(found.value) * fresh.response_ppb)
        )
    return Promise(tuple(shares))


def claimed_by_firmware(
    subject: Calibration,
    fresh: VerificationRun,
    reference_u_ppb: float,
    ramp_c_per_min: float | None,
    update_s: float | None = None,
) -> Promise:
    """What a table promises at the code of the sensor's temperature.

    A firmware that follows the crystal is behind by ``update_s`` at most, another by the whole lag.

    Without its curve there is its own largest error only, and the uncertainty of what it is compared with.
    """
    table = subject.table
    assert table is not None
    if subject.curve is None:
        alone = bounded_share(TABLE_WORDS, table.max_error_ppb)
        return Promise((alone, standard_share("trusted reference", np.full(1, reference_u_ppb))))
    shares = list(promise_at_crystal(subject, fresh).shares)
    rounding = _rounding_error_ppb(subject.curve, table, fresh.sensor_c)
    # A filter reads between codes.
    if rounding.any() and update_s is None:
        shares.append(assumed_share("rounding to a code", rounding))
    if fresh.apart:
        slope = subject.curve.slope_ppb_per_c(fresh.crystal_c)
        shares.append(standard_share("sensor's steps and noise, as in this log", np.abs(slope) * fresh.sensor_u_c))
    if fresh.lag_s:
        limit = f", to {ramp_c_per_min:g} degC/min" if ramp_c_per_min is not None else ""
        error = lag_error_ppb(subject.curve, fresh, ramp_c_per_min)
        if update_s is None:
            shares.append(assumed_share(f"lag, slope x time constant x rate{limit}", error))
        else:
            age = error * (update_s / abs(fresh.lag_s))
            shares.append(assumed_share(f"time until the next update, slope x {update_s:g} s x rate{limit}", age))
    if fresh.response_ppb.any():
        shares.append(
            assumed_share("response to changing temperature, which the firmware does not follow", fresh.response_ppb)
        )
    return Promise(tuple(shares))


HELD_OUT_WORDS = "curve on sweeps that it had not seen"
TABLE_WORDS = "table, largest error over every code"


def lag_error_ppb(curve: Curve, fresh: VerificationRun, ramp_c_per_min: float | None) -> Floats:
    """Slope times time constant times rate at each sample, the rate no faster than the ramp. [ppb]

    Sensor minus crystal *is* the time constant times the crystal's rate (the filter's own equation),
    so the difference of the curve between the two is the product, with the slope between them.
    """
    error = curve.offset_ppb(fresh.smooth_c) - curve.offset_ppb(fresh.crystal_c)
    if ramp_c_per_min is None:
        return error
    rate_c_per_min = np.abs((fresh.smooth_c - fresh.crystal_c) / fresh.lag_s) * SECONDS_PER_MINUTE
    return np.asarray(error * np.minimum(1.0, ramp_c_per_min / np.maximum(rate_c_per_min, 1e-300)))


def _held_out(curve: Curve) -> Share:
    held = curve.held_out
    return Share(HELD_OUT_WORDS, held.rms_ppb, held.p95_ppb, held.max_ppb, by_chance=True)


def _curve_share(curve: Curve, crystal_c: Floats) -> Share:
    """Without the reference's uncertainty, which is the same at every temperature and so the base's alone."""
    variance = curve.uncertainty_ppb(crystal_c) ** 2 - curve.reference_u_ppb**2
    return standard_share("curve's uncertainty", np.sqrt(np.maximum(variance, 0.0)))


def _rounding_error_ppb(curve: Curve, table: CorrectionTable, sensor_c: Floats) -> Floats:
    """Nothing where the sensor's own steps are whole codes."""
    away_c = sensor_c - table.temperature_of(table.code_of(sensor_c))
    return np.where(np.abs(away_c) < 1e-9, 0.0, away_c * curve.slope_ppb_per_c(sensor_c))


def bounded_share(words: str, largest_ppb: float) -> Share:
    """An error of which only the largest is known: everywhere as large, at worst."""
    return Share(words, largest_ppb, largest_ppb, largest_ppb, by_chance=False)


def standard_share(words: str, standard_ppb: Floats) -> Share:
    """An error known by its standard uncertainty at each sample: 95 % within k = 2, all within k = 3."""
    rms_ppb = root_mean_square(standard_ppb)
    return Share(words, rms_ppb, 2 * rms_ppb, 3 * float(standard_ppb.max()), by_chance=True)


def assumed_share(words: str, error_ppb: Floats) -> Share:
    """An error expected at each sample."""
    size = np.abs(error_ppb)
    return Share(words, root_mean_square(size), float(np.quantile(size, 0.95)), float(size.max()), by_chance=False)


Status = Literal["holds", "does not hold", "too short to tell"]

ONE_SIDED = 0.975
"""k = 2, common practice, no source."""
TELLING = 2.0
"""A run that cannot exclude an RMS of twice the promise does not tell that the promise holds."""
COVERED = 0.5
"""Share of the range below which noise or steps that are larger in one part of it could decide."""


@dataclass(frozen=True)
class Judgement:
    """The figures that decide. [ppb]"""

    claim: Promise
    limit_rms_ppb: float
    """RMS beyond which the promise does not hold: the promised one, widened for the number of effective samples."""
    upper_rms_ppb: float
    """RMS that the run still allows, at 97.5 %."""
    beyond_share: float
    """Share of the samples beyond the promised 95 %. [1]"""
    limit_share: float
    status: Status


def judge(
    error_ppb: Floats, claim: Promise, effective: float, promise_effective: float, covered: float = 1.0
) -> Judgement:
    """Hold what remains against a promise.

    Parameters
    ----------
    error_ppb : ndarray of shape (n,)
        What remains. [ppb]
    effective, promise_effective : float
        Independent samples that would tell as much as the run's, and as those that the promise comes from
        (infinite for a bound).
    covered : float, default=1.0
        Share of the promised range that the run covers. [1]

    Examples
    --------
    >>> from tcomp.upkeep.claim import bounded_share
    >>> claim = Promise((bounded_share("invented", 2.0),))
    >>> error_ppb = np.tile([1.0, -1.0], 50)
    >>> [judge(scale * error_ppb, claim, 40.0, np.inf).status for scale in (1.0, 5.0)]
    ['holds', 'does not hold']
    >>> judge(error_ppb, claim, 2.0, np.inf).status
    'too short to tell'
    """
    from scipy.stats import chi2, f

    rms_ppb = root_mean_square(error_ppb)
    widest = f.ppf(ONE_SIDED, effective, promise_effective) if math.isfinite(promise_effective) else None
    ratio = float(widest if widest is not None else chi2.ppf(ONE_SIDED, effective) / effective)
    limit_rms_ppb = claim.rms_ppb * math.sqrt(ratio)
    upper_rms_ppb = rms_ppb * math.sqrt(effective / float(chi2.ppf(1 - ONE_SIDED, effective)))
    beyond_share = float(np.mean(np.abs(error_ppb) > claim.p95_ppb))
    limit_share = 0.05 + 2 * math.sqrt(0.05 * 0.95 / effective)
    failing = rms_ppb > limit_rms_ppb or beyond_share > limit_share
    gross = failing and rms_ppb > claim.max_ppb
    conclusive = covered >= COVERED and (failing or upper_rms_ppb <= TELLING * claim.rms_ppb)
    status: Status = "too short to tell"
    if conclusive or gross:
        status = "does not hold" if failing else "holds"
    return Judgement(claim, limit_rms_ppb, upper_rms_ppb, beyond_share, limit_share, status)
