"""Sensors with coarse steps: tcomp beside least squares by hand with a scanned lag, against an invented crystal's known truth.

    PYTHONPATH=. python benchmarks/coarse_sensor.py [SEEDS] [rows|phases]

A run of 7.8 h between 0 and 55 degC (tests/independent.py: two_rates), lag 110 s, noise 1.5 ppb, rows of 10 s. ``rows`` has one
run per seed, whose sensor is noiseless, so that its rounding is the same for every seed; ``phases`` moves the whole run against
the sensor's steps and against the rows, another way for each seed. Worst: of |error| over the range, median of the seeds;
z: root mean square of error / u over range and seeds.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.signal import lfilter

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from independent import Log, Reading, at_cubic, chamber_c, rounded, simulate, truncated, two_rates

from tcomp import workflow
from tcomp.estimation.curve import Curve
from tcomp.estimation.fit_result import FitResult
from tcomp.job import read_job_text
from tcomp.logs.prepared import prepare_frames

Floats = NDArray[np.float64]

JOB = """
[oscillator]
name = "invented"
cut = "AT"
[sensor]
{sensor}
"""
DEGREE = 3
LAGS_S = np.arange(0.0, 300.0, 2.0)
NEAREST, DOWN = 'rounding = "nearest"', 'rounding = "down"\nresolution_c = 1.0'


@dataclass(frozen=True)
class Row:
    """A sensor, what the job says of it, and what somebody by hand adds to each reading. [degC]"""

    reads: Reading
    sensor: str = NEAREST
    added_c: float = 0.0


ROWS = {
    "0.1 degC": Row(rounded(0.1)),
    "1 degC": Row(rounded(1.0)),
    "2 degC": Row(rounded(2.0)),
    "5 degC": Row(rounded(5.0)),
    "1 degC, cut off": Row(truncated(1.0), DOWN, 0.5),
}


@dataclass(frozen=True)
class Recovered:
    """What one log gave: errors along the range, u, and what by hand leaves. [ppb]"""

    fit_result: FitResult
    error_ppb: Floats
    u_ppb: Floats
    by_hand_ppb: Floats

    @property
    def invented(self) -> list[str]:
        """Effects that the simulated crystal does not have."""
        curve: Curve = self.fit_result.curve
        effects = [one.name for one in curve.effects if one.status == "found" and one.name in ("ageing", "hysteresis")]
        return effects + ["jump"] * len(curve.jumps) + ["dip"] * len(curve.dips)


def learn(log: Log, sensor: str = NEAREST) -> FitResult:
    """tcomp's curve of a log."""
    job = read_job_text(JOB.format(sensor=sensor), runs_needed=False)
    frame = pd.DataFrame({"t": log.time_s, "degC": log.sensor_c, "ppb": log.offset_ppb})
    runs = prepare_frames(job, frame, time="t", temperature="degC", offset="ppb", offset_unit="ppb")
    return workflow.fit(job, runs)


def by_hand(log: Log, at_c: Floats, added_c: float = 0.0) -> Floats:
    """A polynomial by least squares on the readings behind the lag that fits best. [ppb]"""
    sensor_c, step_s = log.sensor_c + added_c, log.time_s[1] - log.time_s[0]
    best: tuple[float, Floats] | None = None
    for lag_s in LAGS_S:
        share = 1 - np.exp(-step_s / lag_s) if lag_s else 1.0
        start_c = (1 - share) * sensor_c[0]
        crystal_c = lfilter([share], [1, share - 1], sensor_c, zi=[start_c])[0]
        x = (crystal_c - 27.0) / 30.0
        coef = np.polynomial.polynomial.polyfit(x, log.offset_ppb, DEGREE)
        left = float(np.sum((log.offset_ppb - np.polynomial.polynomial.polyval(x, coef)) ** 2))
        if best is None or left < best[0]:
            best = (left, np.asarray(np.polynomial.polynomial.polyval((at_c - 27.0) / 30.0, coef)))
    assert best is not None
    return best[1]


def recovered(log: Log, row: Row) -> Recovered:
    """tcomp and by hand on one log."""
    fit_result = learn(log, row.sensor)
    at_c = np.linspace(max(0.0, fit_result.curve.low_c), min(55.0, fit_result.curve.high_c), 221)
    truth_ppb = at_cubic(at_c)
    hand_ppb = by_hand(log, at_c, row.added_c) - truth_ppb
    return Recovered(
        fit_result, fit_result.curve.offset_ppb(at_c) - truth_ppb, fit_result.curve.uncertainty_ppb(at_c), hand_ppb
    )


def moved(seed: int) -> Floats:
    """The run of ``two_rates``, moved against the sensor's steps and the rows."""
    rng = np.random.default_rng([seed, 99])
    low_c, high_c = rng.uniform(-0.5, 0.5), 55 + rng.uniform(-0.5, 0.5)
    slow, fast = 55 / rng.uniform(0.28, 0.32), 55 / rng.uniform(0.56, 0.64)
    legs = [(low_c, 30.0), (high_c, slow), (high_c, 30), (low_c, fast), (low_c, 30), (high_c, fast), (high_c, 9)]
    return chamber_c(legs, low_c)


def main(seeds: int, which: str) -> None:
    """Print the table."""
    print("| sensor | worst, ppb | its u | z | by hand | invented |\n|---|---|---|---|---|---|")
    for name, row in ROWS.items():
        found = []
        for seed in range(1, seeds + 1):
            chamber = moved(seed) if which == "phases" else two_rates()
            found.append(recovered(simulate(seed, chamber=chamber, sensor=row.reads), row))
        worst = np.median([np.abs(one.error_ppb).max() for one in found])
        u = np.median([one.u_ppb[np.argmax(np.abs(one.error_ppb))] for one in found])
        z = np.sqrt(np.mean([np.mean((one.error_ppb / one.u_ppb) ** 2) for one in found]))
        hand = np.median([np.abs(one.by_hand_ppb).max() for one in found])
        invented = sorted({effect for one in found for effect in one.invented})
        print(
            f"| {name} | {worst:.2f} | {u:.2f} | {z:.2f} | {hand:.2f} | {', '.join(invented) or 'none'} |", flush=True
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20, sys.argv[2] if len(sys.argv) > 2 else "rows")
