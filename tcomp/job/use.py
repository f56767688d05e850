"""Sections on how the instrument is used, and on the oscillators that could be bought instead."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from tcomp.errors import JobError
from tcomp.job.keys import Location, key
from tcomp.units import PPB_PER_UNIT, SECONDS_PER_DAY


@dataclass(frozen=True)
class NeededTime:
    """By how much a clock may be off, 95 %, so many days after it was set."""

    error_s: float
    after_days: float


@dataclass(frozen=True)
class Use:
    """How the instrument is used: for the verdict, and for the date of the next trim."""

    needed_ppb: float | None = key(
        "the largest error that is allowed, as an expanded uncertainty, k = 2 [ppb]; without it there is no verdict",
        None,
        above_zero=True,
    )
    needed_time: NeededTime | None = key(
        "{ error_s = 1, after_days = 30 }: by how much a clock may be off, 95 %, so many days after it was set; without needed_ppb "
        "the need is the offset that would use it up evenly",
        None,
        above_zero=True,
    )
    range_c: tuple[float, float] | None = key(
        "temperatures of the board while it is on [degC]; left out: the range of the curve", None
    )
    ramp_c_per_min: float = key("the fastest change of its temperature [degC/min]", 0.1)
    hours_on_per_day: float = key("hours a day that it is switched on", 24.0, above_zero=True, at_most=24.0)
    recalibrate_days: float = key("days from trim to trim", 365.0, above_zero=True)
    trim_c: float | None = key(
        "temperature of the board at which it is trimmed [degC]; left out: the reference temperature", None, signed=True
    )
    wait_minutes: float = key("from switch-on until it is read [min]", 0.0)
    warm_up_c: float = key("by how much the board warms up after switch-on [degC]", 0.0)
    warm_up_minutes: float = key("time constant of that [min]", 10.0, above_zero=True)
    life_years: float = key(
        "years over which costs are counted, and over which one trim must serve", 5.0, above_zero=True
    )
    gate_s: float = key("time over which a reading is taken [s]", 1.0, above_zero=True)
    resolution_ppb: float = key("what the instrument's own display resolves [ppb]", 0.0)
    sensor_drift_c: float | None = key(
        "by how much the temperature sensor may drift over life_years [degC, +/-]; left out: a typical figure", None
    )
    trim_price: float = key("what one trim costs", 0.0)
    price_limit: float | None = key(
        "the most that may be spent over life_years, in the currency of the prices; left out: anything", None
    )

    def __post_init__(self) -> None:
        time = self.needed_time
        if time is not None and self.needed_ppb is None and time.error_s > 0 and time.after_days > 0:
            object.__setattr__(
                self, "needed_ppb", time.error_s / (time.after_days * SECONDS_PER_DAY) * PPB_PER_UNIT["1"]
            )


@dataclass(frozen=True)
class Supply:
    """What the instrument can give an oven."""

    volts: float = key("the rail that an oven would be fed from [V]", 12.0, above_zero=True)
    peak_watts: float | None = key("the most power that it can give in addition to its own need [W]", None)
    steady_watts: float | None = key("the lasting power that it can give in addition to its own need [W]", None)
    always_on: bool = key("whether a rail stays on while the instrument is off", False)
    regulator: Literal["linear", "switching"] = key("what makes an oven's volts from the rail", "linear")
    switching_price: float = key("what a switching regulator in place of a linear one would cost", 0.0)
    efficiency: float = key("of a switching regulator, 0 to 1", 0.85, above_zero=True, at_most=1.0)
    case_c_per_w: float | None = key("by how much a watt warms the inside of the case [degC/W]", None)
    price_per_kwh: float = key("what a kilowatt-hour costs", 0.0)
    battery_wh: float | None = key(
        "energy of a battery that feeds the rail [Wh]; left out: there is none", None, above_zero=True
    )


@dataclass(frozen=True)
class Compensated:
    """A temperature-compensated oscillator that could be bought instead; what is left out is typical, with its source."""

    stability_ppb: float | None = key("over its temperature range [ppb, +/-]", None)
    ageing_ppb_per_day: float | None = key("its ageing [ppb/day, +/-]", None)
    noise_ppb: float | None = key("its Allan deviation at [use] gate_s [ppb]", None)
    steady_watts: float | None = key("the power that it takes [W]", None)
    price: float | None = key("what it costs", None)


@dataclass(frozen=True)
class WarmUp:
    """How an oven warms up: the offset left after some minutes, of its offset when cold, and the power it takes."""

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
        "{ minutes = 5, watts = 3, to_ppb = 10, from_ppb = 20000 }: after so many minutes at so many watts, to_ppb is left of "
        "the offset from_ppb that it has when cold; any of them may be left out",
        WarmUp(),
    )
    steady_watts: float | None = key("the power that it takes when hot, in a room of 25 degC [W]", None)
    hot_c: float | None = key("temperature that it holds [degC]; colder boards take more power to hold it", None)
    volts: float | None = key("its own supply [V]; left out: that of [supply]", None, above_zero=True)
    always_powered: bool = key("whether it would stay on while the instrument is off", False)
    settles_days: float | None = key("days of power until its ageing has settled", None)
    price: float | None = key("what it costs", None)


def validate_supply(supply: Supply, location: Location) -> None:
    """Refuse a supply whose lasting power is more than its peak.

    Raises
    ------
    JobError
        It is.
    """
    peak, steady = supply.peak_watts, supply.steady_watts
    if peak is not None and steady is not None and steady > peak:
        raise JobError(
            f"{location.of('supply', 'steady_watts')}: [supply] steady_watts = {steady:g} is more than peak_watts = {peak:g}; "
            "expected at most as much"
        )


def validate_oven(oven: Oven, location: Location, block: int) -> None:
    """Refuse a warm-up that does not lead from a larger offset and power to smaller ones.

    Raises
    ------
    JobError
        It does not.
    """
    where = location.of("oven", "warm_up", block)
    left, cold, hot = oven.warm_up.to_ppb, oven.warm_up.from_ppb, oven.steady_watts
    if left is not None and cold is not None and not 0 < left < cold:
        raise JobError(
            f"{where}: [[oven]] warm_up goes from {cold:g} to {left:g} ppb; expected from more to less, above 0"
        )
    if hot is not None and oven.warm_up.watts is not None and hot > oven.warm_up.watts:
        raise JobError(
            f"{where}: [[oven]] steady_watts = {hot:g} is more than the {oven.warm_up.watts:g} W of its warm_up; an oven "
            "takes most while it heats"
        )
