"""Two sound runs of one invented crystal: how often they are warned of all the same, and how surely two crystals are told apart.

python benchmarks/run_comparison.py [SEEDS]
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from independent import Floats, Log, at_cubic, chamber_c, rounded, simulate
from recovery import learn_logs

from tcomp.errors import TcompError

RETRACE_PPB = 20.0
DAY_S = 86_400.0
CLOCK_S = 1_772_436_600.0


def programme(rate_c_per_min: float) -> Floats:
    """0 to 55 degC and back, with a ripple of 0.05 degC. [degC]"""
    minutes = 55.0 / rate_c_per_min
    chamber = chamber_c([(0, 20), (55, minutes), (55, 25), (0, minutes), (0, 10)], 0.0)
    return np.asarray(chamber + 0.05 * np.sin(np.arange(chamber.size) / 300.0 * 2 * np.pi))


def pair(seed: int, other: Callable[[Floats], Floats] = at_cubic) -> tuple[Log, Log]:
    """Two runs at rates, with noise, a lag and a sensor that are drawn; the base of the second is moved as retrace does."""
    rng = np.random.default_rng(seed)
    board = {
        "sensor": rounded(float(rng.choice([0.01, 0.0625, 0.25]))),
        "sensor_noise_c": float(rng.choice([0.0, 0.02])),
        "noise_ppb": float(rng.choice([0.5, 1.5, 10.0])),
        "lag_s": float(rng.choice([0.0, 60.0, 110.0, 300.0])),
        "counter": rounded(0.01),
    }
    one, two = (
        simulate(2 * seed + number, chamber=programme(rate), curve=curve, **board)
        for number, (rate, curve) in enumerate(zip(rng.choice([0.3, 0.4, 0.6, 1.0], 2), (at_cubic, other), strict=True))
    )
    return one, replace(two, offset_ppb=two.offset_ppb + rng.uniform(-RETRACE_PPB, RETRACE_PPB))


def said(logs: tuple[Log, Log]) -> tuple[str, ...]:
    """All warnings, or the refusal."""
    try:
        curve = learn_logs(*logs, starts_s=(CLOCK_S, CLOCK_S + DAY_S)).curve
    except TcompError as error:
        return (str(error),)
    return (*curve.jump_words, *curve.dip_words, *curve.remarks)


def rows(seeds: int) -> Iterator[str]:
    """How many of the pairs get each kind of warning."""
    for slope in (0.0, 0.5, 4.0):
        found = [
            said(pair(seed, lambda t, slope=slope: at_cubic(t) + slope * (t - 27.0))) for seed in range(1, seeds + 1)
        ]
        counts = [
            sum(any(words in one for one in each) for each in found)
            for words in (
                "different shapes",
                "the base moved",
                "the frequency jumped",
                "activity dip",
                "took no part",
                "",
            )
        ]
        yield f"| {slope:g} | " + " | ".join(map(str, counts)) + f" | {seeds} |"


if __name__ == "__main__":
    print("| slopes apart [ppb/degC] | shapes differ | base moved | jump | dip | samples dropped | anything | of |")
    print("|---|---|---|---|---|---|---|---|")
    for row in rows(int(sys.argv[1]) if len(sys.argv) > 1 else 100):
        print(row, flush=True)
