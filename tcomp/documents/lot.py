"""Many units of one kind: their figures together, and what a new unit can be expected to be."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

from tcomp.documents.curve import ChebyshevBasis, Effect
from tcomp.documents.fields import About, entry, in_unit


@dataclass(frozen=True, kw_only=True)
class FailedUnit:
    """A unit that was not built."""

    unit: str = entry("Its name")
    reason: str = entry("Why")
    defect: bool = entry("Whether a defect of this program is the cause, not the log")


@dataclass(frozen=True, kw_only=True)
class Yield:
    """Units that meet the need."""

    needed_ppb: float = in_unit("ppb", "The error that is not to be exceeded")
    meeting: int = entry("Units within it")
    of: int = entry("Units of the lot")
    share: float = in_unit("1", "Their share")
    low: float = in_unit("1", "Lower end of its interval (Clopper and Pearson 1934)")
    high: float = in_unit("1", "Upper end of it")
    confidence: float = in_unit("1", "Confidence of the interval")


@dataclass(frozen=True, kw_only=True)
class LotProof:
    """Proofs of the units' C."""

    holding: int = entry("Units whose proof holds")
    not_holding: tuple[str, ...] = entry("Units whose C differs from its specification")
    not_run: tuple[str, ...] = entry("Reasons for which it was not run")


@dataclass(frozen=True, kw_only=True)
class Distribution:
    """A figure over the units that have it."""

    unit: str = entry("Unit of the figure")
    units: int = entry("Units that have it")
    median: float | None = entry("Median")
    robust_spread: float | None = entry("Spread between units: 1.4826 times the median distance from the median")
    p5: float | None = entry("Quantile of 5 %")
    p95: float | None = entry("Quantile of 95 %")
    median_own_u: float | None = entry("Median of the units' own standard uncertainties; null: it has none")


@dataclass(frozen=True, kw_only=True)
class OddUnit:
    """A unit that does not belong to the lot."""

    unit: str = entry("Its name")
    why: str = entry("What stands out")


@dataclass(frozen=True, kw_only=True)
class OddUnits:
    """Units that do not belong to the lot."""

    method: str = entry("How they were found; empty: too few units")
    false_alarm: float = in_unit("1", "Chance that a sound unit is taken for odd")
    units: tuple[OddUnit, ...] = entry("Those units")


@dataclass(frozen=True, kw_only=True)
class LotCurves:
    """All curves in one basis."""

    degree: int = entry("Degree of that basis")
    range_c: tuple[float, float] = in_unit("degC", "Range that the units share: lowest and highest")
    missed_ppb: float = in_unit("ppb", "RMS that the basis misses of the median unit's curve")
    temperature_c: tuple[float, ...] = in_unit("degC", "Temperatures")
    median_ppb: tuple[float, ...] = in_unit("ppb", "Median of the units' curves at each")


@dataclass(frozen=True, kw_only=True)
class LotEffect:
    """An effect that the units of one board and part share."""

    units: int = entry("Units that it was estimated from")
    left_out: tuple[str, ...] = entry("Units that found it, and are unlike the others")
    findings: tuple[Effect, ...] = entry(
        "Mean of the units, with the standard uncertainty of one more unit: scatter between units and what the mean leaves unknown"
    )


@dataclass(frozen=True, kw_only=True)
class Prior:
    """What the lot says of a new unit, read by `tcomp fit --prior`."""

    basis: ChebyshevBasis = entry("Chebyshev polynomials T_0 to T_degree")
    mean: tuple[float, ...] = in_unit("ppb", "Coefficients of the mean curve")
    between: tuple[tuple[float, ...], ...] = in_unit(
        "ppb^2", "Covariance of the coefficients between units, a row each", item="A row [ppb^2]"
    )
    units: int = entry("Units that it was estimated from")
    left_out: tuple[str, ...] = entry(
        "Units whose curves are not of the lot, or whose runs cannot tell an effect that units share"
    )
    shrinkage: float = in_unit("1", "How far correlations were shrunk towards none (Ledoit and Wolf 2004)")
    effects: tuple[LotEffect, ...] = entry("Effects that the units share: lag, response, hysteresis")


@dataclass(frozen=True, kw_only=True)
class LotDocument:
    """Many units of one kind."""

    ABOUT: ClassVar = About("lot", 1, "Many units of one kind", "lot.json and `tcomp lot --json`.")

    lot: str = entry("Name of the lot")
    units: int = entry("Units of the lot")
    done: int = entry("Units that were built")
    failed: tuple[FailedUnit, ...] = entry("Units that were not")
    yield_: Yield | None = entry("Units that meet the need; null: none was stated")
    proof: LotProof = entry("Proofs of the units' C")
    figures: dict[str, Distribution] = entry("Figures by name")
    odd: OddUnits = entry("Units that do not belong to the lot")
    curves: LotCurves | None = entry("All curves in one basis; null: no two units share a range")
    prior: Prior | None = entry("What the lot says of a new unit, read by `tcomp fit --prior`; null: nothing")
    no_prior: str = entry("Why the lot says nothing of a new unit; may be empty")


@dataclass(frozen=True)
class Figure:
    """A number with its unit, and its standard uncertainty where it has one."""

    value: float
    unit: str
    u: float | None = None


@dataclass(frozen=True, kw_only=True)
class UnitFigures:
    """A unit that was built, as ``lot.csv`` and the page show it."""

    meets: bool | None
    """Whether it meets the need; None: none is stated, or its error is not known."""
    short: bool
    """Whether its range ends so early that it is not compared."""
    odd: str
    """Why it does not belong to the lot; empty: it does."""
    model: str
    range_c: tuple[float, float]
    proof: bool | None
    crc32: str
    figures: dict[str, Figure]


@dataclass(frozen=True, kw_only=True)
class UnitRow:
    """A unit of the lot: its figures, or the reason for which it has none."""

    unit: str
    reason: str
    defect: bool
    done: UnitFigures | None


@dataclass(frozen=True, kw_only=True)
class LotFigures:
    """The document of a lot, and the figures of each unit behind it.

    Attributes
    ----------
    rows : tuple of UnitRow
        A row per unit, in the order of the lot.
    values : dict of str to tuple of float
        For each figure the values of the units that have it.
    away_ppb : dict of str to tuple of float
        For each unit its curve less the median, at the temperatures of the document's curves. [ppb]
    """

    document: LotDocument
    rows: tuple[UnitRow, ...]
    values: dict[str, tuple[float, ...]] = field(repr=False)
    away_ppb: dict[str, tuple[float, ...]] = field(repr=False)
