"""A real sensor's clock outdoors: what is learnt on some days holds on others.

    python benchmarks/tower_sensor.py [--humidity] [FRAMES]

FRAMES is the log of the frames (README of tests/data/tower_sensor); left out: the sixty days kept there.  The daily frequency of a
day is the slope of its phase, over the days of which half or more was heard.  A 95 % band is 1.96 times the root of the squares of
the curve's u, the wander's share of a day, and the timing of the day's frames.  With --humidity that is a [[regressor]].
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tcomp import job
from tcomp.estimation.candidates import candidates
from tcomp.estimation.clock_days import ClockLog, Days
from tcomp.estimation.effects import Conditions, Regressor
from tcomp.estimation.estimate import Settings
from tcomp.estimation.samples import Samples, samples_of
from tcomp.estimation.service import ServiceFit, learn_in_service
from tcomp.job import RunLog
from tcomp.job.sections import Oscillator
from tcomp.logs import clean_run, cut_legs
from tcomp.logs.log_file import read_run
from tcomp.logs.prepared import PreparedRun
from tcomp.logs.record import CleanRun
from tcomp.units import SECONDS_PER_DAY

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

KEPT = Path(__file__).parent.parent / "tests" / "data" / "tower_sensor" / "frames.csv.gz"
ENOUGH = 0.7
"""Share of a window's days that must have been heard."""
DAY = np.array([SECONDS_PER_DAY])


def samples_on(run: CleanRun, which: Mask) -> Samples:
    """The rows of some days."""
    part = replace(run, frame=run.kept[which].reset_index(drop=True), gaps=())
    return samples_of((PreparedRun(part, cut_legs(part)),))


def fit_result(samples: Samples) -> ServiceFit:
    """The parabola of these rows, with all regressors that they hold."""
    assert samples.clock is not None
    settings = Settings(regressors=tuple(Regressor(name, "%") for name in samples.regressors))
    return learn_in_service(
        samples, samples.clock, candidates(("crystal",), "tuning-fork"), settings=settings,
        conditions=Conditions(rates_c_per_min=(), soaked=False), low_c=float(samples.temperature_c.min()),
        high_c=float(samples.temperature_c.max()), reference_c=25.0, reference_u_ppb=0.0, cut="tuning-fork",
    )  # fmt: skip


def predicted(found: ServiceFit, samples: Samples) -> tuple[Floats, Floats]:
    """Error of each day's frequency and its standard uncertainty, of days that were not learnt from. [ppb]"""
    assert samples.clock is not None
    days, curve = Days.of(ClockLog.of(samples, samples.clock)), found.curve
    columns = curve.basis.values(np.clip(samples.temperature_c, curve.low_c, curve.high_c))
    added_ppb = sum(
        (term.at(samples.regressors[name]) for name, term in curve.regressors.items()), np.zeros(len(columns))
    )
    slopes = days.slopes(np.column_stack([columns, samples.offset_ppb - added_ppb]))[days.counted]
    error = slopes[:, -1] - slopes[:, :-1] @ np.array(curve.coef)
    own = np.einsum("ij,jk,ik->i", slopes[:, :-1], np.array(curve.covariance), slopes[:, :-1])
    timing = (found.noise.phase * days.timing_ppb[days.counted]) ** 2
    return error, np.sqrt(own + found.noise.mean_variance_ppb2(DAY)[0] + timing)


def values(found: ServiceFit) -> dict[str, tuple[float, float]]:
    """Curvature and turnover with their u."""
    return {one.name: (one.value, one.uncertainty) for one in found.curve.parameters}


