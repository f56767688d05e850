"""The figures of a build, and the parts of them that the stages alone print."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

from tcomp.documents.curve import (
    DROPPED,
    EFFECT_STATUS,
    EFFECTIVE_SAMPLES,
    MODEL,
    Dip,
    Dropped,
    EffectStatus,
    Jump,
)
from tcomp.documents.fields import About, entry, in_unit
from tcomp.documents.proof import ProofDocument
from tcomp.documents.verdict import VerdictStatus

TableInput = Literal["temperature", "adc"]
TableForm = Literal["steps", "even", "segments", "polynomial", "chebyshev", "patches"]


@dataclass(frozen=True, kw_only=True)
class ParameterValue:
    """A parameter of the crystal's own form."""

    value: float = entry("The estimate, in the unit beside it")
    u: float | None = entry("Its standard uncertainty, in the same unit")
    unit: str = entry("Unit of value and u")


@dataclass(frozen=True, kw_only=True)
class DroppedShare(Dropped):
    """Samples that took no part in the curve, with their share."""

    share: float = in_unit("1", "Their share of all")


@dataclass(frozen=True, kw_only=True)
class CurveSummary:
    """The curve: offset against crystal temperature."""

    model: str = entry(MODEL)
    words: str = entry("Description of the curve")
    range_c: tuple[float, float] = in_unit("degC", "Range over which the curve holds: lowest and highest")
    reference_c: float = in_unit("degC", "Temperature at which the base is stated")
    base_ppb: float = in_unit("ppb", "The curve at the reference temperature")
    base_u_ppb: float = in_unit("ppb", "Standard uncertainty of the base, the reference's own in it")
    base_as_of: str = entry("Time at which the base had the stated value, in words")
    base_trimmed: str | None = entry("When the base was trimmed since the runs, UTC; null: it is that of the last run")
    worst_u_ppb: float = in_unit("ppb", "Largest standard uncertainty of the curve in its range")
    worst_shape_u_ppb: float = in_unit(
        "ppb",
        "Largest standard uncertainty in the range of the curve less its base, without that of base and reference",
    )
    spread_ppb: float = in_unit("ppb", "Uncorrected offset between lowest and highest in the range")
    spread_s_per_day: float = in_unit(
        "s/day", "The same, as what a clock on it gains more at one end than at the other"
    )
    parameters: dict[str, ParameterValue] = entry(
        "Parameters of the crystal by name, such as turnover temperature; empty where another form was taken"
    )
    samples: int = entry("Samples that carried weight")
    effective_samples: float | None = in_unit("1", EFFECTIVE_SAMPLES)
    dropped: DroppedShare = entry(DROPPED)
    jumps: tuple[Jump, ...] = entry("Steps of the frequency at which runs were split")
    dips: tuple[Dip, ...] = entry("Activity dips that were left out of the curve or followed")
    lack_of_fit: str = entry("Whether a shape is left in the residuals, in words")
    notes: tuple[str, ...] = entry("What was done to the samples, in words")
    remarks: tuple[str, ...] = entry("Warnings about the curve, in words")


@dataclass(frozen=True, kw_only=True)
class EffectValue:
    """An effect on the offset besides temperature."""

    status: EffectStatus = entry(EFFECT_STATUS)
    value: float | None = entry("What was taken off, in the unit beside it; 0 where none was")
    u: float | None = entry("Its standard uncertainty, in the same unit; null: not known")
    unit: str = entry("Unit of value and u")
    reason: str = entry("Why, or under which form; may be empty")


