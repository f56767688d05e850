"""How much each sample counts: less where the curve is steep, nothing where it is a gross error.

Noise of the sensor enters the offset through the curve's slope, so the variance of a sample is
sigma_y**2 + (f'(T) sigma_T)**2 (effective variance; J. Orear, Am. J. Phys. 50 (1982) 912-916, from
memory).  Both are read off the residuals.  Gross errors that are left are weighed down by Huber's
function and then off by Tukey's biweight (P. J. Huber, Robust Statistics, Wiley 1981; from memory).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from tcomp.arrays import MAD_TO_SD
from tcomp.estimation.effects import Effects
from tcomp.estimation.joint_fit import Fitter, JointFit
from tcomp.estimation.samples import Samples
from tcomp.estimation.thermal_lag import SensorLog
from tcomp.logs.cells import TUKEY
from tcomp.units import short

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
HUBER = 1.345
"""Tuning for 95 % efficiency at the normal distribution, as Tukey's (the usual figure, from memory)."""
BINS = 16
WIDER = 2.0
"""How many times as far off a cell may be as a sample before it is weighed down: its samples have been weighed already, and
a function this wide takes means of normal noise as they are (efficiency 99.7 %)."""
FEW_SAMPLES = 40
"""With fewer, a rich curve passes so near to many that gross errors are not identifiable: all count alike."""
USUAL, MAX_UNKNOWN = 0.25, 2.0
"""A quantile that lies among the ramps of a run, and how many times as much may be unknown of a temperature that still tells
the noise of the readings."""
MIN_TRUSTED_C2 = 1e-4
"""Of temperatures known to 0.01 degC all count alike at first. [degC^2]"""
MIN_VARIANCE_PPB2 = 1e-12
ROUNDED_GATE, COUNTED_GATE = 4.0, 6.0
"""A gate k times as long has steps k times as fine and white noise lower by the root of k: the step is then twice the noise, or
the variance of a count, a sixth of the step's square on average, that of the noise."""
LONGEST_GATE = 100.0
"""A gate so many times as long is no advice."""


