"""The curve as ``curve.json`` holds it, and the parts of it that the summary repeats."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

from tcomp.documents.fields import About, entry, in_unit

EffectStatus = Literal["found", "none seen", "undetermined", "given", "off"]
EFFECT_STATUS = (
    "found: beyond three standard uncertainties; none seen: within them; undetermined: the data do not identify it; given: by "
    "the job; off: the job asks for none"
)


@dataclass(frozen=True, kw_only=True)
class ChebyshevBasis:
    """Chebyshev polynomials T_0 to T_degree."""

    degree: int = entry("Highest degree")
    low_c: float = in_unit("degC", "Lower end of the scale")
    high_c: float = in_unit("degC", "Upper end of the scale")


@dataclass(frozen=True, kw_only=True)
class SplineBasis:
    """Cubic B-splines."""

    knots: tuple[float, ...] = in_unit("degC", "Knots, the ends of the range first and last")


@dataclass(frozen=True, kw_only=True)
class HeldOut:
    """Error of the curve on data that it had not seen."""

    method: str = entry("How the data were held out, in words")
    rms_ppb: float | None = in_unit("ppb", "RMS")
    p95_ppb: float | None = in_unit("ppb", "95 % are smaller")
    max_ppb: float | None = in_unit("ppb", "Largest")
    heating_minus_cooling_ppb: float | None = in_unit("ppb", "Mean difference, heating less cooling")
    remarks: tuple[str, ...] = entry("What limits the score, in words; may be empty")
    curve_rms_ppb: float | None = in_unit(
        "ppb", "RMS of the curve's own error, without the noise of a reading; null: not identifiable"
    )
    noise_rms_ppb: float | None = in_unit(
        "ppb", "RMS of the noise of a single reading at its gate; null: not identifiable"
    )
    base_shift_ppb: float | None = in_unit(
        "ppb", "RMS of the base's shifts from sweep to sweep, which are in the curve's error; null: not identifiable"
    )
    untested_c: tuple[tuple[float, float], ...] = in_unit("degC", "Parts of the range in which no sample was held out")


@dataclass(frozen=True, kw_only=True)
class RateResponse:
    """A response to changing temperature: a polynomial by its values at the Chebyshev-Lobatto points of its range."""

    tau_s: float = in_unit("s", "Time constant of the filter behind which the rate of change acts")
    tau_u_s: float | None = in_unit("s", "Its standard uncertainty")
    low_c: float = in_unit("degC", "Lower end of the range")
    high_c: float = in_unit("degC", "Upper end of the range")
    values: tuple[float, ...] = in_unit(
        "ppb/(degC/min)", "Offset at 1 degC/min at the points, from the lower end to the upper"
    )
    covariance: tuple[tuple[float, ...], ...] = in_unit("(ppb/(degC/min))**2", "Covariance of the values, row by row")


@dataclass(frozen=True, kw_only=True)
class RegressorTerm:
    """What a quantity besides temperature adds: a polynomial of its value less the reference."""

    unit: str = entry("Unit of the quantity; empty: none")
    reference: float = entry("The value for which the curve holds, in that unit")
    low: float = entry("Lowest value in the runs, in that unit")
    high: float = entry("Highest value in the runs, in that unit")
    rms: float = entry("Standard deviation of the values in the runs, in that unit")
    values: tuple[float, ...] = in_unit("ppb", "Coefficients of its powers, the first first, per unit of the quantity")
    covariance: tuple[tuple[float, ...], ...] = in_unit("ppb^2", "Covariance of the coefficients, row by row")


@dataclass(frozen=True, kw_only=True)
class Play:
    """A part of a loop: heated and cooled differ by a height, which a reversal brings through over some degrees."""

    height_ppb: float = in_unit("ppb", "Heated less cooled; all parts together are the loop's value")
    play_c: float = in_unit("degC", "Temperature over which a reversal comes through")


@dataclass(frozen=True, kw_only=True)
class Effect:
    """An effect on the offset besides temperature."""

    name: str = entry("Which: lag, second lag, ageing, hysteresis, response, or the name of a [[regressor]]")
    unit: str = entry(
        "Unit of value and uncertainty: s, ppb/day, ppb, ppb/(degC/min), or ppb per unit of a [[regressor]]"
    )
    status: EffectStatus = entry(EFFECT_STATUS)
    value: float | None = entry("What was taken off; 0 where none was")
    uncertainty: float | None = entry("Its standard uncertainty; null: not known")
    reason: str = entry("Why, or under which form; may be empty")
    response: RateResponse | None = entry("The response along the temperature; left out: none was found", left_out=True)
    regressor: RegressorTerm | None = entry(
        "What the quantity adds, where it is an identifiable [[regressor]]; else left out", left_out=True
    )
    plays: tuple[Play, ...] | None = entry(
        "Parts of a loop that takes some degrees to come through; left out: at once, or no loop", left_out=True
    )


@dataclass(frozen=True, kw_only=True)
class Jump:
    """A step of the frequency that stays."""

    time_s: float = in_unit("s", "Time of the step, on the clock of the log")
    height_ppb: float = in_unit("ppb", "Height; positive: faster afterwards")
    uncertainty_ppb: float | None = in_unit("ppb", "Standard uncertainty of the height")


@dataclass(frozen=True, kw_only=True)
class Dip:
    """A narrow deviation that repeats at one crystal temperature."""

    temperature_c: float = in_unit("degC", "Its middle")
    depth_ppb: float = in_unit("ppb", "How far the offset falls there; negative: it rises")
    width_c: float = in_unit("degC", "Its full width at half the depth")
    significance: float | None = in_unit("1", "How many times the usual deviation it is in most sweeps")
    passes: int = entry("Sweeps that show it")


@dataclass(frozen=True, kw_only=True)
class Parameter:
    """A parameter of the crystal's own form."""

    name: str = entry("Which: such as turnover temperature")
    value: float = entry("The estimate, in the unit beside it")
    uncertainty: float | None = entry("Its standard uncertainty, in the same unit")
    unit: str = entry("Unit of value and uncertainty")


