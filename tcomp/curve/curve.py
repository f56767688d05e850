"""The curve: offset against crystal temperature, with its covariance, over a stated range."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tcomp.curve.dips import Dip
from tcomp.curve.effects import Effect
from tcomp.curve.jumps import Jump
from tcomp.errors import CurveError
from tcomp.files import json_text, read_json, typed
from tcomp.model.basis import ChebyshevBasis, check_coefficients
from tcomp.model.candidates import physical_parameters
from tcomp.model.parameters import Parameter
from tcomp.model.spline_basis import SplineBasis

Floats = NDArray[np.float64]
SCHEMA = 1
LARGEST = 1e11
"""No number of a curve is as large, in whatever unit: as a time [s] it lies in the year 5138."""
EARLIEST_CLOCK_S = 1e8
"""Below this a time counts seconds since a start, as the reader of logs takes it. [s]"""


@dataclass(frozen=True)
class HeldOut:
    """How the chosen curve did on data that it had not seen: what it promises. [ppb]"""

    method: str
    rms_ppb: float
    p95_ppb: float
    max_ppb: float
    heating_minus_cooling_ppb: float


@dataclass(frozen=True)
class Curve:
    """What was learnt of an oscillator.

    Attributes
    ----------
    model, words : str
        Name of the chosen candidate, and what it is.
    basis, coef, covariance
        The curve, in ppb; its base is that of ``base_time_s``.
    low_c, high_c : float
        Range over which it holds. [degC]
    reference_c : float
        Where the base is stated. [degC]
    reference_u_ppb : float
        Standard uncertainty common to all temperatures: that of the trusted reference, or of a base since trimmed. [ppb]
    residual_sd_ppb : float
        Standard deviation of the samples about curve, base and effects. [ppb]
    held_out : HeldOut
        The same on sweeps that the curve had not seen.
    jumps, dips
        Steps of the frequency that were split at, and activity dips that were left out or followed.
    lack_of_fit : str
        Whether a shape is left in the residuals, in words.
    notes, remarks : tuple of str
        What was done to the samples; what must not be overlooked.
    base_time_s : float or None
        When the base was as stated: at the end of the last run, or when it was last trimmed; None: not known. [s]
    trimmed : bool
        Whether the base has been trimmed since the runs.
    span_days : float
        From the first sample of the runs to the last; 0: they have no time. [day]
    """

    model: str
    words: str
    basis: ChebyshevBasis | SplineBasis
    coef: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    low_c: float
    high_c: float
    reference_c: float
    reference_u_ppb: float
    residual_sd_ppb: float
    residual_max_ppb: float
    held_out: HeldOut
    samples: int
    effective_samples: float
    effects: tuple[Effect, ...]
    jumps: tuple[Jump, ...]
    dips: tuple[Dip, ...]
    lack_of_fit: str
    parameters: tuple[Parameter, ...]
    notes: tuple[str, ...]
    remarks: tuple[str, ...]
    base_time_s: float | None = None
    trimmed: bool = False
    span_days: float = 0.0

    def offset_ppb(self, temperature_c: Floats) -> Floats:
        """Offset at a crystal temperature; beyond the range the value at its end, as the firmware holds it. [ppb]"""
        return self.continued_ppb(np.clip(np.asarray(temperature_c, dtype=np.float64), self.low_c, self.high_c))

    def continued_ppb(self, temperature_c: Floats) -> Floats:
        """The polynomial itself, beyond the range too: for entries of a table that lie just outside it. [ppb]"""
        return np.asarray(self.basis.values(np.asarray(temperature_c, dtype=np.float64)) @ np.array(self.coef))

    def slope_ppb_per_c(self, temperature_c: Floats) -> Floats:
        """Slope of the curve within its range. [ppb/degC]"""
        inside = np.clip(np.asarray(temperature_c, dtype=np.float64), self.low_c, self.high_c)
        return self.basis.slope(inside, np.array(self.coef))

    def uncertainty_ppb(self, temperature_c: Floats, *, new_sample: bool = False) -> Floats:
        """Standard uncertainty of the curve, or with ``new_sample`` of one more sample about it. [ppb]"""
        inside = np.clip(np.asarray(temperature_c, dtype=np.float64), self.low_c, self.high_c)
        columns = self.basis.values(inside)
        variance = np.einsum("ij,jk,ik->i", columns, np.array(self.covariance), columns) + self.reference_u_ppb**2
        return np.asarray(np.sqrt(np.maximum(variance, 0.0) + (self.residual_sd_ppb**2 if new_sample else 0.0)))

    def shape_uncertainty_ppb(self, temperature_c: Floats) -> Floats:
        """Standard uncertainty of the difference between the curve there and at the reference temperature. [ppb]"""
        columns = self._columns(temperature_c) - self._columns(np.array([self.reference_c]))
        variance = np.einsum("ij,jk,ik->i", columns, np.array(self.covariance), columns)
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))

    def _columns(self, temperature_c: Floats) -> Floats:
        return self.basis.values(np.clip(np.asarray(temperature_c, dtype=np.float64), self.low_c, self.high_c))

    @property
    def base_ppb(self) -> float:
        """The curve at the reference temperature. [ppb]"""
        return float(self.offset_ppb(np.array([self.reference_c]))[0])

    @property
    def base_words(self) -> str:
        """When the base was as stated, in words."""
        if self.trimmed and self.base_time_s is not None:
            return f"as trimmed at {utc(self.base_time_s)}"
        return "as at the end of the last run"

    @property
    def base_clock_s(self) -> float | None:
        """When, if the runs' times are those of a clock: Unix time. [s]"""
        if self.base_time_s is None or self.base_time_s < EARLIEST_CLOCK_S:
            return None
        return self.base_time_s

    def trimmed_to(self, base_ppb: float, u_ppb: float, time_s: float) -> Curve:
        """The same shape on another base, whose uncertainty is then common to all temperatures.

        The base's own part of the covariance is taken out: what is left is that of the differences to the reference
        temperature.
        """
        if (self.trimmed, self.base_time_s, self.reference_u_ppb) == (True, time_s, u_ppb) and math.isclose(
            self.base_ppb, base_ppb, abs_tol=1e-9
        ):
            return self
        columns = self._columns(np.array([self.reference_c]))[0]
        # The coefficients of a constant: T_0 alone, or all B-splines, whose sum is 1.
        one = np.ones(self.basis.size) if isinstance(self.basis, SplineBasis) else np.eye(self.basis.size)[0]
        without_base = np.eye(self.basis.size) - np.outer(one, columns)
        covariance = without_base @ np.array(self.covariance) @ without_base.T
        coef = np.array(self.coef) + (base_ppb - self.base_ppb) * one
        return replace(
            self, coef=tuple(coef.tolist()), covariance=tuple(map(tuple, covariance.tolist())), reference_u_ppb=u_ppb,
            parameters=self._parameters(coef, covariance + u_ppb**2 * np.outer(one, one)),
            base_time_s=time_s, trimmed=True,
        )  # fmt: skip

    def _parameters(self, coef: Floats, covariance: Floats) -> tuple[Parameter, ...]:
        return physical_parameters(self.model, self.basis, coef, covariance) if self.parameters else ()

    @property
    def jump_words(self) -> tuple[str, ...]:
        """A sentence for each step of the frequency."""
        return tuple(
            f"the frequency jumped by {jump.height_ppb:+.3g} ppb (u {jump.uncertainty_ppb:.2g}) at {utc(jump.time_s)}; "
            "the run is split there"
            for jump in self.jumps
        )

    @property
    def dip_words(self) -> tuple[str, ...]:
        """A sentence for each activity dip."""
        followed = "followed by the curve" if self.model == "spline" and self.dips else "left out of the curve"
        return tuple(
            f"activity dip at {dip.temperature_c:.2f} degC: {dip.depth_ppb:.3g} ppb deep, {dip.width_c:.2g} degC wide, seen on "
            f"{dip.passes} sweeps ({dip.significance:.0f} times the usual deviation); {followed}"
            for dip in self.dips
        )

    def effect(self, name: str) -> Effect:
        """The effect of that name: lag, ageing or hysteresis."""
        return {effect.name: effect for effect in self.effects}[name]


