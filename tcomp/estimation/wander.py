"""Noise that wanders along the runs: how large it is, and what it makes of the curve's covariance.

The curve stays that of weighted least squares; what it is known to follows from all that the readings carry, in cells of time
(`cell_noise`).  A coarse sensor, or one that sits still between two of its steps, adds an error that a whole soak shares.  Where
heating and cooling differ alike in all runs it is no noise that wanders but an effect that is missing.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from tcomp.estimation.cell_noise import DRIFT, GAIN, KINDS, CellNoise, Residuals, allan_ppb, mixed_wander
from tcomp.estimation.effects.finding import SIGNIFICANT
from tcomp.estimation.joint_fit import Fitter, JointFit, LinearSystem
from tcomp.estimation.lack_of_fit import MIN_PPB
from tcomp.estimation.samples import Samples
from tcomp.estimation.sensor_smoothing import SmoothTemperature
from tcomp.units import SECONDS_PER_HOUR, short

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

ALIKE_CELLS = 20
"""Cells of the range in which heating and cooling are compared."""
MUCH = 4.0
"""Of these, from which an effect may be missing."""
ALIKE = 0.6
"""Correlation of what heating and cooling differ by between runs, from which an effect is missing.  Of 60 invented logs of a
wandering or a quiet crystal one reached it by chance (cases of benchmarks/coverage.py)."""
LONG_GATE = 3.0
"""Intervals between samples by which a negative second time constant is more than a counter's averaging."""


def _size(ppb: float) -> str:
    """A figure that is no round-off, which readings without noise leave."""
    return short(ppb) if ppb >= MIN_PPB else f"below {MIN_PPB:g}"


@dataclass(frozen=True, kw_only=True)
class Wander:
    """How noise wanders along the runs, and what the curve is known to with it.

    Attributes
    ----------
    covariance : ndarray of shape (p, p)
        Of the curve's coefficients. [ppb**2]
    over_run_ppb : float
        Standard deviation of the wander from start to end of the longest run. [ppb]
    run_h : float
        How long that run is. [h]
    white_ppb : float
        Noise of one reading. [ppb]
    allan_ppb : float
        Allan deviation at an hour. [ppb]
    gain : float
        By how much the log-likelihood exceeds that of noise that does not wander.
    excess : float
        Times the variance that means over minutes have beyond that of independent readings.
    alike : float
        Correlation, between runs, of what heating and cooling differ by.
    apart_ppb : float
        RMS of what heating and cooling differ by. [ppb]
    two_ways : bool
        Whether heat seems to come on two ways: a second time constant is negative.
    doubtful : tuple of str
        Effects that may be no more than wander.
    """

    covariance: Floats
    over_run_ppb: float
    run_h: float
    white_ppb: float
    allan_ppb: float
    gain: float
    excess: float
    alike: float
    apart_ppb: float
    two_ways: bool
    doubtful: tuple[str, ...]

    @property
    def seen(self) -> bool:
        """Whether it is beyond chance."""
        return self.gain > GAIN

    @property
    def of_an_effect(self) -> bool:
        """Whether what looks like noise over minutes or hours is rather an effect that is missing from the fit."""
        more = self.seen or self.excess >= MUCH
        return more and (self.alike > ALIKE or self.two_ways)

    @property
    def note(self) -> str:
        """How the noise was found to be."""
        hour = _size(self.allan_ppb)
        most = f"wander of {short(self.over_run_ppb)} ppb" if self.seen else "no wander that is seen"
        return (
            f"noise {_size(self.white_ppb)} ppb a reading, {most} over {self.run_h:.3g} h; Allan deviation {hour} ppb at an hour; "
            "uncertainties allow for it"
        )

    def remark(self, reference_u_ppb: float) -> str:
        """What must not be overlooked; empty: nothing."""
        if not (self.seen or self.of_an_effect):
            return ""
        if self.of_an_effect:
            why = "heat that comes on more than one way" if self.two_ways else "alike in all runs"
            return (
                f"heating and cooling differ by {short(self.apart_ppb)} ppb RMS after all effects were taken off ({why}): a second "
                "way of heat from the chamber, a loop, or an effect that the job switches off; the uncertainties count it as "
                "noise, which it is not"
            )
        size = f"{short(self.over_run_ppb)} ppb (standard deviation over {self.run_h:.3g} h)"
        beyond = (
            f", more than the {short(reference_u_ppb)} ppb that the job states for the reference: hold it against another"
            if 0 < reference_u_ppb < self.over_run_ppb
            else ""
        )
        doubt = f"; {' and '.join(self.doubtful)} may be no more than that" if self.doubtful else ""
        return (
            f"the readings wander by {size} along the runs, the oscillator's frequency or the reference's{beyond}; the "
            f"uncertainties of shape and base allow for either{doubt}"
        )


