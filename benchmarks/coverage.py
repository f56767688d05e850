"""Whether the curve's uncertainty holds: error over standard uncertainty, and coverage of 95 % intervals, over seeds.

    python benchmarks/coverage.py [SEEDS] [CASE ...]

Thirteen invented oscillators from a simulator that shares no code with tcomp: two runs up and down at 0.3 and 0.8 degC/min,
sensor steps of 1/16 degC, white noise of 1 ppb, a row each 10 s. z is the root mean square of error / u along the range and over
the seeds; "absolute" is with base and reference, "shape" relative to 25 degC. "warned" is the share of the seeds with a warning
of the curve's that names what is in that row. What the base is said to be, that at the end of the last run, is the truth of the
base, and the reference is off by a normal error of its stated uncertainty, unless it wanders.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from independent import Log, chamber_c, dragged, in_parallel, lagged, rounded, simulate, walked
from recovery import learn_logs

from tcomp.estimation.learn import FitResult

Floats = NDArray[np.float64]
Besides = Callable[[Floats, Floats, np.random.Generator], Floats]

LOW_C, HIGH_C, REFERENCE_C = -10.0, 60.0, 25.0
SLOW, FAST = 0.3, 0.8
"""Of the runs. [degC/min]"""
STEP_C, NOISE_PPB, LAG_S = 1 / 16, 1.0, 150.0
PARTED_S = 2 * 86_400.0
"""From the start of one run to that of the other. [s]"""
FIRST_S = 1_767_225_600.0
"""Start of the first run: 2026-01-01."""
SEED = 7000


WANDERS = "the readings wander"


def at_cut(temperature_c: Floats) -> Floats:
    """An invented AT crystal; 1.04e-10 per K**3 is common practice, no source. [ppb]"""
    x = temperature_c - 27.0
    return np.asarray(400.0 - 90.0 * x + 0.104 * x**3)


def bt_cut(temperature_c: Floats) -> Floats:
    """An invented BT crystal; -4e-8 per K**2 is common practice, no source. [ppb]"""
    return np.asarray(-700.0 - 40.0 * (temperature_c - 22.0) ** 2)


def fork(temperature_c: Floats) -> Floats:
    """An invented tuning fork; -3.4e-8 per K**2 is common practice, no source. [ppb]"""
    return np.asarray(1200.0 - 34.0 * (temperature_c - 25.0) ** 2)


def sc_like(temperature_c: Floats) -> Floats:
    """An invented crystal of small slope, as of an SC cut far below its turnover. [ppb]"""
    x = temperature_c - 95.0
    return np.asarray(0.05 * x**3 - 3.0 * x)


@dataclass(frozen=True, kw_only=True)
class Case:
    """An oscillator, its reference and its sensor; ``cause`` is a word of the warning that would name what is odd."""

    curve: Callable[[Floats], Floats] = at_cut
    cut: str = "AT"
    path: Callable[[Floats], Floats] | None = None
    sensed: Callable[[Floats], Floats] = lambda temperature_c: temperature_c
    retrace_ppb: float = 0.0
    loop_ppb: float = 0.0
    play_c: float = 1.0
    walk_ppb: float = 0.0
    reference_u_ppb: float = 1.0
    reference_swing_ppb: float = 0.0
    other_sensor_c: float = 0.0
    cause: str = "-"


def _follows_rate(temperature_c: Floats) -> Floats:
    """A gradient of 0.3 degC at 1 degC/min between chamber and sensor. [degC]"""
    rate_c_per_min = 60.0 * np.gradient(lagged(temperature_c, 60.0))
    return temperature_c - 0.3 * rate_c_per_min


CASES = {
    "AT plain": Case(),
    "fork, retrace 20": Case(curve=fork, cut="tuning-fork", retrace_ppb=20.0),
    "BT, loop 15 (play 4)": Case(curve=bt_cut, cut="BT", loop_ppb=15.0, play_c=4.0),
    "AT, loop 20 (play 6)": Case(loop_ppb=20.0, play_c=6.0),
    "AT, other sensor, +0.3 degC": Case(other_sensor_c=0.3, cause="another sensor"),
    "AT, gradient with the rate": Case(sensed=_follows_rate),
    "AT, reference swings, 3.54": Case(reference_swing_ppb=5.0, reference_u_ppb=3.54, cause=WANDERS),
    "AT, reference swings, 0.5": Case(reference_swing_ppb=5.0, reference_u_ppb=0.5, cause=WANDERS),
    "AT, walk 0.3": Case(walk_ppb=0.3, cause=WANDERS),
    "AT, walk 1": Case(walk_ppb=1.0, cause=WANDERS),
    "AT, walk 3": Case(walk_ppb=3.0, cause=WANDERS),
    "SC-like, retrace, walk 1, swing": Case(
        curve=sc_like, cut="AT", retrace_ppb=5.0, walk_ppb=1.0, reference_swing_ppb=2.0, reference_u_ppb=1.4, cause=WANDERS
    ),
    "AT, parallel paths 150/900 s": Case(
        path=lambda temperature_c: in_parallel(temperature_c, (150.0, 900.0), 0.7), cause="heating and cooling differ"
    ),
}  # fmt: skip


def _chamber(rate_c_per_min: float) -> Floats:
    minutes = (HIGH_C - LOW_C) / rate_c_per_min
    return chamber_c([(LOW_C, 30), (HIGH_C, minutes), (HIGH_C, 30), (LOW_C, minutes), (LOW_C, 20)], LOW_C)


def _besides(case: Case, base_ppb: float, start_s: float, phase: float, ends: list[float]) -> Besides:
    """What moves the readings of a run besides the curve; where the oscillator's own base ends is added to ``ends``."""

    def besides(time_s: Floats, crystal_c: Floats, rng: np.random.Generator) -> Floats:
        own_ppb = base_ppb + walked(time_s.size, case.walk_ppb, rng)
        ends.append(float(own_ppb[-1]))
        if case.loop_ppb:
            own_ppb = own_ppb + case.loop_ppb * dragged(crystal_c, case.play_c)
        turns = (start_s + time_s) / 86_400.0
        return np.asarray(own_ppb + case.reference_swing_ppb * np.sin(2 * np.pi * turns + phase))

    return besides


