"""What was promised of the shape, share by share."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.curve.curve import Curve
from tcomp.decision.fresh import Fresh
from tcomp.decision.subject import Subject
from tcomp.table import CorrectionTable
from tcomp.units import SECONDS_PER_MINUTE

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

    def _added(self, name: str) -> float:
        chance = math.hypot(*(getattr(share, name) for share in self.shares if share.by_chance))
        return float(chance + sum(getattr(share, name) for share in self.shares if not share.by_chance))


def promise_at_crystal(subject: Subject, fresh: Fresh) -> Promise:
    """What a curve promises at the crystal's temperature, and a table that was designed from it."""
    curve = subject.curve
    assert curve is not None
    shares = [_held_out(curve), _curve_share(curve, fresh.crystal_c)]
    if subject.table is not None:
        shares.append(bounded_share(TABLE_WORDS, subject.table.max_error_ppb))
    lag = curve.effect("lag")
    if fresh.lag_s and lag.uncertainty > 0:
        known_to = lag.uncertainty / abs(fresh.lag_s)
        shares.append(foreseen_share("lag's uncertainty", known_to * lag_error_ppb(curve, fresh, None)))
    return Promise(tuple(shares))


def promise_of_firmware(
    subject: Subject, fresh: Fresh, reference_u_ppb: float, ramp_c_per_min: float | None
) -> Promise:
    """What a table promises at the code of the sensor's temperature: the firmware has no lag filter.

    Without its curve there is its own largest error only, and the uncertainty of what it is compared with.
    """
    table = subject.table
    assert table is not None
    if subject.curve is None:
        alone = bounded_share(TABLE_WORDS, table.max_error_ppb)
        return Promise((alone, standard_share("trusted reference", np.full(1, reference_u_ppb))))
    shares = list(promise_at_crystal(subject, fresh).shares)
    rounding = _rounding_error_ppb(subject.curve, table, fresh.sensor_c)
    if rounding.any():
        shares.append(foreseen_share("rounding to a code", rounding))
    if fresh.apart:
        slope = subject.curve.slope_ppb_per_c(fresh.crystal_c)
        shares.append(standard_share("sensor's steps and noise, as in this log", np.abs(slope) * fresh.sensor_u_c))
    if fresh.lag_s:
        limit = f", to {ramp_c_per_min:g} degC/min" if ramp_c_per_min is not None else ""
        error = lag_error_ppb(subject.curve, fresh, ramp_c_per_min)
        shares.append(foreseen_share(f"lag, slope x time constant x rate{limit}", error))
    return Promise(tuple(shares))


TABLE_WORDS = "table, largest error over every code"


def lag_error_ppb(curve: Curve, fresh: Fresh, ramp_c_per_min: float | None) -> Floats:
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
    return Share("curve on sweeps that it had not seen", held.rms_ppb, held.p95_ppb, held.max_ppb, by_chance=True)


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


def foreseen_share(words: str, error_ppb: Floats) -> Share:
    """An error foreseen at each sample."""
    size = np.abs(error_ppb)
    return Share(words, root_mean_square(size), float(np.quantile(size, 0.95)), float(size.max()), by_chance=False)


def root_mean_square(values: Floats) -> float:
    """Root of the mean square.

    >>> root_mean_square(np.array([3.0, -4.0, 0.0, 0.0]))
    2.5
    """
    return float(np.sqrt(np.mean(values**2)))
