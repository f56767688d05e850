"""Trims over years: refusals, coverage of predictions, the need on the due day, steps and stray points. Invented lives.

python benchmarks/trims.py predictions | due | odd [LIVES]

The lives are drawn here, by NumPy alone: base(t) = drift(t) + random walk, points of 3 ppb.  Nothing is known of the ageing but
what is typical of the cut, and no point is accepted where it is refused.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from plain_curve import BASE_TIME_S, plain_curve

from tcomp.budget.ageing import known_rate
from tcomp.budget.history import History
from tcomp.job import Job, read_job_text
from tcomp.upkeep.due import next_trim
from tcomp.upkeep.point import Point
from tcomp.upkeep.retrim import RetrimResult, retrim

Floats = NDArray[np.float64]
Drift = Callable[[Floats], Floats]
DAY_S = 86_400.0
POINT_PPB, TRIMS, NEED_PPB = 3.0, 16, 250.0
DATED = (1, 6, 16)
"""Trims of which the due day is computed."""
WALKS_PPB = (0.0, 0.3, 1.0, 3.0)
EVERY_DAYS = (30, 90, 180)
JOB = """
[oscillator]
name = "no name"
cut = "AT"
[use]
needed_ppb = 250
"""


def logarithm(a_ppb: float, days: float) -> Drift:
    """a ln(1 + t / days)."""
    return lambda t: a_ppb * np.log1p(t / days)


def line(ppb_per_day: float) -> Drift:
    """A constant rate."""
    return lambda t: ppb_per_day * t


DRIFTS = {"0.5 ppb/day": line(0.5)} | {
    f"{a:g} ln(1 + t/{d:g})": logarithm(a, d) for a, d in ((20, 30), (50, 3), (80, 30), (100, 3), (100, 30), (100, 200))
}
"""Invented; the logarithms are those that a first year of 5e-7 and less leaves."""


@dataclass(frozen=True)
class Life:
    """An oscillator's base each day [ppb], and the days of its points with what they measured. [ppb]"""

    base_ppb: Floats
    days: NDArray[np.int64]
    measured_ppb: Floats


def life(drift: str, walk_ppb: float, every_days: int, seed: int) -> Life:
    """Drift and random walk day by day; a point every so many days."""
    random = np.random.default_rng([seed, every_days, int(10 * walk_ppb), *drift.encode()])
    days = np.arange(TRIMS * every_days * 4 + 1)
    walk = np.concatenate([[0.0], np.cumsum(random.normal(0.0, walk_ppb, days.size - 1))])
    base_ppb = 1000.0 + DRIFTS[drift](days.astype(np.float64)) + walk
    at = np.arange(TRIMS + 1) * every_days
    return Life(base_ppb, at, base_ppb[at] + random.normal(0.0, POINT_PPB, at.size))


def stepped(one: Life, trim: int, step_ppb: float, stray_ppb: float) -> Life:
    """The same with a step at a trim, or with that trim's point wrong."""
    base_ppb, measured_ppb = one.base_ppb.copy(), one.measured_ppb.copy()
    base_ppb[one.days[trim] :] += step_ppb
    measured_ppb[trim:] += step_ppb
    measured_ppb[trim] += stray_ppb
    return Life(base_ppb, one.days, measured_ppb)


def trims(one: Life, job: Job) -> Iterator[RetrimResult]:
    """Trim after trim, as the command does it."""
    curve = plain_curve(base_ppb=float(one.measured_ppb[0]), u_ppb=POINT_PPB)
    history = History(Path("none"), (), ())
    for day, measured_ppb in zip(one.days[1:].tolist(), one.measured_ppb[1:].tolist(), strict=True):
        point = Point(curve.reference_c, measured_ppb, POINT_PPB)
        found = retrim(curve, history, point, BASE_TIME_S + day * DAY_S, known_rate(job, curve, day))
        history = History(history.path, (*history.entries, *found.added), ())
        yield found