def fit_result(case: Case, seed: int) -> tuple[FitResult, float]:
    """What tcomp learns of an oscillator's two runs, and where its base stands at their end. [ppb]"""
    rng = np.random.default_rng([SEED, seed])
    phase, constant_ppb = rng.uniform(0.0, 2 * np.pi), rng.normal() * case.reference_u_ppb
    if case.reference_swing_ppb:
        constant_ppb = 0.0
    ends: list[float] = []
    logs: list[Log] = []
    for number, rate in enumerate((SLOW, FAST)):
        retrace_ppb = rng.normal() * case.retrace_ppb
        logs.append(
            simulate(
                10_000 * (number + 1) + seed, chamber=_chamber(rate), curve=case.curve, lag_s=LAG_S, noise_ppb=NOISE_PPB,
                sensor_noise_c=STEP_C / 2, sensor=rounded(STEP_C), path=case.path, sensed=case.sensed,
                besides_ppb=_besides(case, retrace_ppb + constant_ppb, number * PARTED_S, phase, ends),
            )
        )  # fmt: skip
    found = learn_logs(
        *logs, starts_s=(FIRST_S, FIRST_S + PARTED_S), cut=case.cut, reference_u_ppb=case.reference_u_ppb
    )
    return found, ends[-1] - constant_ppb


@dataclass(frozen=True)
class Outcome:
    """Of one seed: error / u along the range, absolute and of the shape; worst error of the shape [ppb]; whether it warned."""

    z_absolute: Floats
    z_shape: Floats
    worst_ppb: float
    warned: bool


def outcome(case: Case, seed: int) -> Outcome:
    """What one seed comes to."""
    found, base_ppb = fit_result(case, seed)
    curve = found.curve
    at_c = np.linspace(curve.low_c, curve.high_c, 60)
    error_ppb = curve.offset_ppb(at_c) - case.curve(at_c - case.other_sensor_c) - base_ppb
    here = np.array([curve.reference_c])
    at_reference = curve.offset_ppb(here) - case.curve(here - case.other_sensor_c) - base_ppb
    shape_ppb = error_ppb - at_reference
    away = np.abs(at_c - curve.reference_c) > 2.0
    u_ppb, shape_u_ppb = curve.uncertainty_ppb(at_c), curve.shape_uncertainty_ppb(at_c)
    return Outcome(
        error_ppb / u_ppb,
        shape_ppb[away] / shape_u_ppb[away],
        float(np.abs(shape_ppb).max()),
        any(case.cause in one for one in (*curve.remarks, *curve.notes)),
    )


def main(seeds: int, names: list[str]) -> None:
    """Print the table."""
    print(f"{seeds} seeds\n")
    print("| case | z absolute | covered | z shape | covered | worst error of the shape [ppb] | warned |")
    print("|---|---|---|---|---|---|---|")
    for name, case in CASES.items():
        if names and not any(one in name for one in names):
            continue
        all_of = [outcome(case, seed) for seed in range(seeds)]
        absolute = np.concatenate([one.z_absolute for one in all_of])
        shape = np.concatenate([one.z_shape for one in all_of])
        warned = "-" if case.cause == "-" else f"{sum(one.warned for one in all_of)} of {seeds}"
        cells = [
            f"{np.sqrt(np.mean(z**2)):.2f} | {np.mean(np.abs(z) < 1.96):.2f}"
            for z in (absolute, shape)
        ]  # fmt: skip
        worst = np.median([one.worst_ppb for one in all_of])
        print(f"| {name} | {cells[0]} | {cells[1]} | {worst:.3g} | {warned} |", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 40, sys.argv[2:])
