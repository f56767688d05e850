"""The verdict: the crystal with its table weighed against what could be bought."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

from tcomp.documents.fields import About, entry, in_unit

Meets = Literal["meets", "may meet", "does not meet"]
REGULARLY = "crystal with the table, trimmed regularly"
"""Name of the option that costs nothing but trims."""
BreakEvenKind = Literal["need", "ramp", "ageing", "hours on", "cost"]
VerdictStatus = Literal["decided", "not decidable", "nothing meets the need"]


@dataclass(frozen=True, kw_only=True)
class Service:
    """How the instrument is used."""

    range_c: tuple[float, float] = in_unit("degC", "Temperatures in use: lowest and highest")
    ramp_c_per_min: float = in_unit("degC/min", "Fastest change of temperature in use")
    hours_on_per_day: float = in_unit("h/day", "How long it is switched on")
    recalibrate_days: float = in_unit("day", "From trim to trim")
    life_years: float = in_unit("year", "Years over which cost and ageing are counted")


@dataclass(frozen=True, kw_only=True)
class Power:
    """What the option takes from the supply."""

    peak_watts: float = in_unit("W", "Largest power, while it warms up")
    steady_watts: float = in_unit("W", "Power once it is warm")
    lost_watts: float | None = in_unit("W", "Part of it that a linear regulator turns into heat")
    lost_switching_watts: float | None = in_unit("W", "Part of it that a switching regulator turns into heat")
    warmer_c: float | None = in_unit("degC", "Temperature rise of the case; null: [supply] does not say")
    coldest_watts: float = in_unit("W", "Power once it is warm, at the lowest temperature of use")
    kwh_per_year: float = in_unit("kWh", "Energy of a year, warming up included")
    wh_per_day: float = in_unit("Wh", "Energy of a day")
    battery_days: float | None = in_unit(
        "day", "How long [supply] battery_wh lasts; null: there is none, or nothing is taken"
    )
    fits: bool | None = entry("Whether the supply can give it; null: the job does not say what it can")
    remarks: tuple[str, ...] = entry("Why it does not fit, or what it costs to make it fit")


@dataclass(frozen=True, kw_only=True)
class BudgetLine:
    """A line of the budget, after JCGM 100."""

    name: str = entry("The contribution")
    evaluated: Literal["A", "B"] = entry("A: by statistics of observations; B: by other means (JCGM 100, 4.2 and 4.3)")
    distribution: str = entry("Distribution assigned to the input quantity")
    u: float = entry("Standard uncertainty of the input quantity, in the unit beside it")
    unit: str = entry("Unit of u")
    sensitivity_ppb: float = in_unit("ppb", "RMS of its effect over the operating points: ppb for one of its unit")
    degrees_of_freedom: float | None = in_unit("1", "Degrees of freedom of u; null: infinite")
    contribution_ppb: float = in_unit("ppb", "u times sensitivity")
    known_ppb: float = in_unit("ppb", "The part of the error that is known and not corrected: it is added as it is")
    size_ppb: float = in_unit("ppb", "How large it is: RMS of its error, u and the known part together")
    share_of_variance: float = in_unit("1", "Its share of the mean square of the error, the known part included")
    basis: str = entry("Where the figure comes from")
    assumed: bool = entry("Whether it is a typical figure, not one of this oscillator")


@dataclass(frozen=True, kw_only=True)
class Assumption:
    """A typical figure that stands in for one that the job leaves out."""

    figure: str = entry("The figure, its size and unit")
    source: str = entry("Where it comes from")


@dataclass(frozen=True, kw_only=True)
class Option:
    """An option that was weighed."""

    name: str = entry("Name of the option")
    meets: Meets = entry("Whether it meets the need")
    probability: float = in_unit("1", "That a reading on the last day before a trim is within the need")
    share_of_time_within: float = in_unit(
        "1", "Share of the time from trim to trim within the need, the mean over instruments"
    )
    share_of_time_within_5_to_95_percent: tuple[float, float] = in_unit(
        "1", "The same share, from the 5th to the 95th percentile of instruments"
    )
    need_met_ppb: float = in_unit(
        "ppb", "Its error on the last day before a trim, k = 2: the smallest need that it meets"
    )
    minutes_until_within: float | None = in_unit("min", "From switch-on until it is within the need; null: never")
    cost: float | None = entry("Cost over the service life, in the currency of the job; null: not stated")
    price: float | None = entry("Price to buy it, in the same currency; null: not stated")
    affordable: bool = entry("Whether it costs no more than [use] price_limit")
    settles_days: float | None = in_unit("day", "Days from first power until its ageing has settled")
    power: Power = entry("What the option takes from the supply")
    limited_by: str = entry("The contribution that is largest where the need is exceeded, or in all where it is met")
    limit_share: float = in_unit("1", "Its share of the mean square there")
    budget: tuple[BudgetLine, ...] = entry("Its uncertainty budget on the last day before a trim, once it is warm")
    u_ppb: float = in_unit("ppb", "Combined standard uncertainty of the error")
    effective_degrees_of_freedom: float | None = in_unit(
        "1", "After Welch and Satterthwaite (JCGM 100, G.4); null: infinite"
    )
    known_ppb: float = in_unit("ppb", "What is known of the error and not corrected, such as a drift that is stated")
    expanded_ppb: float = in_unit(
        "ppb", "Expanded uncertainty, k = 2, after JCGM 100, and what is known as it is (F.2.4.5)"
    )
    drawn_mean_ppb: float = in_unit("ppb", "Mean of the drawn errors (JCGM 101), without what is known")
    drawn_u_ppb: float = in_unit("ppb", "Standard deviation of the drawn errors")
    drawn_within_ppb: float = in_unit(
        "ppb", "Bound that 95.45 % of the drawn errors stay within, and what is known as it is"
    )
    draws: int = entry("Errors drawn until two digits of their standard deviation were stable (JCGM 101, 7.9)")
    approaches_differ: bool = entry("Whether JCGM 100 and JCGM 101 give other figures; then the drawn one counts")
    error_by_day: tuple[tuple[float, float, float], ...] = in_unit(
        "day, ppb, ppb",
        "Days since the trim, and the error then, for a coverage of 68 % and of 95 %",
        item="A day",
    )
    turns_on: tuple[str, ...] = entry("Assumed figures of which half or twice the size turns whether it meets the need")
    assumed: tuple[Assumption, ...] = entry("Typical figures that it rests on")


@dataclass(frozen=True, kw_only=True)
class BreakEven:
    """A figure whose change would turn the verdict."""

    kind: BreakEvenKind = entry("Which figure")
    name: str = entry("Name of the figure")
    unit: str = entry("Its unit; may be empty")
    now: float = entry("Its present value, in that unit")
    turns_at: float | None = entry("Value at which the verdict turns, in that unit; null: no such value matters")


@dataclass(frozen=True, kw_only=True)
class TimeForecast:
    """How far off a clock on an option is after it was set."""

    name: str = entry("Name of the option")
    days: float = in_unit("day", "Days since the clock was set")
    known_s: float = in_unit("s", "What is known of its time error, such as a drift that is stated")
    u_s: float = in_unit("s", "Standard uncertainty of its time error")
    within_s: float = in_unit("s", "Time error that is not exceeded in 95 of 100 cases")
    broken_day: int | None = entry(
        "First day on which the need may be exceeded; null: not within ten years", unit="day"
    )


@dataclass(frozen=True, kw_only=True)
class Turn:
    """An input that turns the verdict when it is a tenth smaller or larger."""

    key: str = entry("Key of the job, or contribution")
    now: float = entry("What it is, in the unit of the key; 1 for a contribution")
    then: float = entry("What it would be")
    taken: str = entry("Name of the option that would be taken then")


@dataclass(frozen=True, kw_only=True)
class VerdictDocument:
    """The verdict: this, or an oven."""

    ABOUT: ClassVar = About(
        "verdict",
        3,
        "The verdict: this, or an oven",
        "verdict.json and `tcomp judge --json`. Uncertainties are standard ones (k = 1) unless the name says otherwise.",
    )

    status: VerdictStatus = entry("Whether the verdict is decided")
    best: str = entry("Name of the option to take, or of the nearest")
    answer: str = entry("The verdict in two sentences: which option, and what limits it")
    paragraph: str = entry("The verdict in a paragraph")
    needed_ppb: float = in_unit("ppb", "The largest error allowed, k = 2")
    use: Service = entry("How the instrument is used")
    options: tuple[Option, ...] = entry("The options that were weighed")
    break_evens: tuple[BreakEven, ...] = entry("Figures whose change would turn the verdict")
    assumed: tuple[Assumption, ...] = entry("Typical figures that the verdict rests on")
    warnings: tuple[str, ...] = entry(
        "What contradicts itself, and at which value the verdict would turn, in sentences"
    )
    not_counted: tuple[str, ...] = entry(
        "What moves an oscillator besides and is not counted, with the key that would count it"
    )
    turned_by: tuple[Turn, ...] = entry("Inputs that turn the verdict when they are a tenth smaller or larger")
    questions: tuple[str, ...] = entry("Questions that the figures of the job leave open")
    times: tuple[TimeForecast, ...] = entry(
        "Time errors of clocks on the options, where [use] needed_time asks; else empty"
    )

    @property
    def trimmed_table(self) -> Option:
        """The crystal with its table, trimmed regularly."""
        return next(option for option in self.options if option.name == REGULARLY)

    @property
    def taken(self) -> Option:
        """The option to take, or the nearest."""
        return next(option for option in self.options if option.name == self.best)
