"""Planned schedules: foretold against simulated uncertainty, and hours against a plain ramp up and down.

python benchmarks/schedule.py [SEEDS]      (0: the hours only)
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from plan_simulation import Board, simulated
from recovery import prepared

from tcomp.estimation.candidates import candidates
from tcomp.estimation.estimate import Settings
from tcomp.estimation.learn import learn_curve
from tcomp.estimation.samples import conditions_of, samples_of
from tcomp.job import Job, read_job_text
from tcomp.planning.plan import plan
from tcomp.planning.prediction import chamber_time_s, predict_uncertainty
from tcomp.planning.requirements import PlanRequirements, least_time_s
from tcomp.planning.schedule import Schedule, Step, plain_ramp
from tcomp.simulation.crystal import AtCut, TuningFork
from tcomp.units import SECONDS_PER_MINUTE


@dataclass(frozen=True)
class Case:
    """A job, and the board that it is carried out on; invented."""

    name: str
    text: str
    board: Board

    @property
    def job(self) -> Job:
        return read_job_text(self.text, runs_needed=False)


RIVER = """
[oscillator]
name = "river gauge"
cut = "AT"
[reference]
noise_ppb = 10
[fit]
range_c = [-20, 60]
[plan]
lag_s = 180
curve_ppb = 8
"""
GARDEN = """
[oscillator]
name = "garden station"
cut = "tuning-fork"
[counter]
jitter_s = 2e-7
[fit]
range_c = [0, 40]
[plan]
lag_s = 120
kind = "ramps"
curve_ppb = 100
"""
UNKNOWN = """
[oscillator]
name = "no name"
noise_ppb = 1
[reference]
noise_ppb = 3
floor_ppb = 0.05
[fit]
range_c = [-10, 50]
models = ["poly7"]
[plan]
lag_s = 60
kind = "soaks"
curve_ppb = 10
"""
CASES = (
    Case("river gauge, AT, -20 to 60, both", RIVER, Board(AtCut(2.6), 180.0)),
    Case("garden station, fork, 0 to 40, ramps", GARDEN, Board(TuningFork(24.0), 120.0, 0.0, 0.0)),
    Case("unknown cut, degree 7, -10 to 50, soaks", UNKNOWN, Board(AtCut(3.4), 60.0)),
)


def foretold_and_simulated(case: Case, seeds: int) -> str:
    """Worst standard uncertainty foretold, and root mean square of the errors over the seeds at the worst place."""
    job = case.job
    planned, asked = plan(job), PlanRequirements.of(job)
    board, gate_s, chamber_s = case.board, planned.gate_s, chamber_time_s(job.chamber.settle_min)
    expected = board.expected(planned.expected.degree)
    predicted = predict_uncertainty(
        planned.schedule, expected, planned.range_c, asked.noise, gate_s=gate_s, chamber_s=chamber_s
    )
    squares, fit_result, known = [], [], []
    for seed in range(1, seeds + 1):
        scenario, run = simulated(board, planned.schedule, asked.noise, gate_s, chamber_s, seed)
        truth = board.true_ppb(scenario, run, predicted.at_c)
        squares.append((board.fitted_ppb(scenario, run, expected.degree, predicted.at_c) - truth) ** 2)
        curve = fitted_curve(prepared(scenario, [run]), job, expected.degree)
        fit_result.append((curve.offset_ppb(predicted.at_c) - truth) ** 2)
        known.append(curve.uncertainty_ppb(predicted.at_c).max())
    fitted, built = (np.sqrt(np.mean(one, axis=0)) for one in (squares, fit_result))
    along = [float(np.sqrt(np.mean(one**2 / predicted.noise_ppb**2))) for one in (fitted, built)]
    return (
        f"| {case.name} | {planned.schedule.total_min / 60:.1f} | {predicted.worst_ppb:.3f} | "
        f"{fitted.max():.3f} | {along[0]:.2f} | "
        f"{built.max():.3f} | {along[1]:.2f} | {np.median(known):.3f} |"
    )


def fitted_curve(runs, job: Job, degree: int):
    return learn_curve(
        samples_of(runs),
        candidates((f"poly{degree}",), job.oscillator.cut),
        settings=Settings(),
        conditions=conditions_of(runs),
        range_c=job.fit.range_c,
        reference_c=25.0,
        reference_u_ppb=0.0,
        cut=job.oscillator.cut,
    ).curve


def hours(case: Case, noise_ppb: float) -> str:
    """What the schedule takes, and a plain ramp for the same worst uncertainty by noise."""
    job = case.job
    job = replace(job, plan=replace(job.plan, curve_ppb=2 * noise_ppb / job.plan.noise_share))
    planned, asked = plan(job), PlanRequirements.of(job)
    chamber_s = chamber_time_s(job.chamber.settle_min)

    def plain(time_s: float) -> Schedule:
        low_c, high_c = planned.range_c
        room_c, fast = job.chamber.room_c, job.chamber.fastest_c_per_min
        there = Step("ramp", room_c, low_c, abs(room_c - low_c) / fast, "")
        ramps = plain_ramp(low_c, high_c, (high_c - low_c) / (time_s / SECONDS_PER_MINUTE)).steps
        return Schedule((there, *ramps, replace(there, from_c=low_c, to_c=room_c)))

    def worst(effects: tuple[str, ...]):
        return lambda time_s: predict_uncertainty(
            plain(time_s), planned.expected, planned.range_c, asked.noise, gate_s=planned.gate_s, chamber_s=chamber_s,
            effects=effects,
        ).worst_ppb  # fmt: skip

    fastest_s = (planned.range_c[1] - planned.range_c[0]) / job.chamber.fastest_c_per_min * SECONDS_PER_MINUTE
    ours, taken = planned.schedule.total_min / 60, []
    for effects in (("lag", "ageing", "hysteresis"), ()):
        time_s = least_time_s(worst(effects), planned.prediction.worst_ppb, fastest_s, most_s=1e7)
        enough = worst(effects)(time_s) <= planned.prediction.worst_ppb
        took = plain(time_s).total_min / 60
        taken.append(f"{took:.1f} | {took - ours:+.1f}" if enough else "never | ")
    quickest = f"{worst(('lag', 'ageing', 'hysteresis'))(fastest_s):.3g} in {plain(fastest_s).total_min / 60:.1f} h"
    return f"| {case.name} | {planned.prediction.worst_ppb:.3g} | {ours:.1f} | {' | '.join(taken)} | {quickest} |"


def main(seeds: int) -> None:
    """Print both tables."""
    print("| schedule | h | predicted | least squares | along | `tcomp build` | along | its own u |")
    print("|---|---|---|---|---|---|---|---|")
    for case in CASES if seeds else ():
        print(foretold_and_simulated(case, seeds), flush=True)
    print("\n| schedule | worst u, ppb | h | ramp, h | saved | ramp, given all, h | saved | fastest ramp, ppb |")
    print("|---|---|---|---|---|---|---|---|")
    for case, wanted in zip(CASES, ((1.0, 0.05, 0.03), (10.0, 2.0, 1.0), (1.0, 0.12, 0.11)), strict=True):
        for noise_ppb in wanted:
            print(hours(case, noise_ppb), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 60)
