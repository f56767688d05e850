"""How much of the truth the 95 % band of the curve covers, over many simulated runs.

    python benchmarks/coverage.py [SEEDS]

Lag of 175 s, sensor steps of 1/16 degC, two runs, 1 ppb of white noise; base included.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from recovery import recover

from tcomp.simulation import Scenario
from tcomp.simulation.cases import cases
from tcomp.simulation.counter import Counter


def scenario(seed: int) -> Scenario:
    """One seed of the scenario."""
    return replace(cases(seed)["lag 180 s"].scenario, counter=Counter(12_800_000.0, gate_s=1.0, white_ppb=1.0))


def main(seeds: int) -> None:
    """Print the share covered over seeds and temperatures, with its standard error over the seeds."""
    inside = []
    for seed in range(1001, 1001 + seeds):
        curve = recover(scenario(seed)).learnt.curve
        temperature_c = np.linspace(curve.low_c, curve.high_c, 60)
        cut, base_ppb = scenario(seed).crystal.cut, scenario(seed).crystal.base_ppb
        error_ppb = curve.offset_ppb(temperature_c) - cut.offset_ppb(temperature_c) - base_ppb
        inside.append(float(np.mean(np.abs(error_ppb) < 1.96 * curve.uncertainty_ppb(temperature_c))))
    error = np.std(inside) / np.sqrt(seeds)
    print(f"{seeds} seeds: the 95 % band covers {100 * np.mean(inside):.1f} % (standard error {100 * error:.1f} %)")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
