"""A unit swept once with what its lot tells of lag and response, against one swept four times: errors of the curve.

    python benchmarks/lot_effects.py [LOTS]

Lots of 20 invented boards (tests/test_lot_effects.py, by a simulator that shares no code with tcomp: an AT crystal, 1.5 ppb of
noise a reading), each swept four times; then five new boards, each swept four times, once between soaks of half an hour, and once
without a soak. Units' lags (110 s) and responses differ by a standard deviation of 0, 2 or 5 %.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from test_lot_effects import BARE, FOUR, GRID_C, SOAKED, Board, board, error_ppb, learnt

from tcomp.estimation.lot_effects import lot_effects
from tcomp.estimation.prior import LotEffect

UNITS, NEW = 20, 5
NOISE_PPB = 1.5
"""Of one reading, in the simulator."""


def row(name: str, units: list[Board], legs: list[tuple[float, float]], lot: tuple[LotEffect, ...], first: int) -> None:
    """Errors over the units: RMS of the curve's, of a corrected reading's with its noise, and against their uncertainty."""
    error, ratio = [], []
    with tempfile.TemporaryDirectory() as folder:
        for number, unit in enumerate(units):
            curve = learnt(Path(folder), unit.log(first + number, legs), lot)
            error.append(error_ppb(curve, unit))
            ratio.append(error[-1] / curve.uncertainty_ppb(GRID_C))
    rms_ppb, over_u = (float(np.sqrt(np.mean(np.square(one)))) for one in (error, ratio))
    reading_ppb = np.hypot(rms_ppb, NOISE_PPB)
    print(f"  {name:28} curve {rms_ppb:6.2f} ppb, a reading {reading_ppb:6.2f} ppb, error / u {over_u:.2f}", flush=True)


def main() -> None:
    """Print a block for each spread between units and each response."""
    for number in range(int(sys.argv[1]) if len(sys.argv) > 1 else 1):
        for response, spread in ((0.0, 0.0), (0.0, 0.02), (0.0, 0.05), (40.0, 0.02)):
            rng = np.random.default_rng((20, number))
            with tempfile.TemporaryDirectory() as folder:
                curves = [
                    learnt(Path(folder), board(rng, response, spread).log(1000 * number + at, FOUR))
                    for at in range(UNITS)
                ]
            lot = lot_effects({str(at): curve.effects for at, curve in enumerate(curves)})
            new = [board(rng, response, spread) for _ in range(NEW)]
            print(f"lot {number + 1}, response {response:g} ppb/(degC/min), spread between units {100 * spread:g} %")
            for name, legs, known in (
                ("four sweeps", FOUR, ()),
                ("one sweep and soaks, lot", SOAKED, lot),
                ("one sweep without soak, lot", BARE, lot),
                ("one sweep and soaks, alone", SOAKED, ()),
            ):
                row(name, new, legs, known, 1000 * number + 500)


if __name__ == "__main__":
    main()
