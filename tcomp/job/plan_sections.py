"""Sections on the chamber and the counter, and on what a plan is to give."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from tcomp.job.keys import key


@dataclass(frozen=True)
class Chamber:
    """The temperature chamber, for a plan."""

    lowest_c: float | None = key("the lowest temperature that it holds [degC]; left out: any", None)
    highest_c: float | None = key("the highest temperature that it holds [degC]; left out: any", None)
    fastest_c_per_min: float = key("the fastest change that it can follow both ways [degC/min]", 1.0)
    settle_min: float = key("minutes from the end of a ramp until the board's sensor stands still", 5.0)
    hunting_c: float = key(
        "how far the board's temperature wanders in a soak, as a standard deviation [degC]; steps of the sensor that are not "
        "much coarser average out in it",
        0.03,
    )
    room_c: float = key("temperature of the room, where a schedule begins and ends [degC]", 20.0)
    longest_hours: float | None = key("the longest that a schedule may take [h]; left out: any time", None)


@dataclass(frozen=True)
class Counter:
    """The counter that measures the oscillator against the reference, for a plan."""

    resolution_s: float = key("the step of one time mark [s]", 1e-8)
    jitter_s: float = key("the scatter of one time mark besides, as a standard deviation [s]", 0.0)
    gate_s: float | None = key("time over which a reading is taken [s]; left out: a plan chooses it", None)


@dataclass(frozen=True)
class Plan:
    """What a schedule of the chamber is to give."""

    curve_ppb: float | None = key(
        "what the curve may be off, as an expanded uncertainty, k = 2 [ppb]; left out: half of [use] needed_ppb", None
    )
    noise_share: float = key("how much of curve_ppb noise may take, 0 to 1", 0.5)
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
    )
    lag_residual_ppb: float | None = key(
        "what the lag may still do when the averaging in a soak begins [ppb]; left out: a twentieth of curve_ppb", None
    )
    ramps_c_per_min: tuple[float, ...] = key(
        "two rates, the faster first [degC/min]; left out: the chamber's fastest, and half of it", ()
    )
    slope_ppb_per_c: float | None = key(
        "the steepest slope of the curve in the range [ppb/degC]; left out: that of earlier, or a typical one of the cut",
        None,
    )
    earlier: Path | None = key(
        "curve.json of an earlier build, of this oscillator or one like it: its lag and slopes; relative to this job file",
        None,
    )