def halves(run: CleanRun, day: Floats) -> None:
    """Learn on each half of the days, and predict the other."""
    middle = np.median(np.unique(day))
    pairs = {
        "alternate weeks": (day // 7) % 2 == 0,
        "alternate days": day % 2 == 0,
        "first and second half": day <= middle,
    }
    print(
        "| halves | RMS [ppm] | robust [ppm] | in the 95 % band | curvature [ppb/K^2] | turnover [degC] | apart / u |"
    )
    print("|---|---|---|---|---|---|---|")
    for name, first in pairs.items():
        parts = [samples_on(run, first), samples_on(run, ~first)]
        found = [fit_result(one) for one in parts]
        both = [predicted(found[0], parts[1]), predicted(found[1], parts[0])]
        error, u = (np.concatenate([one[place] for one in both]) for place in (0, 1))
        one, other = values(found[0]), values(found[1])
        cells, apart = [], []
        for key in ("curvature", "turnover temperature"):
            cells.append(" and ".join(f"{each[key][0]:.2f} ({each[key][1]:.2f})" for each in (one, other)))
            apart.append(f"{abs(one[key][0] - other[key][0]) / np.hypot(one[key][1], other[key][1]):.1f}")
        robust = 1.4826 * np.median(np.abs(error)) / 1000
        inside = 100 * np.mean(np.abs(error) < 1.96 * u)
        print(
            f"| {name} | {np.sqrt(np.mean(error**2)) / 1000:.2f} | {robust:.2f} | {inside:.1f} % | "
            f"{cells[0]} | {cells[1]} | {apart[0]}, {apart[1]} |"
        )


def windows(run: CleanRun, day: Floats, length: int = 30) -> None:
    """Learn on each thirty measured days by themselves, where they lie within sixty."""
    numbers = np.unique(day)
    print("\n| from day | temperatures [degC] | curvature (u) | turnover (u) | left out [ppm] |\n|---|---|---|---|---|")
    rows = []
    for start in range(0, len(numbers) - length + 1, length):
        own = numbers[start : start + length]
        if own[-1] - own[0] > 2 * length:
            continue
        samples = samples_on(run, (day >= own[0]) & (day <= own[-1]))
        found = fit_result(samples)
        both = values(found)
        rows.append([*both["curvature"], *both["turnover temperature"]])
        low_c, high_c = samples.temperature_c.min(), samples.temperature_c.max()
        print(
            f"| {own[0] - numbers[0]:.0f} | {low_c:.0f} to {high_c:.0f} | {rows[-1][0]:.1f} ({rows[-1][1]:.2f}) | "
            f"{rows[-1][2]:.2f} ({rows[-1][3]:.2f}) | {found.curve.held_out.rms_ppb / 1000:.2f} |",
            flush=True,
        )
    if len(rows) > 2:
        table = np.array(rows)
        for place, name in ((0, "curvature"), (2, "turnover")):
            value, u = table[:, place], table[:, place + 1]
            mean = np.sum(value / u**2) / np.sum(1 / u**2)
            spread = np.sqrt(np.sum(((value - mean) / u) ** 2) / (len(value) - 1))
            print(f"\nspread over windows, {name}: {spread:.1f} times u; least u {u.min():.2f}")


def horizons(found: ServiceFit, samples: Samples) -> None:
    """Time errors over windows of days held out, and how many lie in their 95 % bands."""
    assert samples.clock is not None
    log = ClockLog.of(samples, samples.clock)
    days, curve = Days.of(log), found.curve
    error = np.full(len(days.counted), np.nan)
    error[days.of_row] = found.validation.held_out_ppb
    there = days.counted & np.isfinite(error)
    number = np.unique(np.floor(log.time_s / SECONDS_PER_DAY))[there]
    columns, timing = days.slopes(curve.basis.values(samples.temperature_c))[there], days.timing_ppb[there]
    error, timing = error[there], found.noise.phase * timing
    print("\n| window | windows | RMS [s] | in the 95 % band |\n|---|---|---|---|")
    for length in (1, 7, 30):
        errors_s, inside = [], []
        for start in np.arange(number[0], number[-1], length):
            own = (number >= start) & (number < start + length)
            if own.sum() < ENOUGH * length:
                continue
            mean = columns[own].mean(axis=0)
            span_s = length * SECONDS_PER_DAY
            variance = float(mean @ np.array(curve.covariance) @ mean) + np.sum(timing[own] ** 2) / own.sum() ** 2
            variance += found.noise.mean_variance_ppb2(np.array([span_s]))[0]
            errors_s.append(1e-9 * span_s * error[own].mean())
            inside.append(abs(error[own].mean()) < 1.96 * np.sqrt(variance))
        print(
            f"| {length} d | {len(errors_s)} | {np.sqrt(np.mean(np.square(errors_s))):.3f} | {100 * np.mean(inside):.1f} % |"
        )


def main(path: Path) -> None:
    """Print all figures."""
    start = time.process_time()
    beside = (job.Regressor("humidity_percent", "humidity", "%"),) if "--humidity" in sys.argv else ()
    raw = read_run(RunLog(path, "sensor_c", event="unix_s", period_s=600.0, regressors=beside), Oscillator("tower"))
    read_s = time.process_time() - start
    run = clean_run(raw)
    print("\n".join(one for one in raw.assumptions))
    day = np.floor(run.kept["time_s"].to_numpy() / SECONDS_PER_DAY)
    start = time.process_time()
    found = fit_result(samples_on(run, np.ones(len(day), dtype=bool)))
    print(
        f"\n{len(raw.frame)} rows: read in {read_s:.1f} s, learnt in {time.process_time() - start:.1f} s of one processor\n"
    )
    for name, (value, u) in values(found).items():
        print(f"{name}: {value:.2f} (u {u:.2f})")
    for finding in found.curve.effects:
        print(f"{finding.name}: {finding.words}")
    print(f"blocks of days left out: {found.curve.held_out.rms_ppb / 1000:.2f} ppm RMS\n{found.curve.notes[0]}\n")
    horizons(found, samples_on(run, np.ones(len(day), dtype=bool)))
    halves(run, day)
    windows(run, day)


if __name__ == "__main__":
    main(next((Path(one) for one in sys.argv[1:] if not one.startswith("--")), KEPT))
