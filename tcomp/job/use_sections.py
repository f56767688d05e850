"""Sections on how the instrument lives, and on what could be bought instead: for verdict and trims."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from tcomp.job.keys import key


@dataclass(frozen=True)
class Use:
    """How the instrument lives: for the verdict, and for the date of the next trim."""

    needed_ppb: float | None = key(
        "the error that is not to be exceeded, as an expanded uncertainty, k = 2 [ppb]; without it there is no verdict",
        None,
    )
    range_c: tuple[float, float] | None = key(
        "temperatures of the board while it is on [degC]; left out: the range of the curve", None
    )
    ramp_c_per_min: float = key("the fastest change of its temperature [degC/min]", 0.1)
    hours_on_per_day: float = key("hours a day that it is switched on", 24.0)
    recalibrate_days: float = key("days from trim to trim", 365.0)
    life_years: float = key("years over which costs are counted, and over which one trim must serve", 5.0)
    gate_s: float = key("time over which a reading is taken [s]", 1.0)
    resolution_ppb: float = key("what the instrument's own display resolves [ppb]", 0.0)
    sensor_drift_c: float | None = key(
        "by how much the temperature sensor may drift over life_years [degC, +/-]; left out: a typical figure", None
    )
    trim_price: float = key("what one trim costs", 0.0)
    price_limit: float | None = key(
        "the most that may be spent over life_years, in the currency of the prices; left out: anything", None
    )


@dataclass(frozen=True)
class Supply:
    """What the instrument can give an oven."""

    volts: float = key("the rail that an oven would be fed from [V]", 12.0)
    peak_watts: float | None = key("the most that it can give beside what the instrument takes [W]", None)
    steady_watts: float | None = key("what it can give for good beside what the instrument takes [W]", None)
    always_on: bool = key("whether a rail stays on while the instrument is off", False)
    regulator: Literal["linear", "switching"] = key("what makes an oven's volts from the rail", "linear")
    efficiency: float = key("of a switching regulator, 0 to 1", 0.85)
    case_c_per_w: float | None = key("by how much a watt warms the inside of the case [degC/W]", None)
    price_per_kwh: float = key("what a kilowatt-hour costs", 0.0)


@dataclass(frozen=True)
class Compensated:
    """A temperature-compensated oscillator that could be bought instead; what is left out is typical, with its source."""

    stability_ppb: float | None = key("over its temperature range [ppb, +/-]", None)
    ageing_ppb_per_day: float | None = key("its ageing [ppb/day, +/-]", None)
    noise_ppb: float | None = key("its Allan deviation at [use] gate_s [ppb]", None)
    steady_watts: float | None = key("what it takes [W]", None)
    price: float | None = key("what it costs", None)


@dataclass(frozen=True)
class WarmUp:
    """How an oven comes to temperature: what is left of its cold offset after some minutes, and what it takes."""

    minutes: float | None = None
    watts: float | None = None
    to_ppb: float | None = None
    from_ppb: float | None = None


@dataclass(frozen=True)
class Oven:
    """An oven oscillator that could be bought: give one block per candidate; what is left out is typical, with its source."""

    name: str = key("what you call it")
    stability_ppb: float | None = key("over its temperature range [ppb, +/-]", None)
    ageing_ppb_per_day: float | None = key("its ageing once settled [ppb/day, +/-]", None)
    retrace_ppb: float | None = key("by how much it may differ from power-up to power-up [ppb, +/-]", None)
    noise_ppb: float | None = key("its Allan deviation at [use] gate_s [ppb]", None)
    warm_up: WarmUp = key(
        "{ minutes = 5, watts = 3, to_ppb = 10, from_ppb = 20000 }: after so many minutes at so many watts so much is left "
        "of the offset that it has when cold; any of them may be left out",
        WarmUp(),
    )
    steady_watts: float | None = key("what it takes when hot [W]", None)
    volts: float | None = key("its own supply [V]; left out: that of [supply]", None)
    always_powered: bool = key("whether it would stay on while the instrument is off", False)
    settles_days: float | None = key("days of power until its ageing has settled", None)
    price: float | None = key("what it costs", None)
