"""Sections on the chamber, the counter and the plan of a schedule."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from tcomp.errors import JobError
from tcomp.job.keys import Location, key

LONGEST_GATE_S = 1000.0
"""Twenty readings with a longer gate would make a soak last most of a day. [s]"""
LONGEST_LAG_S = 7200.0
"""No board has a time constant beyond two hours: soaks would take a day each (common practice, no source). [s]"""
MIN_RATIO_OF_RAMPS = 1.5
"""Lag grows with the rate and hysteresis does not; rates nearer to each other than this hardly separate them."""


@dataclass(frozen=True)
class Chamber:
    """The temperature chamber, for a plan."""

    lowest_c: float | None = key("the lowest temperature that it holds [degC]; left out: any", None, signed=True)
    highest_c: float | None = key("the highest temperature that it holds [degC]; left out: any", None, signed=True)
    fastest_c_per_min: float = key("the fastest change that it can follow both ways [degC/min]", 1.0, above_zero=True)
    settle_min: float = key("minutes from the end of a ramp until the board's sensor stands still", 5.0)
    hunting_c: float = key(
        "how far the board's temperature varies in a soak, as a standard deviation [degC]; sensor steps that are not much "
        "coarser average out in it",
        0.03,
    )
    room_c: float = key("temperature of the room, where a schedule begins and ends [degC]", 20.0, signed=True)
    longest_hours: float | None = key(
        "the longest that a schedule may take [h]; left out: any time", None, above_zero=True
    )


@dataclass(frozen=True)
class Counter:
    """The counter that measures the oscillator against the reference."""

    resolution_s: float = key("the step of one time mark [s]", 1e-8)
    jitter_s: float = key("the scatter of one time mark besides, as a standard deviation [s]", 0.0)
    gate_s: float | None = key(
        "time over which a reading is taken [s]; left out: a plan chooses it", None, above_zero=True
    )
    step_ppb: float | None = key(
        "the step of its readings [ppb]: the last digit shown, or one whole cycle in the gate; 0: none; left out: found from "
        "the logs, and for a plan resolution_s counts",
        None,
    )
    reading: Literal["auto", "rounded", "counted"] = key(
        "what a reading in steps is: rounded: the mean frequency, rounded to the nearest step; counted: whole cycles in a gate "
        "that begins anywhere in a cycle, so that one of two counts is shown, by chance; auto: whichever makes the logs "
        "likelier, and for a plan rounded",
        "auto",
    )


@dataclass(frozen=True)
class Plan:
    """What a schedule of the chamber is to give."""

    curve_ppb: float | None = key(
        "allowed error of the curve, as an expanded uncertainty, k = 2 [ppb]; left out: half of [use] needed_ppb",
        None,
        above_zero=True,
    )
    noise_share: float = key("share of curve_ppb that noise may take, 0 to 1", 0.5, above_zero=True, at_most=1.0)
    kind: Literal["both", "soaks", "ramps"] = key(
        "both: soaks on the way up, a slow ramp on the way down; soaks: soaks both ways; ramps: soaks at the ends only",
        "both",
    )
    degree: int | None = key(
        "degree of the curve that is planned for, 1 to 9; left out: the crystal's own, or the richest of [fit] models",
        None,
    )
    extra_soaks: int = key("soaks where a term of one degree more would show most, 0 to 2", 2)
    lag_s: float | None = key(
        "a guess of the time constant from sensor to crystal [s]; left out: [fit] lag if it is a number, or that of earlier",
        None,
        signed=True,
    )
    lag_residual_ppb: float | None = key(
        "offset that the lag may still cause when the averaging in a soak begins [ppb]; left out: a twentieth of curve_ppb",
        None,
        above_zero=True,
    )
    ramps_c_per_min: tuple[float, ...] = key(
        "two rates, the faster first [degC/min]; left out: the chamber's fastest, and half of it", ()
    )
    slope_ppb_per_c: float | None = key(
        "the steepest slope of the curve in the range [ppb/degC]; left out: that of earlier, or a typical one of the cut",
        None,
        above_zero=True,
    )
    earlier: Path | None = key(
        "curve.json of an earlier build, of this oscillator or one like it: its lag and slopes; relative to this job file",
        None,
    )


def validate_plan(plan: Plan, chamber: Chamber, counter: Counter, location: Location) -> None:
    """Refuse limits and requirements that contradict each other.

    Raises
    ------
    JobError
        A value is outside what a plan takes, or two of them contradict each other.
    """
    if chamber.lowest_c is not None and chamber.highest_c is not None and chamber.lowest_c >= chamber.highest_c:
        raise JobError(
            f"{location.of('chamber', 'lowest_c')}: [chamber] lowest_c = {chamber.lowest_c:g} is not below highest_c = "
            f"{chamber.highest_c:g}; expected the colder end first"
        )
    for name, least, most in (("degree", 1, 9), ("extra_soaks", 0, 2)):
        value = getattr(plan, name)
        if value is not None and not least <= value <= most:
            raise JobError(f"{location.of('plan', name)}: [plan] {name} = {value}: expected {least} to {most}")
    if counter.gate_s is not None and counter.gate_s > LONGEST_GATE_S:
        raise JobError(
            f"{location.of('counter', 'gate_s')}: [counter] gate_s = {counter.gate_s:g}: expected at most {LONGEST_GATE_S:g} s, "
            "as each soak needs some twenty readings"
        )
    if plan.lag_s is not None and abs(plan.lag_s) > LONGEST_LAG_S:
        raise JobError(
            f"{location.of('plan', 'lag_s')}: [plan] lag_s = {plan.lag_s:g}: expected seconds, at most {LONGEST_LAG_S:g}; a "
            "board that follows so slowly needs a fan, or its crystal nearer to the sensor"
        )
    if plan.ramps_c_per_min:
        _validate_ramps(plan.ramps_c_per_min, chamber, location)


def _validate_ramps(rates: tuple[float, ...], chamber: Chamber, location: Location) -> None:
    where = f"{location.of('plan', 'ramps_c_per_min')}: [plan] ramps_c_per_min = {list(rates)}"
    if len(rates) != 2 or min(rates) <= 0:
        raise JobError(f"{where}: expected two rates above 0, the faster first")
    if rates[0] > chamber.fastest_c_per_min:
        raise JobError(f"{where}: expected at most [chamber] fastest_c_per_min = {chamber.fastest_c_per_min:g}")
    if rates[0] < MIN_RATIO_OF_RAMPS * rates[1]:
        raise JobError(
            f"{where}: expected the faster first, and at least {MIN_RATIO_OF_RAMPS:g} times the slower: similar rates do not "
            "separate lag from hysteresis"
        )
