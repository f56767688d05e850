"""The curve: offset against crystal temperature, with its covariance, over a stated range."""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, overload

import numpy as np
from numpy.typing import NDArray

from tcomp.arrays import shaped_as
from tcomp.documents import curve as documents
from tcomp.documents.curve import CurveDocument
from tcomp.documents.fields import document_text, values_of
from tcomp.errors import CurveError
from tcomp.estimation.basis import ChebyshevBasis, check_coefficients
from tcomp.estimation.candidates import physical_parameters
from tcomp.estimation.dips import Dip
from tcomp.estimation.dropped_samples import NOTHING_DROPPED, Dropped
from tcomp.estimation.effects import FAMILY, Effects, Finding, RateResponse, RegressorTerm, effects_of
from tcomp.estimation.jumps import Jump
from tcomp.estimation.parameters import Parameter
from tcomp.estimation.spline_basis import SplineBasis
from tcomp.files import read_json, typed
from tcomp.logs.clock_noise import ClockNoise
from tcomp.units import EARLIEST_CLOCK_S, degc_text, utc

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
LARGEST = 1e11
"""No number of a curve is as large, in whatever unit: as a time [s] it lies in the year 5138."""
LINE, KNOWN = 100, 4
"""Longest line of a curve as it is printed, and most effects that it shows there."""


