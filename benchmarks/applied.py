"""Whether the uncertainty of corrected readings holds: error over u, and coverage of k = 2, with a loop and retrace.

    python benchmarks/applied.py [BOARDS] [LOGS]

Boards and logs are invented, by a simulator that shares no code with tcomp (`tests/applied.py`): two runs, each of another
power-up, give the curve; each log is of another power-up, too.  z is the root mean square of error / u over the rows.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from applied import applied

RATES_C_PER_MIN = (0.0, 0.2, 1.0)
CASES = ((0.0, 0.0), (20.0, 0.0), (0.0, 10.0), (20.0, 10.0))
"""Loop and retrace. [ppb]"""


def main() -> None:
    """Print a row per case and rate."""
    boards, logs = (int(sys.argv[1]) if len(sys.argv) > 1 else 4), (int(sys.argv[2]) if len(sys.argv) > 2 else 12)
    print("| loop | retrace | degC/min | error RMS | u, median | z | covered | z without the list |")
    print("|---|---|---|---|---|---|---|---|")
    for loop_ppb, retrace_ppb in CASES:
        made = {}
        for counted in (True, False):
            with tempfile.TemporaryDirectory() as folder:
                made[counted] = [
                    applied(
                        seed, Path(folder) / str(seed), RATES_C_PER_MIN, logs=logs, loop_ppb=loop_ppb,
                        retrace_ppb=retrace_ppb, counted=counted,
                    )
                    for seed in range(1, boards + 1)
                ]  # fmt: skip
        for rate in RATES_C_PER_MIN:
            z, before = (np.concatenate([one[rate].z for one in made[counted]]) for counted in (True, False))
            error, u = (
                np.concatenate([getattr(one[rate], name) for one in made[True]]) for name in ("error_ppb", "u_ppb")
            )
            print(
                f"| {loop_ppb:g} | {retrace_ppb:g} | {rate:g} | {np.sqrt(np.mean(error**2)):.2f} | {np.median(u):.2f} | "
                f"{np.sqrt(np.mean(z**2)):.2f} | {100 * np.mean(np.abs(z) <= 2):.1f} % | {np.sqrt(np.mean(before**2)):.2f} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
