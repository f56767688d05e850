"""Coarse counters: the error of the curve beside least squares by hand, on logs of a simulator that shares no code with tcomp.

python benchmarks/coarse.py counters [SEEDS] [ROW ...]
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from independent import Log, Reading, at_cubic, counted, ideal, lagged, rounded, simulate

from tcomp.estimation.fit_result import FitResult
from tcomp.estimation.samples import samples_of
from tcomp.job import read_job_text
from tcomp.logs.prepared import prepare_frames
from tcomp.workflow import learn

JOB = '[oscillator]\nname = "gauge"\nnominal_hz = 10_000_000\ncut = "AT"\n'
AT_C = np.linspace(0.0, 55.0, 551)
COUNTERS: dict[str, Reading] = {
    "no step": ideal,
    "10 MHz in 0.1 Hz": rounded(10.0),
    "10 MHz in 0.3 Hz": rounded(30.0),
    "10 MHz in 1 Hz": rounded(100.0),
    "10 MHz in 2 Hz": rounded(200.0),
    "10 MHz in 5 Hz": rounded(500.0),
    "10 MHz in 10 Hz": rounded(1000.0),
    "16 MHz counted for 1 s, 20 ns": counted(16e6, 1.0, 20e-9),
    "16 MHz counted for 1 s, 1 ns": counted(16e6, 1.0, 1e-9),
}
"""The step of each counter; the last two count whole cycles between pulses that scatter by so much."""


@dataclass(frozen=True, kw_only=True)
class Result:
    """What one log gave. Errors over 0 to 55 degC, base included."""

    worst_ppb: float
    u_ppb: float
    """Standard uncertainty where the error is largest. [ppb]"""
    error_over_u: float
    """Root mean square along the range."""
    by_hand_ppb: float
    no_weight: float
    """Share of the samples."""
    held_out_ppb: float
    invented: tuple[str, ...]
    model: str
    lag_s: float


def fitted_from(log: Log) -> FitResult:
    """The curve that tcomp learns of a log, in a job that says nothing of the counter."""
    frame = pd.DataFrame({"t": log.time_s, "degC": log.sensor_c, "ppb": log.offset_ppb})
    job = read_job_text(JOB, runs_needed=False)
    runs = prepare_frames(job, frame, time="t", temperature="degC", offset="ppb", offset_unit="ppb")
    return learn(job, runs, samples_of(runs))


def by_hand_ppb(log: Log) -> float:
    """Worst error of a cubic by least squares, all samples alike, with the lag of least misfit on a grid of a second."""

    def fitted(lag_s: float) -> tuple[float, np.ndarray]:
        second_s = np.arange(log.time_s[-1] + 1)
        x = (lagged(np.interp(second_s, log.time_s, log.sensor_c), lag_s)[::10] - 27.0) / 27.0
        design = np.vander(x, 4)
        coef, *_ = np.linalg.lstsq(design, log.offset_ppb, rcond=None)
        return float(np.sum((log.offset_ppb - design @ coef) ** 2)), coef

    around = min(range(0, 301, 10), key=lambda lag_s: fitted(lag_s)[0])
    best = min(range(max(around - 10, 0), around + 11), key=lambda lag_s: fitted(lag_s)[0])
    return float(np.abs(np.vander((AT_C - 27.0) / 27.0, 4) @ fitted(best)[1] - at_cubic(AT_C)).max())


def result(log: Log) -> Result:
    """Learn a log, and hold what comes out against the truth."""
    fit_result = fitted_from(log)
    curve = fit_result.curve
    error, u = curve.offset_ppb(AT_C) - at_cubic(AT_C), curve.uncertainty_ppb(AT_C)
    at = int(np.argmax(np.abs(error)))
    invented = [effect.name for effect in curve.effects if effect.name != "lag" and effect.status == "found"]
    invented += ["jump"] * len(curve.jumps) + ["dip"] * len(curve.dips)
    fit = fit_result.estimate.fit
    return Result(
        worst_ppb=float(abs(error[at])),
        u_ppb=float(u[at]),
        error_over_u=float(np.sqrt(np.mean((error / u) ** 2))),
        by_hand_ppb=by_hand_ppb(log),
        no_weight=float(fit.gross.sum() / fit.usable.sum()),
        held_out_ppb=curve.held_out.rms_ppb,
        invented=tuple(invented),
        model=curve.model,
        lag_s=curve.effect("lag").value,
    )


def row(name: str, counter: Reading, seeds: int) -> str:
    """A row of the table: the largest and the median over the seeds."""
    results = [result(simulate(seed, counter=counter)) for seed in range(1, seeds + 1)]
    worst, u, hand = (np.array([getattr(r, k) for r in results]) for k in ("worst_ppb", "u_ppb", "by_hand_ppb"))
    z = float(np.sqrt(np.mean([r.error_over_u**2 for r in results])))
    invented = sorted({name for r in results for name in r.invented})
    count = sum(bool(r.invented) for r in results)
    return (
        f"| {name} | {np.median(worst):.3g} ({worst.max():.3g}) | {np.median(u):.2g} | {z:.2f} | "
        f"{np.median(hand):.3g} ({hand.max():.3g}) | {100 * max(r.no_weight for r in results):.1f} % | "
        f"{np.median([r.held_out_ppb for r in results]):.3g} | "
        f"{f'{count} logs: ' + ', '.join(invented) if count else 'none'} |"
    )


def counters(seeds: int, *rows: str) -> None:
    """Print the table, or some of its rows, counted from 0."""
    print("| reading | worst (of all seeds) | its u | error/u RMS | by hand | no weight | held out | invented |")
    print("|---|---|---|---|---|---|---|---|")
    for number, (name, counter) in enumerate(COUNTERS.items()):
        if not rows or str(number) in rows:
            print(row(name, counter, seeds), flush=True)


TABLES: dict[str, Callable[..., None]] = {"counters": counters}

if __name__ == "__main__":
    table, *rest = sys.argv[1:] or ["counters"]
    partial(TABLES[table], int(rest[0]) if rest else 20)(*rest[1:])
