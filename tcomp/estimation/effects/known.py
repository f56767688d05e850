"""An effect whose values are known before the fit, each with its standard uncertainty: those of a lot."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tcomp.estimation.effects.effect import Effect, Exposure, Floats, Mask
from tcomp.estimation.thermal_lag import SensorLog


@dataclass(frozen=True)
class Known(Effect):
    """Another effect, held at figures that are not estimated.

    It has no columns: what it adds is taken off the offsets, and what its errors do is in the covariance of all that is
    estimated beside it.

    Attributes
    ----------
    name : str
        Of the effect.
    effect : Effect
        With its parameters free, at their values.
    coef : tuple of float
        Coefficients of its linear columns.
    covariance : tuple of tuple of float
        Of the coefficients and then the parameters, shape (k, k).
    """

    name: str  # type: ignore[misc]  # that of the effect
    effect: Effect
    coef: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]

    @property
    def finding_names(self) -> tuple[str, ...]:
        """None: nothing is found of it."""
        return ()

    def stated_ppb(self, exposure: Exposure, crystal_c: Floats) -> Floats:
        """Its columns times their coefficients. [ppb]"""
        return np.asarray(self.effect.columns(exposure, crystal_c) @ np.array(self.coef))

    def stated_errors_ppb(
        self, exposure: Exposure, sensor: SensorLog, crystal_c: Floats, slope_ppb_per_c: Floats
    ) -> Floats:
        """One column for each principal axis of the covariance. [ppb]"""
        coef, effect = np.array(self.coef), self.effect
        columns = np.hstack(
            [
                effect.columns(exposure, crystal_c),
                effect.jacobian(exposure, sensor, crystal_c, slope_ppb_per_c, coef),
            ]
        )
        variances, axes = np.linalg.eigh(np.array(self.covariance))
        return np.asarray(columns @ axes * np.sqrt(np.maximum(variances, 0.0)))

    @property
    def moves_temperature(self) -> bool:
        """As the effect does."""
        return self.effect.moves_temperature

    @property
    def time_constants_s(self) -> tuple[float, ...]:
        """As of the effect. [s]"""
        return self.effect.time_constants_s

    def crystal_c(self, sensor: SensorLog, temperature_c: Floats) -> Floats:
        """Behind the effect. [degC]"""
        return self.effect.crystal_c(sensor, temperature_c)

    def crystal_errors_c(self, sensor: SensorLog, errors_c: Floats) -> Floats:
        """Behind the effect. [degC]"""
        return self.effect.crystal_errors_c(sensor, errors_c)

    def start_columns(self, sensor: SensorLog) -> Floats:
        """As of the effect. [1]"""
        return self.effect.start_columns(sensor)

    def settled(self, sensor: SensorLog) -> Mask:
        """As of the effect."""
        return self.effect.settled(sensor)

    def unsettled_words(self, usable: int, total: int) -> str:
        """As of the effect."""
        return self.effect.unsettled_words(usable, total)