def wander_of(fitter: Fitter, fit: JointFit, smoothing: Sequence[SmoothTemperature]) -> Wander | None:
    """How noise wanders about a fit; None where its readings do not tell."""
    samples = fitter.samples
    if fit.about is None or fit.readings is not None or not samples.has_time:
        return None
    used = fit.used
    if fit.rms_ppb(used) < MIN_PPB:
        return None
    system, run = fit.about(), samples.run[used]
    slope = fit.model.basis.slope(fit.crystal_c[used], fit.coef)
    noise_c = np.array([0.0 if one.step_c else one.noise_c for one in smoothing])
    one, level = _constant(system, fit)
    model = CellNoise.of(
        Residuals(
            design=system.design, weight=system.weight, left_ppb=fit.working_ppb[used], run=run,
            time_h=samples.time_s[used] / SECONDS_PER_HOUR, sensor_ppb=slope * noise_c[run],
            shared_ppb=slope[:, None] * _sensor_errors_c(fitter, fit, smoothing)[used],
            widths=[one.width for one in smoothing], one=one, level=level, penalty=system.penalty,
        )
    )  # fmt: skip
    if model is None:
        return None
    lags_s = fit.model.effects.time_constants_s
    two_ways = min(lags_s, default=0.0) < -LONG_GATE * samples.interval_s < 0 and len(lags_s) > 1
    alike, apart_ppb = _alike(samples, fit)
    # What is no noise is not to be continued to where a drift that wanders would go.
    kinds = tuple(kind for kind in KINDS if kind != DRIFT) if two_ways or alike > ALIKE else KINDS
    mixed = mixed_wander(model, model.left, kinds=kinds)
    covariance = model.covariance(mixed)
    doubtful = tuple(_doubtful(system, fit, covariance)) if mixed.gain > GAIN else ()
    if doubtful:
        without = np.ones(covariance.shape[0], dtype=bool)
        added = np.zeros_like(model.left)
        for name in doubtful:
            own = system.layout.effects[name]
            without[own] = False
            added += model.design[:, own] @ fit.effect_coef[name]
        mixed = mixed_wander(model, model.left + added, without, kinds)
        covariance = model.covariance(mixed)
    curve = system.layout.curve
    # White frequency noise: that of one reading by the root of their number in an hour (NIST SP 1065).
    white_ppb = model.white_ppb * math.sqrt(samples.interval_s / SECONDS_PER_HOUR)
    seen = [square if mixed.gain > GAIN else 0.0 for square in mixed.squares]
    return Wander(
        covariance=covariance[curve, curve], over_run_ppb=math.sqrt(math.fsum(mixed.squares)), run_h=model.longest_h,
        white_ppb=model.white_ppb, allan_ppb=math.hypot(white_ppb, allan_ppb(seen, model.longest_h, 1.0)),
        gain=mixed.gain, excess=mixed.excess, alike=alike, apart_ppb=apart_ppb,
        two_ways=two_ways, doubtful=doubtful,
    )  # fmt: skip


def _doubtful(system: LinearSystem, fit: JointFit, covariance: Floats) -> Iterator[str]:
    """Effects whose columns are not beyond what the covariance makes of chance."""
    for effect in fit.model.effects:
        own = system.layout.effects[effect.name]
        if not effect.finding_names or own.stop == own.start:
            continue
        u = np.sqrt(np.maximum(np.diagonal(covariance)[own], 0.0))
        if np.all(np.abs(fit.effect_coef[effect.name]) < SIGNIFICANT * u):
            yield effect.name


