"""Jumps of the crystal's frequency, found or missed: three heights at seven times of one run. Invented crystal.

python benchmarks/jumps.py [SEEDS]
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from independent import at_cubic, jumped, simulate
from recovery import learn_logs

HEIGHTS_PPB = (30.0, 300.0, 3000.0)
TIMES_S = {
    1000.0: "first soak",
    8600.0: "slow ramp up",
    13500.0: "hot soak",
    17000.0: "ramp down",
    19500.0: "end of the ramp down",
    22500.0: "begin of the ramp up",
    27000.0: "end of the ramp up",
}
REFERENCE_C = 25.0


def rows() -> Iterator[str]:
    """One line of a table per case."""
    for at_s, where in TIMES_S.items():
        for height_ppb in HEIGHTS_PPB:
            curve = learn_logs(jumped(simulate(1), at_s, height_ppb)).curve
            base = curve.base_ppb - float(at_cubic(np.array([REFERENCE_C]))[0]) - height_ppb
            u_ppb = float(curve.uncertainty_ppb(np.array([REFERENCE_C]))[0])
            found = ", ".join(f"{jump.height_ppb:.1f} at {jump.time_s:g} s" for jump in curve.jumps) or "none"
            held = "yes" if abs(base) < 3 * u_ppb else "NO"
            ageing = curve.effect("ageing").status
            yield f"| {at_s:g} | {where} | {height_ppb:g} | {found} | {base:.2f} | {u_ppb:.2f} | {held} | {ageing} |"


def false_alarms(seeds: int) -> int:
    """How many runs without a jump show one."""
    return sum(bool(learn_logs(simulate(1000 + seed)).curve.jumps) for seed in range(seeds))


if __name__ == "__main__":
    print("| at [s] | in the | jump [ppb] | found | base off [ppb] | its u | within 3 u | ageing |")
    print("|---|---|---|---|---|---|---|---|")
    for row in rows():
        print(row)
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    print(f"jumps found where there are none: {false_alarms(seeds)} of {seeds} runs")
