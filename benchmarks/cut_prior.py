"""A new unit without a lot: two or three soaks and what handbooks say of its cut. Invented crystals.

python benchmarks/cut_prior.py [CRYSTALS]

The crystals are drawn by tests/cut_crystals.py, which shares nothing with tcomp.  Soaks are known to 3 ppb.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from cut_crystals import crystal

from tcomp.estimation.cut_prior import SPREADS, prior_of_cut
from tcomp.estimation.prior import REFUSED, posterior

SOAK_U_PPB = 3.0
SOAKS_C = {
    "AT": ((-8.0, 48.0), (-14.0, 20.0, 54.0)),
    "tuning-fork": ((6.0, 34.0), (3.0, 20.0, 37.0)),
    "BT": ((-8.0, 48.0), (-14.0, 20.0, 54.0)),
    "SC": ((-8.0, 48.0), (-14.0, 20.0, 54.0)),
}


def figures(cut: str, soaks_c: tuple[float, ...], count: int) -> tuple[float, float, float]:
    """Largest error that 95 % of the crystals keep, share of their curves within the 95 % band, and share refused."""
    prior, at_c, random = prior_of_cut(cut), np.array(soaks_c), np.random.default_rng(77)
    grid_c = np.linspace(prior.basis.low_c, prior.basis.high_c, 161)
    columns, worst, within, refused = prior.basis.values(grid_c), [], [], []
    for _ in range(count):
        truth = crystal(cut, random)
        measured = truth(at_c) + SOAK_U_PPB * random.standard_normal(at_c.size)
        found = posterior(prior, at_c, measured, np.full(at_c.size, SOAK_U_PPB))
        error = columns @ found.coef - truth(grid_c)
        u = np.sqrt(np.einsum("ij,jk,ik->i", columns, found.covariance, columns))
        worst.append(np.abs(error).max())
        within.append(np.mean(np.abs(error) <= 1.96 * u))
        refused.append(found.chance < REFUSED)
    return float(np.quantile(worst, 0.95)), float(np.mean(within)), float(np.mean(refused))


def strangers(cut: str, other: str, soaks_c: tuple[float, ...], count: int) -> float:
    """Share of another cut's crystals that are refused."""
    prior, at_c, random = prior_of_cut(cut), np.array(soaks_c), np.random.default_rng(78)
    chances = [
        posterior(prior, at_c, crystal(other, random)(at_c), np.full(at_c.size, SOAK_U_PPB)).chance
        for _ in range(count)
    ]
    return float(np.mean(np.array(chances) < REFUSED))


def main(count: int) -> None:
    """Print the table."""
    others = tuple(SPREADS)
    print("| cut, range, soaks | worst error of 95 %, ppb | in the 95 % band | refused | "
          + " | ".join(f"{other} refused" for other in others) + " |\n|---|---|---|---|" + "---|" * len(others))  # fmt: skip
    for cut, schedules in SOAKS_C.items():
        for soaks_c in schedules:
            worst, within, refused = figures(cut, soaks_c, count)
            low_c, high_c = SPREADS[cut].range_c
            strange = ("" if other == cut else f"{strangers(cut, other, soaks_c, count):.1%}" for other in others)
            print(f"| {cut}, {low_c:g} to {high_c:g} degC, {len(soaks_c)} | {worst:.0f} | {within:.1%} | {refused:.1%} | "
                  + " | ".join(strange) + " |", flush=True)  # fmt: skip


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