@dataclass(frozen=True, kw_only=True)
class Dropped:
    """Samples that took no part in the curve."""

    samples: int = entry("Samples that got no weight, or that cleaning dropped as impossible")
    of: int = entry("Samples that the curve could have used, those in samples among them")
    counts: tuple[str, ...] = entry("How many for each reason, in words")
    where: str = entry("Where most of them are, in time and temperature, in words; empty: none were dropped")
    likely: str = entry("The likely reason, in words; empty: none were dropped")


@dataclass(frozen=True, kw_only=True)
class ClockNoise:
    """The noise of a clock in service."""

    phase: float = in_unit("1", "Factor on the timing noise that the events showed")
    white_ppb2_s: float = in_unit("ppb^2 s", "White frequency noise: variance of a mean over tau, times tau")
    walk_ppb2_per_s: float = in_unit("ppb^2/s", "Wander of hours: variance that it gains per second")
    memory_s: float = in_unit("s", "Time constant with which it returns")
    slow_ppb: float = in_unit("ppb", "Wander of weeks: its standard deviation")
    slow_memory_s: float = in_unit("s", "Time constant with which that returns")


DROPPED = "Samples that took no part in the curve: from 2 % of all on they are a remark"
MODEL = "Name of the chosen candidate: poly1 to poly9, crystal, spline, or lot: that of a lot"
EFFECTIVE_SAMPLES = "Number of independent samples with the same information: neighbouring residuals are correlated"


@dataclass(frozen=True, kw_only=True)
class CurveDocument:
    """A fitted curve."""

    ABOUT: ClassVar = About(
        "curve",
        1,
        "A fitted curve",
        "curve.json: the result of `tcomp fit`, read by the later stages, `check`, `apply`, `plan --after` and `retrim`.",
    )

    kind: Literal["curve"] = entry("What the file holds")
    model: str = entry(MODEL)
    words: str = entry("Description of the curve")
    basis: ChebyshevBasis | SplineBasis = entry(
        "Functions of crystal temperature that the coefficients belong to: Chebyshev polynomials of the first kind over low_c to "
        "high_c, scaled to -1 to 1; or cubic B-splines between knots."
    )
    coef: tuple[float, ...] = in_unit("ppb", "Coefficients of the basis: the offset is their sum with its functions")
    covariance: tuple[tuple[float, ...], ...] = in_unit(
        "ppb^2", "Covariance of the coefficients, a row each", item="A row [ppb^2]"
    )
    low_c: float = in_unit("degC", "Lower end of the range over which it holds")
    high_c: float = in_unit("degC", "Upper end of that range")
    reference_c: float = in_unit("degC", "Temperature at which the base is stated")
    reference_u_ppb: float = in_unit(
        "ppb",
        "Standard uncertainty common to all temperatures: of the trusted reference, or of a base since trimmed",
    )
    residual_sd_ppb: float | None = in_unit("ppb", "Standard deviation of the samples about curve, base and effects")
    residual_max_ppb: float | None = in_unit("ppb", "Largest residual of the samples that it was fitted to")
    held_out: HeldOut = entry("Error of the curve on data that it had not seen")
    samples: int = entry("Samples that carried weight")
    effective_samples: float | None = in_unit("1", EFFECTIVE_SAMPLES)
    effects: tuple[Effect, ...] = entry("Effects on the offset besides temperature")
    jumps: tuple[Jump, ...] = entry("Steps of the frequency at which runs were split")
    dips: tuple[Dip, ...] = entry("Activity dips that were left out of the curve or followed")
    lack_of_fit: str = entry("Whether a shape is left in the residuals, in words")
    parameters: tuple[Parameter, ...] = entry("Parameters of the crystal; empty where another form was taken")
    notes: tuple[str, ...] = entry("What was done to the samples, in words")
    remarks: tuple[str, ...] = entry("Warnings about the curve, in words")
    base_time_s: float | None = in_unit(
        "s",
        "Time at which the base had the stated value: at the end of the last run, or when it was trimmed, on the log's clock "
        "(Unix time where that has one); null: not known",
    )
    trimmed: bool = entry("Whether the base has been trimmed since the runs")
    span_days: float = in_unit("day", "From the first sample of the runs to the last; 0: they have no time")
    dropped: Dropped = entry(DROPPED)
    clock_noise: ClockNoise | None = entry(
        "How the frequency varies beside the curve; left out: it was not fitted to events of a clock", left_out=True
    )