def predictions(lives: list[Life], job: Job) -> tuple[float, float, float]:
    """Shares: points refused, predictions that hold, and of the first five."""
    refused, holds, early = [], [], []
    for one in lives:
        for number, found in enumerate(trims(one, job)):
            refused.append(found.status == "refused")
            holds.append(abs(one.base_ppb[one.days[number + 1]] - found.predicted_ppb) <= 2 * found.predicted_u_ppb)
            if number < 5:
                early.append(holds[-1])
    return float(np.mean(refused)), float(np.mean(holds)), float(np.mean(early))


def due(lives: list[Life], job: Job) -> tuple[float, float, int]:
    """Share of the due days on which the base is further off than is needed, the days until then, and how many there are."""
    curve, exceeded, ahead = plain_curve(), [], []
    for one in lives:
        for number, found in enumerate(trims(one, job)):
            if found.status != "trimmed" or number + 1 not in DATED:
                continue
            asked, day = next_trim(job, curve, None, found.ageing), int(one.days[number + 1])
            if asked is not None and asked.days >= 1:
                then = min(day + int(asked.days), one.base_ppb.size - 1)
                exceeded.append(abs(one.base_ppb[then] - found.base_ppb) > NEED_PPB)
                ahead.append(then - day)
    return float(np.mean(exceeded)), float(np.median(ahead)), len(ahead)


def caught(step_ppb: float, stray_ppb: float, trim: int, walk: float, every: int, count: int, job: Job) -> float:
    """Share of the lives in which the trim of a step or of a stray point is refused."""
    lives = [life(drift, walk, every, seed) for drift in DRIFTS for seed in range(count)]
    odd = [stepped(one, trim, step_ppb, stray_ppb) for one in lives]
    odd = [Life(one.base_ppb, one.days[: trim + 1], one.measured_ppb[: trim + 1]) for one in odd]
    return float(np.mean([list(trims(one, job))[-1].status == "refused" for one in odd]))


def main(what: str, count: int) -> None:
    """Print a table."""
    job = read_job_text(JOB, runs_needed=False)
    if what == "odd":
        print("| what | at trim | walk, ppb per root day | refused, trims each 30 / 90 / 180 days |\n|---|---|---|---|")
        for words, step_ppb, stray_ppb in (("step of 300 ppb", 300.0, 0.0), ("stray point of 60 ppb", 0.0, 60.0)):
            for trim in (3, 8):
                for walk in WALKS_PPB:
                    shares = [caught(step_ppb, stray_ppb, trim, walk, every, count, job) for every in EVERY_DAYS]
                    print(f"| {words} | {trim} | {walk:g} | {' / '.join(f'{one:.0%}' for one in shares)} |", flush=True)
        return
    of = ("need exceeded on the due day", "days until then", "dates")
    of = of if what == "due" else ("refused (worst drift)", "predictions hold (worst drift)", "of the first five")
    print(f"| trims each, days | walk, ppb per root day | {' | '.join(of)} |\n|---|---|---|---|---|")
    for every in EVERY_DAYS:
        for walk in WALKS_PPB:
            lives = {drift: [life(drift, walk, every, seed) for seed in range(count)] for drift in DRIFTS}
            if what == "due":
                share, days, dates = due([one for each in lives.values() for one in each], job)
                print(f"| {every} | {walk:g} | {share:.1%} | {days:.0f} | {dates} |", flush=True)
                continue
            refused, holds, early = zip(*(predictions(each, job) for each in lives.values()), strict=True)
            print(
                f"| {every} | {walk:g} | {np.mean(refused):.1%} ({max(refused):.1%}) | {np.mean(holds):.1%} ({min(holds):.1%}) | "
                f"{np.mean(early):.1%} |",
                flush=True,
            )


if __name__ == "__main__":
    main(sys.argv[1] if len(sys.argv) > 1 else "predictions", int(sys.argv[2]) if len(sys.argv) > 2 else 10)