def utc(time_s: float) -> str:
    """A time as the log's clock has it.

    >>> utc(1_772_436_600.0), utc(3600.0)
    ('2026-03-02T07:30:00Z', '3600 s')
    """
    if time_s < EARLIEST_CLOCK_S:
        return f"{time_s:g} s"
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def curve_text(curve: Curve) -> str:
    """The curve as JSON, the same bytes for the same curve."""
    return json_text({"schema": SCHEMA, "kind": "curve", **asdict(curve)})


def read_curve(path: Path | str) -> Curve:
    """Read a curve back.

    Raises
    ------
    CurveError
        The file is not a curve that this version wrote.
    """
    try:
        document = read_json(Path(path))
        if document.pop("kind") == "curve" and document.pop("schema") == SCHEMA:
            return _curve(document)
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise CurveError(f"{path}: cannot be read as a curve; run `tcomp fit` again") from error
    raise CurveError(f"{path}: is not a curve of this version; run `tcomp fit` again")


def _curve(document: dict[str, Any]) -> Curve:
    curve: Curve = typed(document, Curve)
    check_coefficients(curve.basis, curve.coef, curve.covariance)
    needed = (curve.low_c, curve.high_c, curve.reference_c, curve.reference_u_ppb, curve.base_time_s or 0.0)
    values = [effect.value for effect in curve.effects]
    if not all(abs(value) < LARGEST for value in (*needed, *values)) or not curve.low_c < curve.high_c:
        raise ValueError("a number is missing or is none of a curve")
    for name in ("lag", "ageing", "hysteresis"):
        curve.effect(name)
    return curve
