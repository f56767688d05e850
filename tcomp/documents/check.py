"""A check: a curve or a table checked against a verification run."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

from tcomp.documents.fields import About, entry, in_unit

LegKind = Literal["heating", "cooling", "soak", "unordered"]
PredictionKind = Literal["as the firmware reads it", "at the crystal's temperature", "at the sensor's reading"]
CheckStatus = Literal["holds", "does not hold", "too short to tell"]


@dataclass(frozen=True, kw_only=True)
class BaseShift:
    """How far the base of a run has moved."""

    log: str = entry("Name of the log")
    moved_ppb: float = in_unit("ppb", "Base of the run less the claimed base")
    u_ppb: float = in_unit("ppb", "Standard uncertainty of the difference")


@dataclass(frozen=True, kw_only=True)
class Share:
    """A component of the claimed uncertainty."""

    words: str = entry("What it is")
    rms_ppb: float = in_unit("ppb", "RMS")
    p95_ppb: float = in_unit("ppb", "Bound of 95 % of the samples")
    max_ppb: float = in_unit("ppb", "Largest")
    by_chance: bool = entry("Whether it varies at random, and so adds in squares")


@dataclass(frozen=True, kw_only=True)
class Judgement:
    """A residual judged against the claimed uncertainty."""

    status: CheckStatus = entry("Result of the check")
    promised_rms_ppb: float = in_unit("ppb", "Claimed RMS")
    promised_p95_ppb: float = in_unit("ppb", "Claimed bound of 95 % of the samples")
    promised_max_ppb: float = in_unit("ppb", "Claimed largest residual")
    shares: tuple[Share, ...] = entry("Components of the claimed uncertainty")
    limit_rms_ppb: float = in_unit("ppb", "RMS beyond which the check fails")
    upper_rms_ppb: float | None = in_unit("ppb", "Upper confidence limit of the true RMS, from the samples of the run")
    beyond_promised_p95_share: float = in_unit("1", "Share of the samples beyond the claimed bound of 95 %")
    limit_share: float = in_unit("1", "Share beyond which the check fails")


@dataclass(frozen=True, kw_only=True)
class ShapeTest:
    """The smooth shape of a residual, a cubic in the temperature, tested against the uncertainties of run and curve."""

    difference_ppb: float = in_unit(
        "ppb", "Largest smooth difference from the prediction in the range of the run, about its mean"
    )
    u_ppb: float = in_unit("ppb", "Standard uncertainty of that difference, of run and curve")
    at_c: float = in_unit("degC", "Where it is")
    slope_ppb_per_c: float = in_unit("ppb/degC", "Slope of the smooth difference over the range of the run")
    slope_u_ppb_per_c: float = in_unit("ppb/degC", "Standard uncertainty of that slope")
    times: float = in_unit(
        "1", "Larger of both test statistics, of shape and of slope, over its limit; more than 1 fails"
    )
    local_ppb: float = in_unit(
        "ppb", "RMS of a shape more local than a cubic; 0: none is seen; more than is claimed fails"
    )
    noise_ppb: float = in_unit(
        "ppb", "Standard deviation of a sample of the run about the smooth difference; not judged"
    )
    built_ppb: float = in_unit("ppb", "The same about the curve in the runs that it was fitted to")
    status: CheckStatus = entry("Result of the test")


@dataclass(frozen=True, kw_only=True)
class Remainder:
    """The residual of one prediction."""

    what: PredictionKind = entry("Which prediction it is the residual of")
    rms_ppb: float = in_unit("ppb", "RMS")
    p95_ppb: float = in_unit("ppb", "Bound of 95 % of the samples")
    max_ppb: float = in_unit("ppb", "Largest")
    judgement: Judgement | None = entry("The judgement of all of it, noise included; null: not judged by that")
    shape: ShapeTest | None = entry("The test of its smooth shape; null: not judged by that")


@dataclass(frozen=True, kw_only=True)
class Part:
    """A part of the range, or a leg."""

    words: str = entry("Which samples")
    log: str | None = entry("Name of the log of a leg; null: of all legs")
    leg: LegKind | None = entry("What the temperature does in a leg; null: of all legs")
    low_c: float = in_unit("degC", "Lowest temperature")
    high_c: float = in_unit("degC", "Highest temperature")
    samples: int = entry("Samples in it")
    rate_c_per_min: float | None = in_unit("degC/min", "Median slope; null: of all legs")
    rms_ppb: tuple[float, ...] = in_unit("ppb", "RMS residual, for each prediction")
    mean_ppb: tuple[float, ...] = in_unit("ppb", "Mean residual, for each prediction")


@dataclass(frozen=True, kw_only=True)
class CheckDocument:
    """A curve or a table checked against a verification run."""

    ABOUT: ClassVar = About(
        "check", 1, "A curve or a table checked against a verification run", "`tcomp check --json`."
    )

    checked: Literal["curve", "table"] = entry("What was checked")
    status: CheckStatus = entry("Result of the check")
    holds: bool | None = entry("Whether it holds; null: the run is too short to tell")
    range_c: tuple[float, float] = in_unit("degC", "Range of the curve or table: lowest and highest")
    judged_range_c: tuple[float, float] = in_unit("degC", "Range of the samples that were judged: lowest and highest")
    samples_judged: int = entry("Samples that were judged")
    samples_outside_the_range: int = entry("Samples outside the range, not judged")
    samples_after_a_start: int = entry("Samples soon after a start, before the lag filter had settled, not judged")
    effective_samples: float = in_unit("1", "Number of independent samples with the same information")
    lag_s: float = in_unit("s", "Time constant from sensor to crystal that was used")
    base: tuple[BaseShift, ...] = entry("How far the base of each run has moved; not judged")
    remainders: tuple[Remainder, ...] = entry("Residuals with the base taken off; the one that decides stands first")
    by_temperature: tuple[Part, ...] = entry("Residuals along the range")
    by_leg: tuple[Part, ...] = entry("Residuals of each leg")
    remarks: tuple[str, ...] = entry("Warnings")
