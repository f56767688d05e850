"""The curve: offset against crystal temperature, with its covariance, over a stated range."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tcomp.curve.effects import Effect
from tcomp.errors import CurveError
from tcomp.files import json_text
from tcomp.model.basis import ChebyshevBasis
from tcomp.model.parameters import Parameter

Floats = NDArray[np.float64]
SCHEMA = 1


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
        The curve, in ppb; its base is that of the end of the last run.
    low_c, high_c : float
        Range over which it holds. [degC]
    reference_c : float
        Where the base is stated. [degC]
    reference_u_ppb : float
        Standard uncertainty of the trusted reference, common to all temperatures. [ppb]
    residual_sd_ppb : float
        Standard deviation of the samples about curve, base and effects. [ppb]
    held_out : HeldOut
        The same on sweeps that the curve had not seen.
    """

    model: str
    words: str
    basis: ChebyshevBasis
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
    parameters: tuple[Parameter, ...]
    remarks: tuple[str, ...]

    def offset_ppb(self, temperature_c: Floats) -> Floats:
        """Offset at a crystal temperature; beyond the range the value at its end, as the firmware holds it. [ppb]"""
        return self.continued_ppb(np.clip(np.asarray(temperature_c, dtype=np.float64), self.low_c, self.high_c))

    def continued_ppb(self, temperature_c: Floats) -> Floats:
        """The polynomial itself, beyond the range too: for entries of a table that lie just outside it. [ppb]"""
        return np.asarray(self.basis.values(np.asarray(temperature_c, dtype=np.float64)) @ np.array(self.coef))

    def slope_ppb_per_c(self, temperature_c: Floats) -> Floats:
        """Slope of the curve within its range. [ppb/degC]"""
        inside = np.clip(np.asarray(temperature_c, dtype=np.float64), self.low_c, self.high_c)
        return np.asarray(self.basis.slopes(inside) @ np.array(self.coef))

    def uncertainty_ppb(self, temperature_c: Floats, *, new_sample: bool = False) -> Floats:
        """Standard uncertainty of the curve, or with ``new_sample`` of one more sample about it. [ppb]"""
        inside = np.clip(np.asarray(temperature_c, dtype=np.float64), self.low_c, self.high_c)
        columns = self.basis.values(inside)
        variance = np.einsum("ij,jk,ik->i", columns, np.array(self.covariance), columns) + self.reference_u_ppb**2
        return np.asarray(np.sqrt(variance + (self.residual_sd_ppb**2 if new_sample else 0.0)))

    def effect(self, name: str) -> Effect:
        """The effect of that name: lag, ageing or hysteresis."""
        return next(effect for effect in self.effects if effect.name == name)


def curve_text(curve: Curve) -> str:
    """The curve as JSON, the same bytes for the same curve."""
    return json_text({"schema": SCHEMA, "kind": "curve", **asdict(curve)})


def read_curve(path: Path) -> Curve:
    """Read a curve back.

    Raises
    ------
    CurveError
        The file is not a curve that this version wrote.
    """
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        if document.pop("kind") == "curve" and document.pop("schema") == SCHEMA:
            return _curve(document)
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise CurveError(f"{path}: cannot be read as a curve; run `tcomp fit` again") from error
    raise CurveError(f"{path}: is not a curve of this version; run `tcomp fit` again")


def _curve(document: dict[str, Any]) -> Curve:
    document["basis"] = ChebyshevBasis(**document["basis"])
    document["coef"] = tuple(document["coef"])
    document["covariance"] = tuple(tuple(row) for row in document["covariance"])
    document["effects"] = tuple(
        Effect(**{**effect, "uncertainty": _number(effect["uncertainty"])}) for effect in document["effects"]
    )
    held_out = document["held_out"]
    document["held_out"] = HeldOut(held_out.pop("method"), **{name: _number(value) for name, value in held_out.items()})
    document["parameters"] = tuple(Parameter(**parameter) for parameter in document["parameters"])
    document["remarks"] = tuple(document["remarks"])
    return Curve(**document)


def _number(value: float | None) -> float:
    return float("nan") if value is None else value