@dataclass(frozen=True)
class HeldOut:
    """Error of the chosen curve on data that it had not seen: what it promises. [ppb]

    ``method`` says how the data were held out, ``remarks`` what limits the score.  ``curve_rms_ppb`` is the curve's own part of
    ``rms_ppb``, ``noise_rms_ppb`` that of the noise of a single reading, ``base_shift_ppb`` how far the base shifts from sweep to
    sweep, which is in the curve's; NaN: not identifiable.  ``untested_c`` are parts of the range without held-out samples. [degC]
    """

    method: str
    rms_ppb: float
    p95_ppb: float
    max_ppb: float
    heating_minus_cooling_ppb: float
    remarks: tuple[str, ...] = ()
    curve_rms_ppb: float = float("nan")
    noise_rms_ppb: float = float("nan")
    base_shift_ppb: float = float("nan")
    untested_c: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Curve:
    """The fitted frequency against temperature of an oscillator.

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
    dropped : Dropped
        Samples that took no part.
    clock_noise : ClockNoise or None
        How the frequency varies beside the curve, where it was fitted to events of a clock; None: not known.
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
    effects: tuple[Finding, ...]
    jumps: tuple[Jump, ...]
    dips: tuple[Dip, ...]
    lack_of_fit: str
    parameters: tuple[Parameter, ...]
    notes: tuple[str, ...]
    remarks: tuple[str, ...]
    base_time_s: float | None = None
    trimmed: bool = False
    span_days: float = 0.0
    dropped: Dropped = NOTHING_DROPPED
    clock_noise: ClockNoise | None = None

    @overload
    def predict(self, temperature_c: float) -> float: ...
    @overload
    def predict(self, temperature_c: pd.Series[float]) -> pd.Series[float]: ...
    @overload
    def predict(self, temperature_c: Sequence[float] | NDArray[Any]) -> Floats: ...
    def predict(self, temperature_c: Any) -> Any:
        """Offset at crystal temperatures; a missing temperature gives a missing offset. [ppb]

        Parameters
        ----------
        temperature_c : float, array-like, or pandas.Series
            Beyond the range the value at its end is given, as in the firmware, with a warning. [degC]

        Returns
        -------
        float, ndarray of the same shape, or pandas.Series with the same index

        Warns
        -----
        UserWarning
            A temperature is outside the range of the curve.
        """
        self._warn_outside(temperature_c)
        return shaped_as(temperature_c, self.offset_ppb, "offset_ppb")

    @overload
    def uncertainty(self, temperature_c: float, *, new_sample: bool = ...) -> float: ...
    @overload
    def uncertainty(self, temperature_c: pd.Series[float], *, new_sample: bool = ...) -> pd.Series[float]: ...
    @overload
    def uncertainty(self, temperature_c: Sequence[float] | NDArray[Any], *, new_sample: bool = ...) -> Floats: ...
    def uncertainty(self, temperature_c: Any, *, new_sample: bool = False) -> Any:
        """Standard uncertainty of what :meth:`predict` gives, or with ``new_sample`` of one more sample there. [ppb]

        Parameters and containers are those of :meth:`predict`.
        """
        self._warn_outside(temperature_c)
        return shaped_as(temperature_c, lambda inside: self.uncertainty_ppb(inside, new_sample=new_sample), "u_ppb")

    def _warn_outside(self, temperature_c: Any) -> None:
        values = np.asarray(temperature_c, dtype=np.float64)
        outside = int(np.sum((values < self.low_c) | (values > self.high_c)))
        if outside:
            warnings.warn(
                f"{outside} of {values.size} temperatures are outside the curve's range of {degc_text(self.low_c)} to "
                f"{degc_text(self.high_c)} degC; the value at the nearest end is given",
                UserWarning,
                stacklevel=3,
            )

    def __repr__(self) -> str:
        u_ppb = float(self.uncertainty_ppb(np.array([self.reference_c]))[0])
        base = f"{self.base_ppb:.1f} ppb at {degc_text(self.reference_c)} degC, u {u_ppb:.2g} ppb, {self.base_words}"
        score = self.held_out
        known = [(one.name, one.words) for one in self.effects if one.known]
        others = ", ".join(f"{one.name} {one.status}" for one in self.effects if not one.known)
        rows = [
            ("range", f"{degc_text(self.low_c)} to {degc_text(self.high_c)} degC, {self.samples} samples"),
            ("base", base),
            ("held out", f"{score.rms_ppb:.3g} ppb RMS, 95 % within {score.p95_ppb:.3g} ppb ({score.method})"),
            *known[:KNOWN],
            *([("not applied", others)] if others else []),
            *([("remarks", f"{len(self.remarks)}, see .remarks")] if self.remarks else []),
        ]
        return "\n".join([f"Curve: {self.words}", *(_cut(f"  {name:<11} {text}") for name, text in rows)])

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

    def shape_uncertainty_ppb(self, temperature_c: Floats, from_c: float | None = None) -> Floats:
        """Standard uncertainty of the difference between the curve there and at the reference temperature, or another. [ppb]"""
        columns = self._columns(temperature_c) - self._columns(
            np.array([self.reference_c if from_c is None else from_c])
        )
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

    def effect(self, name: str) -> Finding:
        """What was found of the effect of that name: lag, ageing or hysteresis."""
        return {finding.name: finding for finding in self.effects}[name]

    @property
    def response(self) -> RateResponse | None:
        """What changing temperature adds to the offset; None: no response was found."""
        return next((finding.response for finding in self.effects if finding.response is not None), None)

    @property
    def regressors(self) -> dict[str, RegressorTerm]:
        """What quantities besides temperature add to the offset, by name; those that are identifiable."""
        return {one.name: one.regressor for one in self.effects if one.regressor is not None}

    @property
    def known_effects(self) -> Effects:
        """The effects whose values are known, as objects that can be applied."""
        return effects_of(self.effects)


def _cut(line: str) -> str:
    return line if len(line) <= LINE else f"{line[: LINE - 3]}..."


def curve_text(curve: Curve) -> str:
    """The curve as JSON, the same bytes for the same curve."""
    return document_text(curve_document(curve))


def curve_document(curve: Curve) -> CurveDocument:
    """The document of a curve: what ``curve.json`` holds."""
    basis = curve.basis
    own = values_of(curve) | {
        "basis": documents.SplineBasis(**values_of(basis))
        if isinstance(basis, SplineBasis)
        else documents.ChebyshevBasis(**values_of(basis)),
        "held_out": documents.HeldOut(**values_of(curve.held_out)),
        "effects": tuple(effect_document(one) for one in curve.effects),
        "jumps": tuple(documents.Jump(**values_of(one)) for one in curve.jumps),
        "dips": tuple(documents.Dip(**values_of(one)) for one in curve.dips),
        "parameters": tuple(documents.Parameter(**values_of(one)) for one in curve.parameters),
        "dropped": documents.Dropped(**values_of(curve.dropped)),
        "clock_noise": None if curve.clock_noise is None else documents.ClockNoise(**values_of(curve.clock_noise)),
    }
    return CurveDocument(kind="curve", **own)


def effect_document(finding: Finding) -> documents.Effect:
    """The document of a finding."""
    own = finding.response
    response = None if own is None else documents.RateResponse(**values_of(own))
    term = None if finding.regressor is None else documents.RegressorTerm(**values_of(finding.regressor))
    plays = tuple(documents.Play(**values_of(one)) for one in finding.plays) or None
    return documents.Effect(**(values_of(finding) | {"response": response, "regressor": term, "plays": plays}))


def read_curve(path: Path | str) -> Curve:
    """Read a curve back.

    Raises
    ------
    CurveError
        The file is not a curve that this version wrote.
    """
    try:
        document = read_json(Path(path))
        if document.pop("kind") == "curve" and document.pop("schema") == CurveDocument.ABOUT.version:
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
    for effect in FAMILY:
        curve.effect(effect.name)
    return curve
