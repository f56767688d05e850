"""Logs corrected with a curve that was fitted to runs of an independent simulator: error over uncertainty, row by row.

Boards, runs and logs are invented, and their truth is known: a loop with a play, retrace that is drawn anew at each power-up,
white noise, a lag.  Nothing of tcomp's own simulation is used.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from independent import Floats, Log, at_cubic, chamber_c, dragged, simulate, two_rates

from tcomp import workflow
from tcomp.estimation.curve import Curve
from tcomp.job import Job, read_job
from tcomp.upkeep.apply import sensor_u_c
from tcomp.upkeep.calibration import Calibration
from tcomp.upkeep.corrector import OK, Corrector

LOOP_PPB, PLAY_C, RETRACE_PPB, LAG_S, NOISE_PPB = 20.0, 2.0, 10.0, 110.0, 1.5
JOB = """
[oscillator]
name = "invented board"
cut = "AT"
retrace_ppb = {retrace_ppb:g}
ageing_ppb_per_day = 0
[reference]
uncertainty_ppb = 0.3
{runs}
[use]
sensor_drift_c = 0
"""
RUN = """
[[run]]
file = "{name}"
time = "time_s"
temperature = "temp_c"
offset = "offset_ppb"
offset_unit = "ppb"
"""


@dataclass(frozen=True)
class Applied:
    """Rows of corrected logs: error and standard uncertainty. [ppb]"""

    error_ppb: Floats
    u_ppb: Floats

    @property
    def z(self) -> Floats:
        """Error in standard uncertainties."""
        return np.asarray(self.error_ppb / self.u_ppb)


def loop_and_retrace(loop_ppb: float, retrace_ppb: float) -> Callable[[Floats, Floats, np.random.Generator], Floats]:
    """What moves the offset besides the curve in one power-up."""

    def besides_ppb(_: Floats, crystal_c: Floats, rng: np.random.Generator) -> Floats:
        return np.asarray(loop_ppb * dragged(crystal_c, PLAY_C) + rng.uniform(-retrace_ppb, retrace_ppb))

    return besides_ppb


def night(rate_c_per_min: float, rng: np.random.Generator) -> Floats:
    """Temperature each second: from somewhere up and down at a rate, or still after a way up or down."""
    start_c = rng.uniform(10.0, 45.0)
    there_c = rng.uniform(10.0, 45.0)
    if rate_c_per_min == 0:
        return chamber_c([(there_c, abs(there_c - start_c) / 0.5 + 1), (there_c, 120)], start_c)
    legs = [(end_c, abs(end_c - begin_c) / rate_c_per_min) for begin_c, end_c in ((start_c, 50.0), (50.0, 5.0))]
    return chamber_c([*legs, (30.0, 25.0 / rate_c_per_min)], start_c)


def fit_result(seed: int, folder: Path, loop_ppb: float, retrace_ppb: float) -> tuple[Job, Curve]:
    """A job with two runs, each of another power-up, and its curve."""
    folder.mkdir(parents=True, exist_ok=True)
    names = []
    for number in (1, 2):
        run = simulate(
            100 * seed + number, chamber=two_rates(), lag_s=LAG_S, noise_ppb=NOISE_PPB,
            besides_ppb=loop_and_retrace(loop_ppb, retrace_ppb),
        )  # fmt: skip
        names.append(run.write(folder / f"run{number}.csv").name)
    (folder / "board.toml").write_text(
        JOB.format(retrace_ppb=retrace_ppb, runs="".join(RUN.format(name=name) for name in names)), encoding="utf-8"
    )
    job = read_job(folder / "board.toml")
    return job, workflow.learn_job(job).curve


def applied(
    seed: int,
    folder: Path,
    rates_c_per_min: tuple[float, ...],
    *,
    logs: int,
    loop_ppb: float = LOOP_PPB,
    retrace_ppb: float = RETRACE_PPB,
    counted: bool = True,
) -> dict[float, Applied]:
    """So many logs at each rate, each of another power-up, corrected with one curve.

    ``counted``: False leaves out of the uncertainty what the job's list adds to curve, sensor and lag.
    """
    job, curve = fit_result(seed, folder, loop_ppb, retrace_ppb)
    found = {}
    for rate in rates_c_per_min:
        errors, us = [], []
        for number in range(logs):
            rng = np.random.default_rng([seed, number, round(100 * rate)])
            log: Log = simulate(
                int(rng.integers(1 << 31)), chamber=night(rate, rng), curve=at_cubic, lag_s=LAG_S, noise_ppb=NOISE_PPB,
                besides_ppb=loop_and_retrace(loop_ppb, retrace_ppb),
            )  # fmt: skip
            corrector = Corrector(
                Calibration(curve, None), sensor_u_c=sensor_u_c(job.sensor), job=job if counted else None
            )
            offsets = corrector.offsets(log.time_s, log.sensor_c)
            ok = offsets.state == OK
            errors.append((offsets.offset_ppb - log.offset_ppb)[ok])
            us.append(offsets.u_ppb[ok])
        found[rate] = Applied(np.concatenate(errors), np.concatenate(us))
    return found
