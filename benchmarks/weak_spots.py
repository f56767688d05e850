"""Where the estimate is known to be weaker than its uncertainty says: wide loops, and lags as long as the runs. Invented boards.

python benchmarks/weak_spots.py [SEEDS]
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from plan_simulation import Board
from recovery import recover

from tcomp.errors import CurveError
from tcomp.estimation.curve import Curve
from tcomp.job import read_job_text
from tcomp.planning.plan import plan
from tcomp.planning.prediction import chamber_time_s
from tcomp.planning.requirements import PlanRequirements
from tcomp.simulation import Scenario
from tcomp.simulation.cases import cases, plain
from tcomp.simulation.chamber import ThermalPath
from tcomp.simulation.crystal import AtCut, Play

LOOP_PPB = 200.0
THROUGH_C = (0.2, 2.0, 5.0)
"""Temperature over which the loop comes through after a reversal. [degC]"""
PLANNED = """
[oscillator]
name = "no name"
[reference]
noise_ppb = 3
[fit]
range_c = [-10, 50]
models = ["poly7"]
[plan]
lag_s = 60
kind = "soaks"
curve_ppb = 10
"""


def planned(seed: int, through_c: float) -> Scenario:
    """A schedule of soaks between ends of 60 degC, as `tcomp plan` makes it."""
    job = read_job_text(PLANNED, runs_needed=False)
    found, noise = plan(job), PlanRequirements.of(job).noise
    board = Board(AtCut(3.4), 60.0).scenario(
        found.schedule, noise, found.gate_s, chamber_time_s(job.chamber.settle_min), seed
    )
    return replace(board, crystal=replace(board.crystal, play=Play(through_c, LOOP_PPB)))


def stairs(seed: int, through_c: float) -> Scenario:
    """Soaks each 10 degC up and down, a sensor of 1/16 degC."""
    scenario = cases(seed)["soaks with 30 ppb hysteresis"].scenario
    return replace(scenario, crystal=replace(scenario.crystal, play=Play(through_c, LOOP_PPB)))


def loops(seeds: int) -> Iterator[str]:
    """Of each way and width: the largest error of any seed, free of base, and the largest u that was stated."""
    for name, scenario, models, range_c in (
        ("planned soaks, -10 to 50", planned, ("poly7",), (-10.0, 50.0)),
        ("soaks each 10 degC, -20 to 60", stairs, "auto", None),
    ):
        for through_c in THROUGH_C:
            found = [recover(scenario(seed, through_c), None, models, range_c) for seed in range(1, seeds + 1)]
            worst = " ".join(f"{one.worst_ppb:.2f}" for one in found)
            stated = " ".join(f"{largest_u_ppb(one.fit_result.curve):.2f}" for one in found)
            over_u = float(np.sqrt(np.mean([one.z**2 for one in found])))
            warned = sum("shape of" in one.fit_result.curve.lack_of_fit for one in found)
            yield f"| {name} | {through_c:g} | {worst} | {stated} | {over_u:.2f} | {warned} of {seeds} |"


def largest_u_ppb(curve: Curve) -> float:
    """The largest standard uncertainty over the range. [ppb]"""
    return float(curve.uncertainty_ppb(np.linspace(curve.low_c, curve.high_c, 201)).max())


def lags(seeds: int) -> Iterator[str]:
    """What is said of a lag of hours, in runs of three and eight hours."""
    for lag_s in (3600.0, 10_000.0):
        for seed in range(1, seeds + 1):
            scenario = replace(plain(seed), crystal_path=ThermalPath((lag_s,)), interval_s=60.0)
            try:
                said = recover(scenario).fit_result.curve.effect("lag").words
            except CurveError as refused:
                said = f"refused: {str(refused)[:80]} ..."
            yield f"| {lag_s:g} | {seed} | {said} |"


def main(seeds: int) -> None:
    """Print both tables."""
    print(
        f"| loop of {LOOP_PPB:g} ppb | comes through over, degC | worst error, ppb | largest u, ppb "
        "| error / u, RMS | a shape is reported |"
    )
    print("|---|---|---|---|---|---|")
    for line in loops(seeds):
        print(line, flush=True)
    print("\n| lag, s | seed | what is said |\n|---|---|---|")
    for line in lags(seeds):
        print(line, flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 6)