def _constant(system: LinearSystem, fit: JointFit) -> tuple[Floats, Floats]:
    """Coefficients of a constant, and what coefficients are multiplied by for the curve's mean over the range; shape (p,)."""
    basis, at_c = fit.model.basis, fit.crystal_c[fit.used]
    along = basis.values(np.linspace(at_c.min(), at_c.max(), 4 * basis.size))
    one, level = np.zeros(system.design.shape[1]), np.zeros(system.design.shape[1])
    one[system.layout.curve] = np.linalg.lstsq(along, np.ones(along.shape[0]), rcond=None)[0]
    level[system.layout.curve] = along.mean(axis=0)
    return one, level


def _sensor_errors_c(fitter: Fitter, fit: JointFit, smoothing: Sequence[SmoothTemperature]) -> Floats:
    """Errors of the sensor that many samples share, of unit variance each, shape (n, k). [degC]

    Of a coarse sensor they are draws, of a dithered one what is left of a step in a soak that sits still.
    """
    samples = fitter.samples
    drawn_c = fitter.crystal_errors_c(fit.model.effects)
    columns = [np.zeros((samples.time_s.size, 1))]
    if drawn_c is not None:
        columns.append(drawn_c / math.sqrt(drawn_c.shape[1]))
    for number, (smooth, step_c) in enumerate(zip(smoothing, samples.sensor_steps_c, strict=True)):
        if smooth.step_c or not step_c:
            continue
        left_c = still_u_c(step_c, math.sqrt(max(smooth.noise_c**2 - step_c**2 / 12, 0.0)))
        for leg in np.unique(samples.leg[samples.run == number]):
            own = samples.leg == leg
            if np.ptp(fitter.sensor.temperature_c[own]) < step_c:
                columns.append(np.where(own, left_c, 0.0)[:, None])
    return np.hstack(columns)


def still_u_c(step_c: float, noise_c: float) -> float:
    """What the mean of rounded readings is off by, RMS over where in a step a temperature sits still. [degC]

    Noise s leaves of a step q a sine along it, of amplitude q / pi exp(-2 pi^2 s^2 / q^2) (B. Widrow, I. Kollar and M.-C. Liu,
    IEEE Trans. Instrum. Meas. 45 (1996) 353-361).

    >>> round(still_u_c(1.0, 0.25), 3), round(still_u_c(1.0, 0.5), 4)
    (0.066, 0.0016)
    """
    return step_c / math.pi * math.exp(-2 * math.pi**2 * noise_c**2 / step_c**2) / math.sqrt(2)


def _alike(samples: Samples, fit: JointFit) -> tuple[float, float]:
    """Correlation, between runs, of what heating and cooling differ by along the range, 0 with one run, and its RMS. [1] [ppb]"""
    used = fit.used & (samples.direction != 0)
    if not used.any():
        return 0.0, 0.0
    low_c, high_c = float(fit.crystal_c[used].min()), float(fit.crystal_c[used].max())
    place = (fit.crystal_c - low_c) / max(high_c - low_c, 1e-9) * ALIKE_CELLS
    cell = np.clip(place, 0, ALIKE_CELLS - 1).astype(np.int64)
    apart = []
    for number in np.unique(samples.run):
        means = []
        for sign in (-1, 1):
            own = used & (samples.run == number) & (np.sign(samples.direction) == sign)
            total = np.bincount(cell[own], fit.weight[own], minlength=ALIKE_CELLS)
            sums = np.bincount(cell[own], (fit.weight * fit.working_ppb)[own], minlength=ALIKE_CELLS)
            means.append(np.where(total > 0, sums / np.maximum(total, 1e-300), np.nan))
        apart.append(means[1] - means[0])
    found = []
    for first, second in combinations(apart, 2):
        both = np.isfinite(first) & np.isfinite(second)
        size = math.sqrt(float(first[both] @ first[both]) * float(second[both] @ second[both]))
        if both.sum() > ALIKE_CELLS / 2 and size > 0:
            found.append(float(first[both] @ second[both]) / size)
    all_ppb = np.concatenate(apart)
    all_ppb = all_ppb[np.isfinite(all_ppb)]
    rms_ppb = float(np.sqrt(np.mean(all_ppb**2))) if all_ppb.size else 0.0
    return float(np.mean(found)) if found else 0.0, rms_ppb
