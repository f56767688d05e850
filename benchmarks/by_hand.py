"""The table of the river gauge's sample against what is usually made of such a log by hand, held against the known truth.

    python benchmarks/by_hand.py            worst and RMS error in ppb, over every code of the table
    python benchmarks/by_hand.py pictures   docs/pictures/gain_light.svg and gain_dark.svg

By hand, on the columns as they were logged: a polynomial of degree 3 by `numpy.polyfit`, what lies beyond three standard
deviations left out and fitted again until nothing does; an array of medians, one each 5 degC, straight between them.  Neither
knows that the crystal trails the sensor.  Soaks go without that: the last row is a polynomial by hand on a staircase of 17 soaks
of 35 minutes, up and down, of the same simulated board, which takes as long as the sample's two runs.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tcomp import workflow
from tcomp.job import read_job
from tcomp.results import Folder
from tcomp.simulation import PlannedRun, river_gauge, simulate, true_offset_ppb
from tcomp.simulation.cases import staircase

Floats = NDArray[np.float64]
ROOT = Path(__file__).parent.parent
SAMPLE = ROOT / "sample_runs" / "river_gauge"
SLOW, FAST = "2026-03-02_slow.csv", "2026-03-03_fast.csv"
DEGREE, SIGMAS = 3, 3.0
ARRAY_STEP_C = 5.0
SOAK_MIN, AVERAGED_MIN = 35.0, 5.0
GROSS_PPB = 100.0


@dataclass(frozen=True)
class Logged:
    """Columns as they were logged. [degC], [ppb]"""

    temperature_c: Floats
    offset_ppb: Floats


@dataclass(frozen=True)
class Made:
    """What somebody or something made of the logs, at every code of the table. [degC], [ppb]"""

    words: str
    temperature_c: Floats
    error_ppb: Floats

    def line(self) -> str:
        """Its errors in a line."""
        worst_ppb, rms_ppb = np.abs(self.error_ppb).max(), np.sqrt(np.mean(self.error_ppb**2))
        return f"{self.words:<58}{worst_ppb:>8.1f}{rms_ppb:>8.1f}"


def logged(*names: str) -> Logged:
    """The columns of the sample's logs, one below the other, rows without a number left out."""
    frames = [pd.read_csv(SAMPLE / name, comment="#").dropna() for name in names]
    rows = pd.concat(frames)
    return Logged(rows["board_c"].to_numpy(), 1e9 * (rows["osc_hz"].to_numpy() / 12_800_000 - 1))


def polynomial(log: Logged, at_c: Floats) -> Floats:
    """A polynomial by hand. [ppb]"""
    kept = np.full(log.offset_ppb.size, True)
    while True:
        coefficients = np.polyfit(log.temperature_c[kept], log.offset_ppb[kept], DEGREE)
        rest_ppb = log.offset_ppb - np.polyval(coefficients, log.temperature_c)
        near = kept & (np.abs(rest_ppb) < SIGMAS * rest_ppb[kept].std())
        if (near == kept).all():
            return np.polyval(coefficients, at_c)
        kept = near


def array(log: Logged, at_c: Floats) -> Floats:
    """An array by hand: medians, straight between them. [ppb]"""
    cells_c = ARRAY_STEP_C * np.round(log.temperature_c / ARRAY_STEP_C)
    medians = pd.Series(log.offset_ppb).groupby(cells_c).median()
    return np.interp(at_c, medians.index, medians)


def soaks(at_c: Floats) -> Floats:
    """Error of a polynomial by hand on the last minutes of soaks, against that board's own truth. [ppb]"""
    board = river_gauge()
    run = PlannedRun("stairs.csv", "2026-03-02T07:30:00Z", staircase(soak_min=SOAK_MIN))
    scenario = replace(board, runs=(run,))
    simulated = simulate(scenario)[0].log
    times_s, points_c = run.programme.corners()
    ends_s = [end for end, here, before in zip(times_s[1:], points_c[1:], points_c, strict=False) if here == before]
    since_s = (simulated["time_s"] - run.start_s).to_numpy()
    means = [simulated[(since_s > end - 60 * AVERAGED_MIN) & (since_s <= end)].median() for end in ends_s]
    rows = pd.DataFrame(means)
    soaked = Logged(rows["temperature_c"].to_numpy(), 1e9 * (rows["reading_hz"].to_numpy() / 12_800_000 - 1))
    return polynomial(soaked, at_c) - scenario.crystal.offset_ppb(at_c, np.full(at_c.shape, since_s[-1]), 0)


