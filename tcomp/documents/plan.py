"""A schedule for the chamber, and how long to average to set the oscillator."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

from tcomp.documents.fields import About, entry, in_unit


@dataclass(frozen=True, kw_only=True)
class Step:
    """A ramp or a soak."""

    step: int = entry("Number, from 1")
    what: Literal["ramp", "soak"] = entry("Which of the two it is")
    from_c: float = in_unit("degC", "Set-point at its start")
    to_c: float = in_unit("degC", "Set-point at its end")
    rate_c_per_min: float = in_unit("degC/min", "Rate of a ramp, with its sign; 0: a soak")
    minutes: float = in_unit("min", "How long it takes")
    settle_min: float = in_unit("min", "Time of a soak until the lag has decayed")
    average_min: float = in_unit("min", "Time of a soak for averaging")
    start_min: float = in_unit("min", "When it begins, from the start")
    why: str = entry("What it is for")


@dataclass(frozen=True, kw_only=True)
class Prediction:
    """Predicted performance of the schedule."""

    needed_k2_ppb: float = in_unit("ppb", "Allowed error of the curve, k = 2")
    curve_k2_ppb: float = in_unit("ppb", "Predicted uncertainty of the curve, k = 2")
    holds: bool = entry("Whether that is as needed")
    worst_noise_u_ppb: float = in_unit("ppb", "Largest standard uncertainty by noise in the range")
    worst_at_c: float = in_unit("degC", "Where that is")
    middle_noise_u_ppb: float = in_unit("ppb", "Median of it over the range")
    noise_limit_u_ppb: float = in_unit("ppb", "What is allowed of it")
    noise_share: float = in_unit("1", "Its share of the need")
    reference_u_ppb: float = in_unit("ppb", "Standard uncertainty of the reference")
    lag_left_ppb: float = in_unit("ppb", "Largest error by lag when the averaging begins")
    next_degree_seen_from_ppb: float | None = in_unit(
        "ppb", "Size from which a term of one degree more shows; null: not predicted"
    )


@dataclass(frozen=True, kw_only=True)
class PredictedNoise:
    """Noise along the range, as planned."""

    c: tuple[float, ...] = in_unit("degC", "Temperatures")
    noise_u_ppb: tuple[float, ...] = in_unit("ppb", "Standard uncertainty of the curve by noise at each")


@dataclass(frozen=True, kw_only=True)
class PredictedEffect:
    """How well an effect will be known."""

    name: str = entry("Which effect")
    unit: str = entry("Its unit")
    u: float | None = entry("Standard uncertainty that it will be known to, in that unit")
    share: float = in_unit("1", "Share of its variation, in squares, that nothing else imitates")
    identifiable: bool = entry("Whether the schedule identifies it")


@dataclass(frozen=True, kw_only=True)
class PresentNoise:
    """Noise along the range, as things are."""

    c: tuple[float, ...] = in_unit("degC", "Temperatures")
    now_u_ppb: tuple[float, ...] = in_unit("ppb", "Standard uncertainty of the curve by noise at each")


@dataclass(frozen=True, kw_only=True)
class NextSoaks:
    """The soaks that are best next."""

    curve: Literal["the lot's curve", "the curve as measured"] = entry("Which curve is known already")
    enough: bool = entry("Whether it is known well enough already")
    chosen_c: tuple[float, ...] = in_unit("degC", "Soaks that were chosen")
    best_c: tuple[tuple[float, ...], ...] = in_unit("degC", "The best one, two, three, ... soaks", item="A set [degC]")
    worst_u_of_best_ppb: tuple[float, ...] = in_unit("ppb", "Largest standard uncertainty with each set")
    worst_u_now_ppb: float = in_unit("ppb", "Largest standard uncertainty as things are")
    worst_now_at_c: float = in_unit("degC", "Where that is")
    along_range: PresentNoise = entry("Noise along the range, as things are")


@dataclass(frozen=True, kw_only=True)
class PlanDocument:
    """A schedule for the chamber."""

    ABOUT: ClassVar = About(
        "plan",
        1,
        "A schedule for the chamber",
        "`tcomp plan --json`. Uncertainties are standard ones (k = 1) unless the name says k2.",
    )

    oscillator: str = entry("Name of the oscillator")
    range_c: tuple[float, float] = in_unit("degC", "Range that is planned for: lowest and highest")
    degree: int = entry("Degree of the curve that is planned for")
    lag_s: float = in_unit("s", "Time constant from sensor to crystal that is planned for")
    gate_s: float = in_unit("s", "Gate time of a reading")
    reading_u_ppb: float = in_unit("ppb", "Standard uncertainty of a reading")
    averaging_s: float = in_unit("s", "Averaging time of a soak")
    soak_u_ppb: float = in_unit("ppb", "Standard uncertainty of the mean of a soak")
    steps: tuple[Step, ...] = entry("Ramps and soaks in order")
    total_h: float = in_unit("h", "How long all of it takes")
    readings: int = entry("Rows of the log")
    file_bytes: int = in_unit("bytes", "Estimated size of the log as CSV")
    gives: Prediction = entry("Predicted performance of the schedule")
    along_range: PredictedNoise = entry("Noise along the range, as planned")
    effects: dict[str, PredictedEffect] = entry("Lag, ageing and hysteresis by name")
    separation: tuple[str, ...] = entry("How the schedule separates them, in words")
    after: NextSoaks | None = entry("With --after and --prior: the soaks that are best next; null: a whole schedule")
    remarks: tuple[str, ...] = entry("What was assumed, in words")
    cautions: tuple[str, ...] = entry("What can hurt, in words")


@dataclass(frozen=True, kw_only=True)
class SettingDocument:
    """How long to average to set the oscillator."""

    ABOUT: ClassVar = About(
        "setting", 1, "How long to average to set the oscillator", "`tcomp plan --set-within PPB --json`."
    )

    u_ppb: float = in_unit("ppb", "Standard uncertainty that it is to be set within")
    gate_s: float = in_unit("s", "Gate time of a reading")
    averaging_s: float = in_unit("s", "Readings to average, in time")
    one_gate_s: float = in_unit("s", "Gate time of one reading that does as well")
    hold_c: float | None = in_unit(
        "degC", "How still the board's temperature must be meanwhile; null: the slope is not known"
    )
    reference_u_ppb: float = in_unit("ppb", "Standard uncertainty of the reference")
    remarks: tuple[str, ...] = entry("What was assumed, in words")
