"""Table of recovery cases: curve error, lag found, ratio to least squares that is given the truth.

python benchmarks/recovery.py [SEEDS]
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from recovery import recover

from tcomp.simulation.cases import cases


def main(seeds: int) -> None:
    """Print one line per case: the worst over the seeds, and medians."""
    print(f"{'case':32} {'asked':>5} {'worst':>6} {'RMS':>6} {'oracle':>6} {'ratio':>5}  lag found (u)   model")
    for name, case in cases().items():
        found = [recover(cases(seed)[name].scenario) for seed in range(1, seeds + 1)]
        worst = max(one.worst_ppb for one in found)
        rms = float(np.median([one.rms_ppb for one in found]))
        oracle = float(np.median([one.oracle_rms_ppb for one in found]))
        ratio = float(np.median([one.rms_ppb / one.oracle_rms_ppb for one in found]))
        curve = found[0].fit_result.curve
        lags = " + ".join(f"{e.value:.1f} ({e.uncertainty:.1f})" for e in curve.effects if "lag" in e.name)
        rest = ", ".join(f"{e.name} {e.words}" for e in curve.effects if "lag" not in e.name)
        print(
            f"{name:32} {case.worst_ppb:5.1f} {worst:6.2f} {rms:6.2f} {oracle:6.2f} {ratio:5.1f}  "
            f"{lags:28} {curve.model:8} {len(curve.jumps)} jumps; {rest}",
            flush=True,
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 3)