def sample_sd(residual_ppb: Floats, slope_ppb_per_c: Floats) -> Floats:
    """Standard deviation of each sample, sqrt(sigma_y**2 + (slope sigma_T)**2), robustly. [ppb]

    Parameters
    ----------
    residual_ppb : ndarray of shape (n,)
        Residuals, gross errors and all; NaN where unused.
    slope_ppb_per_c : ndarray of shape (n,)
        Slope of the curve at each sample.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> slope = np.linspace(-400.0, 400.0, 8000)
    >>> noise = np.hypot(2.0, slope * 0.01)
    >>> bool(np.allclose(sample_sd(rng.normal(size=8000) * noise, slope), noise, rtol=0.1))
    True
    """
    known = np.flatnonzero(np.isfinite(residual_ppb))
    order = known[np.argsort(np.abs(slope_ppb_per_c[known]), kind="stable")]
    parts = np.array_split(order, min(BINS, max(known.size // 20, 1)))
    squares = np.array([np.mean(slope_ppb_per_c[part] ** 2) for part in parts])
    variance = np.array([(MAD_TO_SD * np.median(np.abs(residual_ppb[part]))) ** 2 for part in parts])
    of_reading, of_sensor = _two_positive(squares, variance)
    return np.asarray(np.sqrt(of_reading + of_sensor * slope_ppb_per_c**2))


def rounding_sd(step_ppb: Floats) -> Floats:
    """Standard deviation of what rounding to a step takes away, q / sqrt(12) (JCGM 100:2008, F.2.2.1). [ppb]

    In a soak the residuals of a coarse counter are constant, so that their spread says nothing of its rounding: no sample is
    known better than this.

    >>> rounding_sd(np.array([0.0, 12.0])).round(3).tolist()
    [0.0, 3.464]
    """
    return np.asarray(step_ppb / math.sqrt(12.0))


def robust_weight(residual_ppb: Floats, sd_ppb: Floats, *, final: bool, wider: float = 1.0) -> Floats:
    """Weight of each sample: 1 / variance times Huber's, or with ``final`` Tukey's, factor. 0 where unused. [ppb**-2]

    ``wider`` stretches either function.
    """
    size = np.abs(np.nan_to_num(residual_ppb, nan=np.inf)) / (wider * sd_ppb)
    factor = (1 - np.minimum(size / TUKEY, 1.0) ** 2) ** 2 if final else HUBER / np.maximum(size, HUBER)
    return np.asarray(np.where(np.isfinite(residual_ppb), factor, 0.0) / sd_ppb**2)


class SampleWeights:
    """Weights of samples by what a fit leaves of them and by what a coarse sensor leaves unknown."""

    def __init__(self, samples: Samples, sensor: SensorLog) -> None:
        self.samples, self.sensor = samples, sensor
        self._wider = 1.0 if samples.cells is None else WIDER

    def first(self, fitter: Fitter) -> Floats:
        """Weight of each sample before a curve's slope is known: a soak of a coarse sensor counts as one sample."""
        each = 1.0 if self.samples.cells is None else self.samples.cells.count / self.samples.cells.count.mean()
        variance = self.temperature_u_c(fitter, Effects()) ** 2 * self._sharing
        usual = max(float(np.quantile(variance, USUAL)), MIN_TRUSTED_C2)
        return np.asarray(each * (usual / (usual + variance)))

    def of_residuals(self, fitter: Fitter, fit: JointFit, usable: Mask, *, final: bool) -> Floats:
        """Weight of each usable sample by its residual: Huber's function, or with ``final`` Tukey's. [ppb**-2]"""
        if usable.sum() < FEW_SAMPLES:
            variance = max(float(np.mean(fit.residual_ppb[usable] ** 2)), MIN_VARIANCE_PPB2)
            return np.where(usable, 1.0 / variance, 0.0)
        residual = np.where(usable, fit.residual_ppb, np.nan)
        return robust_weight(residual, self.sd_ppb(fitter, fit, residual), final=final, wider=self._wider)

    def sd_ppb(self, fitter: Fitter, fit: JointFit, residual_ppb: Floats) -> Floats:
        """Standard deviation of each sample; of a cell of fewer samples than most, as much more as its mean scatters."""
        slope = fit.model.basis.slope(fit.crystal_c, fit.coef)
        unknown_c = self.temperature_u_c(fitter, fit.model.effects)
        known = self.known(fitter, fit)
        if known is not None:  # what a coarse sensor leaves unknown is no noise, and would hide it
            residual_ppb = np.where(known, residual_ppb, np.nan)
        if self.samples.cells is None:
            sd = sample_sd(residual_ppb, slope)
        else:
            count = self.samples.cells.count
            fewer = np.sqrt(np.maximum(np.median(count) / count, 1.0))
            sd = fewer * sample_sd(residual_ppb / fewer, slope)
        sd = np.maximum(sd, rounding_sd(self.samples.step_ppb))
        return np.hypot(sd, slope * unknown_c * np.sqrt(self._sharing)) if unknown_c.any() else sd

    def temperature_u_c(self, fitter: Fitter, effects: Effects) -> Floats:
        """What a coarse sensor leaves unknown of the crystal's temperature at each sample; else zero. [degC]"""
        errors_c = fitter.crystal_errors_c(effects)
        return np.zeros(self.samples.time_s.size) if errors_c is None else np.sqrt(np.mean(errors_c**2, axis=1))

    def known(self, fitter: Fitter, fit: JointFit) -> Mask | None:
        """Samples whose temperature a coarse sensor tells about as well as in most of its ramps; None: all of them."""
        own_c = self._own_u_c(fitter, fit)
        return np.asarray(own_c <= MAX_UNKNOWN * np.quantile(own_c, USUAL)) if own_c.any() else None

    def alike_ppb2(self, fitter: Fitter, fit: JointFit, known: Mask | None) -> float:
        """Mean square of what sweeps of the same ramps may have alike by a coarse sensor. [ppb**2]"""
        if known is None:
            return 0.0
        own = known & fit.used
        slope = fit.model.basis.slope(fit.crystal_c, fit.coef)[own]
        return float(np.mean((slope * self._own_u_c(fitter, fit)[own]) ** 2)) if own.any() else 0.0

    def _own_u_c(self, fitter: Fitter, fit: JointFit) -> Floats:
        """What a coarse sensor leaves unknown, less what a whole ramp shares, which makes no sample worse than others. [degC]"""
        unknown_c, errors = self.temperature_u_c(fitter, fit.model.effects), self.sensor.errors
        return unknown_c if errors is None else np.sqrt(np.maximum(unknown_c**2 - errors.in_step_c**2, 0.0))

    @property
    def _sharing(self) -> Floats:
        """With how many samples each shares the error of its temperature: together they tell no more than one."""
        errors = self.sensor.errors
        return np.ones(self.samples.time_s.size) if errors is None else errors.sharing


def _two_positive(squares: Floats, variance: Floats) -> tuple[float, float]:
    """Constant and slope, neither negative, of variance against squared slope of the curve.

    Relative misfits count, since a variance is known to a share of itself.
    """
    from scipy.optimize import nnls

    floor = max(float(variance.max()) * 1e-6, 1e-12)
    size = np.maximum(variance, floor)
    design = np.column_stack([np.ones_like(squares), squares / max(float(squares.max()), 1e-300)])
    constant, slope = nnls(design / size[:, None], variance / size)[0]
    return max(float(constant), floor), float(slope) / max(float(squares.max()), 1e-300)


def counter_remark(samples: Samples, fit: JointFit) -> tuple[str, ...]:
    """What the step of a coarse counter costs, and what would lower that."""
    if fit.readings is None:
        return ()
    kind, step_ppb, noise_ppb = fit.readings.readings.kind, float(samples.step_ppb.max()), fit.readings.noise_ppb
    used = fit.used & (fit.readings.readings.step_ppb == step_ppb)
    worth = float((fit.readings.expected_information * fit.readings.sd_ppb**2)[used].sum())
    count = samples.number(used)
    longer = step_ppb**2 / ((ROUNDED_GATE if kind == "rounded" else COUNTED_GATE) * noise_ppb**2)
    gate = f"a gate {short(max(longer, 2.0))} times as long, or " if longer <= LONGEST_GATE else ""
    if kind == "rounded":
        said = f"the counter rounds to steps of {short(step_ppb)} ppb"
        still = (
            f"a soak tells its offset to {short(float(rounding_sd(np.array(step_ppb))))} ppb at best however long it lasts, "
            "so ramp slowly across the steps instead, or "
        )
    else:
        said = f"the counter counts whole cycles of {short(step_ppb)} ppb each"
        still = ""
    return (
        f"{said}, beside a noise of {short(noise_ppb)} ppb; {count} samples tell as much as {max(worth, 1.0):.0f} without the "
        f"step: {still}use {gate}a counter with finer steps",
    )
