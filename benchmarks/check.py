"""Whether `tcomp check` fails a curve for its shape alone: false failures at every noise, and slope errors that are found.

    python benchmarks/check.py [BUILDS] [NOISE ...]

Invented AT crystals from a simulator that shares no code with tcomp, built as in benchmarks/coverage.py from two runs at 0.3 and
0.8 degC/min; a fresh run a month later at 0.5 degC/min up and down, with its own noise, base and slope.  The build's noise is 1 ppb
a reading, on a quiet counter 0.2 ppb, with a sensor of 0.01 degC.  A slope of 0.05 ppb/degC is 1.75 ppb at the ends of the range.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from coverage import FIRST_S, HIGH_C, LAG_S, LOW_C, PARTED_S, at_cut
from independent import Log, chamber_c, rounded, simulate
from recovery import learn_logs

from tcomp.estimation.curve import Curve
from tcomp.job.reader import job_of_sections
from tcomp.logs import RawRun, clean_run, cut_legs, frame_of
from tcomp.logs.prepared import PreparedRun
from tcomp.upkeep.check import check

FRESH_C_PER_MIN = 0.5
LATER_S = 30 * 86_400.0
TIMES = (0.5, 1.0, 1.1, 1.25, 2.0, 3.0)
"""Noise of the fresh run over that of the build."""
SLOPES = (0.05, -0.05, 0.1)
"""[ppb/degC]"""


@dataclass(frozen=True)
class Counter:
    """Noise of a reading, and the sensor's step. [ppb] [degC]"""

    noise_ppb: float
    step_c: float


USUAL, QUIET = Counter(1.0, 1 / 16), Counter(0.2, 0.01)


def run(
    seed: int, rate: float, counter: Counter, *, times: float = 1.0, slope: float = 0.0, base_ppb: float = 0.0
) -> Log:
    """A run up and down."""
    minutes = (HIGH_C - LOW_C) / rate
    return simulate(
        seed,
        chamber=chamber_c([(LOW_C, 30), (HIGH_C, minutes), (HIGH_C, 30), (LOW_C, minutes), (LOW_C, 20)], LOW_C),
        curve=lambda at_c: at_cut(at_c) + slope * (at_c - 25.0) + base_ppb,
        lag_s=LAG_S, noise_ppb=times * counter.noise_ppb, sensor_noise_c=counter.step_c / 2, sensor=rounded(counter.step_c),
    )  # fmt: skip


def built(seed: int, counter: Counter) -> Curve:
    """The curve of two runs."""
    logs = [run(10_000 * (number + 1) + seed, rate, counter) for number, rate in enumerate((0.3, 0.8))]
    return learn_logs(*logs, starts_s=(FIRST_S, FIRST_S + PARTED_S), reference_u_ppb=1.0).curve


def status(curve: Curve, seed: int, counter: Counter, times: float, slope: float) -> str:
    """What a check says of a fresh run."""
    log = run(90_000 + seed, FRESH_C_PER_MIN, counter, times=times, slope=slope, base_ppb=25.0)
    raw = RawRun("fresh", frame_of(FIRST_S + LATER_S + log.time_s, log.sensor_c, log.offset_ppb), "clock", ())
    clean = clean_run(raw)
    job = job_of_sections({"oscillator": {"name": "invented"}}, "check")
    return check(curve, job, runs=(PreparedRun(clean, cut_legs(clean)),)).status


def main(builds: int) -> None:
    """Print both tables."""
    print(f"{builds} builds, a fresh run of each\n")
    print("| noise, times the build's | does not hold | too short to tell |")
    print("|---|---|---|")
    for counter in (USUAL, QUIET):
        curves = [built(seed, counter) for seed in range(builds)]
        for times in TIMES if counter is USUAL else (1.0,):
            found = [status(curve, seed, counter, times, 0.0) for seed, curve in enumerate(curves)]
            quiet = "" if counter is USUAL else " (quiet counter)"
            print(
                f"| {times:g}{quiet} | {found.count('does not hold')} | {found.count('too short to tell')} |",
                flush=True,
            )
        for slope in SLOPES:
            found = [status(curve, seed, counter, 1.0, slope) for seed, curve in enumerate(curves)]
            print(f"| slope {slope:+g} ppb/degC, noise {counter.noise_ppb:g} ppb | {found.count('does not hold')} | "
                  f"{found.count('too short to tell')} |", flush=True)  # fmt: skip


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