@dataclass(frozen=True, kw_only=True)
class Residual:
    """Residual after curve and effects are taken off."""

    in_sample_rms_ppb: float | None = in_unit("ppb", "RMS on the samples that the curve was fitted to")
    in_sample_max_ppb: float | None = in_unit("ppb", "Largest on them")
    held_out_curve_rms_ppb: float | None = in_unit(
        "ppb",
        "RMS of the curve's own error on sweeps that it had not seen, without the noise of a reading; null: not identifiable",
    )
    held_out_noise_rms_ppb: float | None = in_unit(
        "ppb", "RMS of the noise of a single held-out reading at its gate; null: not identifiable"
    )
    held_out_rms_ppb: float | None = in_unit("ppb", "RMS on sweeps that the curve had not seen, both together")
    held_out_base_shift_ppb: float | None = in_unit(
        "ppb", "RMS of the base's shifts from sweep to sweep, which are in the curve's error; null: not identifiable"
    )
    untested_c: tuple[tuple[float, float], ...] = in_unit("degC", "Parts of the range in which no sample was held out")
    held_out_p95_ppb: float | None = in_unit("ppb", "95 % of the held-out residuals are smaller")
    held_out_max_ppb: float | None = in_unit("ppb", "Largest held-out residual")
    held_out_heating_minus_cooling_ppb: float | None = in_unit(
        "ppb", "Mean difference of held-out residuals, heating less cooling"
    )
    validation: str = entry("How the data were held out, in words")
    validation_remarks: tuple[str, ...] = entry("What limits the held-out figures, in words; may be empty")


@dataclass(frozen=True, kw_only=True)
class CurveFigures:
    """Curve, effects and residual."""

    curve: CurveSummary = entry("The curve: offset against crystal temperature")
    effects: dict[str, EffectValue] = entry(
        "Effects besides temperature by name: lag [s], second lag [s], ageing [ppb/day], hysteresis [ppb], and each [[regressor]]"
    )
    residual: Residual = entry("Residual after curve and effects are taken off")


@dataclass(frozen=True, kw_only=True)
class TableFigures:
    """The table of integers in the firmware."""

    bytes: int = in_unit("bytes", "Bytes of the table's entries, and of what finds them")
    input: TableInput = entry(
        "What the firmware looks up: a temperature in fixed steps, or the raw code of the sensor's converter"
    )
    entries: int = entry("Entries, or coefficients")
    entry_bits: int = in_unit("bit", "Bits of an entry")
    form: TableForm = entry("How the entries lie")
    layout: str = entry("The same in words")
    max_error_ppb: float = in_unit(
        "ppb", "Largest error of the integer lookup against the curve, over every code in the range"
    )
    rms_error_ppb: float = in_unit("ppb", "RMS of that error over the codes")
    bound_ppb: float | None = in_unit(
        "ppb", "Lower bound of the largest error for any entries of this layout; null: not computed"
    )
    crc32: str = entry("CRC-32 of the entries, hexadecimal", pattern="^[0-9A-F]{8}$")
    plainly_sampled_bytes: int | None = in_unit(
        "bytes", "Bytes of a plainly sampled table with at most the same largest error; null: there is none"
    )
    plainly_sampled_max_error_ppb: float | None = in_unit("ppb", "Its largest error")


@dataclass(frozen=True, kw_only=True)
class BudgetEntry:
    """A contribution to the error of a corrected reading in use, as the verdict counts it."""

    name: str = entry("The contribution")
    size_ppb: float = in_unit("ppb", "RMS of its error on the last day before a trim, what is known of it included")
    share: float = in_unit("1", "Its share of the mean square of the error")
    basis: str = entry("Where the figure comes from")
    assumed: bool = entry("Whether it is a typical figure, not one of this oscillator")


@dataclass(frozen=True, kw_only=True)
class RampFigures:
    """Largest errors on a ramp up and down over the range of use, the table's own and the sensor's steps among them."""

    rate_c_per_min: float = in_unit("degC/min", "Rate of the ramp")
    table_ppb: float = in_unit("ppb", "Largest error of the table at the sensor's code")
    followed_ppb: float = in_unit("ppb", "Largest error of the filter that follows, at its updates")
    until_next_ppb: float = in_unit("ppb", "The same just before the next update, when the offset is an update old")


@dataclass(frozen=True, kw_only=True)
class MovingFigures:
    """Errors while the temperature changes, with and without the filter that follows."""

    followed: bool = entry("Whether the job asks for the filter, `[firmware] follow`")
    update_s: float = in_unit("s", "Time from update to update of the filter")
    ramps: tuple[RampFigures, ...] = entry("Errors at some rates")