def all_made() -> list[Made]:
    """The table, and what is made by hand."""
    job = read_job(SAMPLE / "gauge07.toml")
    with tempfile.TemporaryDirectory() as place:
        folder = Folder(Path(place))
        curve = workflow.fit(job, workflow.inspect_runs(job, folder, _silent), folder, _silent).curve
        table = workflow.design(job, curve, folder, _silent)
    at_c = table.temperature_of(table.codes)
    truth_ppb = true_offset_ppb(SAMPLE / "truth.json", at_c)
    both, slow = logged(SLOW, FAST), logged(SLOW)
    return [
        Made("tcomp: the integers in the firmware, 162 bytes", at_c, table.offset_ppt(table.codes) / 1000 - truth_ppb),
        Made("polynomial by hand, both runs", at_c, polynomial(both, at_c) - truth_ppb),
        Made("polynomial by hand, the slow run alone", at_c, polynomial(slow, at_c) - truth_ppb),
        Made("array by hand, both runs", at_c, array(both, at_c) - truth_ppb),
        Made("polynomial by hand on 17 soaks instead, as long in all", at_c, soaks(at_c)),
    ]


def _silent(_: str) -> None:
    """No remarks."""


def draw(made: list[Made], path: Path, ink: str) -> None:
    """Before and after, in one picture; of two colours of ink, as a picture in a page cannot follow its light and dark."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    style = {"svg.hashsalt": path.name, "svg.fonttype": "none", "font.family": "sans-serif", "grid.alpha": 0.25}
    style |= {"path.simplify": False}  # which corners it drops depends on their place on the page
    inked = ("text.color", "axes.edgecolor", "axes.labelcolor", "xtick.color", "ytick.color", "grid.color")
    with mpl.rc_context(style | dict.fromkeys(inked, ink)):
        figure = Figure(figsize=(8.2, 5.6), layout="constrained")
        before, after = figure.subplots(2, 1, sharex=True)
        for name, words, colour in (
            (SLOW, "run at 0.35 degC/min", "#2a8fd0"),
            (FAST, "run at 0.9 degC/min", "#d55e00"),
        ):
            log = sound(logged(name))
            before.plot(log.temperature_c[::6], log.offset_ppb[::6], color=colour, linewidth=1, label=words)
        before.set_title("Before: the board as it was logged, up and down", loc="left", fontsize=11)
        before.set_ylabel("offset [ppb]")
        for one, colour in ((made[3], "#cc79a7"), (made[1], "#d99000"), (made[0], "#009e73")):
            after.plot(one.temperature_c[::2], one.error_ppb[::2], color=colour, linewidth=1.8, label=one.words)
        after.set_title("After: what is left, against the known truth", loc="left", fontsize=11)
        after.set(xlabel="temperature [degC]", ylabel="error [ppb]", ylim=(-160, 160))
        for panel in (before, after):
            panel.spines[["top", "right"]].set_visible(False)
            panel.grid(visible=True)
            panel.legend(frameon=False, fontsize=9, loc="upper right")
        figure.savefig(path, transparent=True, metadata={"Date": None, "Creator": None})


def sound(log: Logged) -> Logged:
    """Without gross errors, which would set the scale of the picture."""
    middle_ppb = pd.Series(log.offset_ppb).rolling(9, center=True, min_periods=1).median().to_numpy()
    kept = np.abs(log.offset_ppb - middle_ppb) < GROSS_PPB
    return Logged(log.temperature_c[kept], log.offset_ppb[kept])


def main(arguments: list[str]) -> None:
    """Print the errors, or draw the pictures."""
    made = all_made()
    if arguments == ["pictures"]:
        for name, ink in (("light", "#1f2328"), ("dark", "#e6edf3")):
            path = ROOT / "docs" / "pictures" / f"gain_{name}.svg"
            path.parent.mkdir(parents=True, exist_ok=True)
            draw(made, path, ink)
        return
    print(f"{'error [ppb] against the truth, -20 to 60 degC':<58}{'worst':>8}{'RMS':>8}")
    for one in made:
        print(one.line())


if __name__ == "__main__":
    main(sys.argv[1:])