@dataclass(frozen=True, kw_only=True)
class VerdictSummary:
    """The verdict in short."""

    status: VerdictStatus = entry("Whether the verdict is decided")
    best: str = entry("Name of the option to take, or of the nearest")
    answer: str = entry("The verdict in two sentences: which option, and what limits it")
    paragraph: str = entry("The verdict in a paragraph")
    warnings: tuple[str, ...] = entry(
        "What contradicts itself, and at which value the verdict would turn, in sentences"
    )


@dataclass(frozen=True, kw_only=True)
class SummaryDocument(CurveFigures):
    """Summary of a build."""

    ABOUT: ClassVar = About(
        "summary",
        3,
        "Summary of a build",
        "summary.json, `tcomp build --json` and `tcomp report --json`: the figures that matter. Uncertainties are standard ones "
        "(k = 1).",
    )

    oscillator: str = entry("Name of the oscillator")
    table: TableFigures = entry("The table of integers in the firmware")
    error_budget: tuple[BudgetEntry, ...] = entry(
        "Contributions to the error of a corrected reading on the last day before a trim, the largest first"
    )
    moving: MovingFigures | None = entry(
        "Errors while the temperature changes; null: the curve holds no lag and no loop, or no filter can follow them"
    )
    proof: ProofDocument = entry("The proof of the C")
    verdict: VerdictSummary | None = entry("The verdict in short; null: none was asked for")


@dataclass(frozen=True, kw_only=True)
class FitDocument(CurveFigures):
    """A fitted curve in figures."""

    ABOUT: ClassVar = About(
        "fit", 1, "A fitted curve in figures", "`tcomp fit --json`: the part of the summary that is about the curve."
    )


@dataclass(frozen=True, kw_only=True)
class DesignDocument(TableFigures):
    """A designed table in figures."""

    ABOUT: ClassVar = About(
        "design",
        1,
        "A designed table in figures",
        "`tcomp table --json`: the part of the summary that is about the table.",
    )


@dataclass(frozen=True, kw_only=True)
class TableInShort:
    """A table in short."""

    table: str = entry("Its form, entries and way of reading, in words")
    bytes: int = in_unit("bytes", "Bytes of its entries, and of what finds them")
    max_error_ppb: float = in_unit("ppb", "Largest error over every code")
    code_bytes_cortex_m0plus: int = in_unit("bytes", "Estimated size of its program on a Cortex-M0+")


@dataclass(frozen=True, kw_only=True)
class ExploredDocument:
    """Tables of every form."""

    ABOUT: ClassVar = About("explored", 1, "Tables of every form", "`tcomp table --explore --json`.")

    designs: int = entry("Tables that were designed")
    front: tuple[TableInShort, ...] = entry(
        "Tables that no other beats in both bytes and largest error, the fewest bytes first"
    )
    about_ppb: float = in_unit("ppb", "The error that the job asks for")
    smallest_of_each_form: tuple[TableInShort, ...] = entry("The smallest of each form within that error")


@dataclass(frozen=True, kw_only=True)
class ExportDocument:
    """Files for the firmware."""

    ABOUT: ClassVar = About("export", 1, "Files for the firmware", "`tcomp export --json`.")

    written: tuple[str, ...] = entry("Paths of the files that were written")


@dataclass(frozen=True, kw_only=True)
class AgainstTruth:
    """Errors of a simulated sample against its truth."""

    curve_worst_ppb: float = in_unit("ppb", "Largest error of the curve")
    firmware_rms_ppb: float = in_unit("ppb", "RMS error of the exported integers over every code")
    firmware_worst_ppb: float = in_unit("ppb", "Their largest error at any code")


@dataclass(frozen=True, kw_only=True)
class DemoDocument(SummaryDocument):
    """Demonstration compared with its truth."""

    ABOUT: ClassVar = About(
        "demo",
        3,
        "Demonstration compared with its truth",
        "`tcomp demo --json`: the summary of the build, and its error against the simulated truth.",
    )

    against_truth: AgainstTruth = entry("Errors of the simulated sample against its truth")
