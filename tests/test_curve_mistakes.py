"""Mistakes that people make with their logs: each is refused in one sentence or warned of, and none bends a curve in silence.

Invented data with a known truth, from the independent simulator.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from hostile_runs import tcomp
from independent import Floats, Log, chamber_c, simulate

from tcomp.errors import TcompError
from tcomp.estimation.fit_result import FitResult
from tcomp.estimation.samples import samples_of
from tcomp.job import read_job_text
from tcomp.logs.prepared import prepare_runs
from tcomp.workflow import learn

CLOCK_S = 1_772_436_600.0
DAY_S = 86_400.0
QUICK = chamber_c([(0, 15), (55, 55), (55, 15), (0, 40), (0, 10)], 0.0)


def cubic(slope: float = -120.0, base: float = 932.0) -> Callable[[Floats], Floats]:
    """An invented AT crystal of this slope [ppb/degC] and base [ppb]."""
    return lambda t: np.asarray(base + slope * (t - 27.0) + 0.104 * (t - 27.0) ** 3)


def run(
    seed: int, *, curve: Callable[[Floats], Floats] | None = None, at_s: float = CLOCK_S, lag_s: float = 60.0
) -> Log:
    """A run of 800 rows that starts at a time of the clock."""
    log = simulate(seed, chamber=QUICK, curve=curve or cubic(), lag_s=lag_s)
    return replace(log, time_s=log.time_s + at_s)


def second(**kwargs: Callable[[Floats], Floats]) -> Log:
    """The run of the next day."""
    return run(2, at_s=CLOCK_S + DAY_S, **kwargs)


def between(log: Log, low: float, high: float) -> np.ndarray:
    """Which rows lie between two shares of the log."""
    place = np.linspace(0.0, 1.0, log.time_s.size)
    return (place >= low) & (place < high)


def noise(log: Log) -> Floats:
    return np.random.default_rng(9).normal(size=log.time_s.size) * 1.5


def held(log: Log, low: float, high: float, value: float) -> Log:
    """The counter shows one value for a while."""
    return replace(log, offset_ppb=np.where(between(log, low, high), value, log.offset_ppb))


def holdover(log: Log, low: float, high: float) -> Log:
    """The counter shows its own reference for a while."""
    return replace(log, offset_ppb=np.where(between(log, low, high), noise(log), log.offset_ppb))


def frozen(log: Log, low: float, high: float) -> Log:
    """The sensor shows one value for a while."""
    inside = between(log, low, high)
    return replace(log, sensor_c=np.where(inside, log.sensor_c[np.argmax(inside)], log.sensor_c))


def glitches(log: Log, share: float) -> Log:
    """So many rows are off by some 300 ppb, five in a row, so that no neighbour gives them away."""
    hit = np.random.default_rng(5).uniform(size=log.time_s.size // 5 + 1) < share
    return replace(log, offset_ppb=log.offset_ppb + 300.0 * np.repeat(hit, 5)[: log.time_s.size])


def half_loop(log: Log) -> Log:
    """What a loop of 120 ppb leaves where it is not taken off."""
    return replace(log, offset_ppb=log.offset_ppb + 60.0 * np.sign(np.gradient(log.crystal_c)))


def swapped(log: Log) -> Log:
    """Another crystal is put in midway, in the hot soak."""
    other = run(3, curve=cubic(-195.0, 4000.0))
    return replace(log, offset_ppb=np.where(between(log, 0.0, 0.57), log.offset_ppb, other.offset_ppb))


ONE, TWO = run(1), second()


@dataclass(frozen=True)
class Mistake:
    """What was logged, what the job adds, and what must be said of it: refused, or warned of."""

    name: str
    logs: tuple[Log, ...]
    refused: str = ""
    warned: str = ""
    job: str = ""


BETWEEN = "different shapes.*the curve lies between them"
STOOD_STILL = "stuck counter.*a counter or a reference that stopped"
MISTAKES = (
    Mistake(
        "two oscillators",
        (run(1, curve=cubic(-195.0)), second(curve=cubic(-120.0, 4232.0))),
        refused=r"run 1 \(1.csv\) and run 2 \(2.csv\) have curves of different shapes.*by up to 2100 ppb \(u [\d.]+\), besides "
        r"3300 ppb \(u [\d.]+\) in base; they differ by 7[45]\.\d+ ppb/degC, as two crystals do; build each alone, or set "
        r"\[fit\] unlike_runs",
    ),
    Mistake(
        "a slope 4 ppb/degC apart", (ONE, second(curve=cubic(-116.0))), refused="by up to 110 ppb .*build each alone"
    ),
    Mistake(
        "a slope 0.5 ppb/degC apart",
        (ONE, second(curve=cubic(-119.5))),
        warned=BETWEEN,
    ),
    Mistake(
        "two oscillators that are to be joined",
        (ONE, second(curve=cubic(-119.0))),
        job='unlike_runs = "join"\nmax_dropped = 1',
        warned=BETWEEN,
    ),
    Mistake(
        "a base 3000 ppb apart",
        (ONE, second(curve=cubic(base=3932.0))),
        warned=r"from run 1 \(1.csv\) to run 2 \(2.csv\) the base moved by \+3000 ppb \(u [\d.]+\), more than the 41 ppb",
    ),
    Mistake(
        "a sign turned round", (ONE, replace(TWO, offset_ppb=-TWO.offset_ppb)), refused="with its sign turned round"
    ),
    Mistake(
        "a sensor that was put elsewhere",
        (ONE, replace(TWO, sensor_c=TWO.sensor_c + 2.0)),
        refused=r"its sensor reading 2\.0 degC lower",
    ),
    Mistake("a run of noise", (ONE, replace(TWO, offset_ppb=noise(TWO))), refused="different shapes"),
    Mistake("the same log twice", (ONE, ONE), refused="1.csv and 2.csv overlap"),
    Mistake(
        "the same log twice, a day later",
        (ONE, replace(ONE, time_s=ONE.time_s + DAY_S)),
        refused=r"1.csv and 2.csv hold the same samples \(100 % of what can be compared\), which would count double",
    ),
    Mistake("runs at one time", (ONE, run(2, at_s=CLOCK_S + 1000.0)), refused="1.csv and 2.csv overlap from .*Z to"),
    Mistake("another crystal midway", (swapped(run(1)),), refused="cut the log there and build the part that is right"),
    Mistake(
        "a counter that stood still",
        (held(ONE, 0.3, 0.36, 0.0),),
        warned="stuck counter.*a counter or a reference that stopped",
    ),
    Mistake(
        "a counter that stood still for long",
        (held(ONE, 0.15, 0.5, 0.0),),
        refused=r"\[fit\] max_dropped = 0\.\d+",
    ),
    Mistake(
        "a reference that was lost",
        (holdover(ONE, 0.3, 0.36),),
        warned="given no weight.*most in one stretch, 2026-.*likely the reference, the supply or the sensor was disturbed",
    ),
    Mistake("a sensor that stood still", (frozen(ONE, 0.3, 0.36),), warned="stuck sensor.*a sensor that stopped"),
    Mistake("a sensor that froze to the end", (frozen(ONE, 0.75, 1.1),), refused="took no part in the curve"),
    Mistake(
        "a sensor that slipped midway",
        (replace(ONE, sensor_c=ONE.sensor_c + 3.0 * between(ONE, 0.3, 1.1)),),
        warned="heating and cooling differ by .* far more than the noise",
    ),
    Mistake("gross errors in bursts", (glitches(ONE, 0.06),), warned="took no part in the curve .*given no weight"),
    Mistake(
        "gross errors that are allowed",
        (held(ONE, 0.15, 0.5, 0.0),),
        job="max_dropped = 0.5",
        warned="took no part in the curve",
    ),
    Mistake(
        "a loop that is switched off",
        (half_loop(ONE),),
        job='hysteresis = "none"\nmax_dropped = 1',
        warned="heating and cooling differ by|took no part",
    ),
    Mistake(
        "a counter on its own reference",
        (replace(ONE, offset_ppb=noise(ONE)),),
        warned="does not depend on temperature",
    ),
    Mistake(
        "a column of temperatures",
        (replace(ONE, offset_ppb=ONE.sensor_c),),
        refused="a straight line of the temperature",
    ),
    Mistake(
        "a reference that drifts",
        (replace(ONE, offset_ppb=ONE.offset_ppb + (ONE.time_s - CLOCK_S) / DAY_S * 2000.0),),
        warned=r"the ageing of 20\d\d ppb/day \(u .*is more than 100 ppb/day",
    ),
    Mistake(
        "times in milliseconds", (replace(ONE, time_s=(ONE.time_s - CLOCK_S) * 1000.0),), warned="times in another unit"
    ),
    Mistake(
        "an AT crystal with its sign turned round",
        (replace(ONE, offset_ppb=-ONE.offset_ppb),),
        warned="the sign of the column",
    ),
)


def job_text(logs: tuple[Log, ...], folder: Path, more: str = "") -> str:
    """The logs as files, and a job that names them."""
    blocks = []
    for number, log in enumerate(logs, start=1):
        log.write(folder / f"{number}.csv")
        blocks.append(
            f'[[run]]\nfile = "{number}.csv"\ntime = "time_s"\ntemperature = "temp_c"\noffset = "offset_ppb"\noffset_unit = "ppb"\n'
        )
    return f'[oscillator]\nname = "gauge"\ncut = "AT"\n{"".join(blocks)}[fit]\nmodels = ["crystal"]\n{more}\n'


def fit_result(logs: tuple[Log, ...], folder: Path, more: str = "") -> FitResult:
    """The curve of a job with these logs."""
    job = read_job_text(job_text(logs, folder, more), folder / "job.toml")
    runs = prepare_runs(job)
    return learn(job, runs, samples_of(runs))


@pytest.mark.parametrize("mistake", MISTAKES, ids=lambda mistake: mistake.name)
def test_a_mistake_is_refused_or_warned_of(mistake: Mistake, tmp_path: Path) -> None:
    if mistake.refused:
        with pytest.raises(TcompError, match=mistake.refused):
            fit_result(mistake.logs, tmp_path, mistake.job)
        return
    curve = fit_result(mistake.logs, tmp_path, mistake.job).curve
    assert any(re.search(mistake.warned, remark) for remark in curve.remarks), curve.remarks


@pytest.mark.parametrize(
    "logs", [(ONE,), (ONE, TWO), (ONE, second(curve=cubic(base=950.0)))], ids=["one", "two", "retrace"]
)
def test_sound_logs_are_not_warned_of(logs: tuple[Log, ...], tmp_path: Path) -> None:
    # 18 ppb in base: what retrace and a loop may do. 100 seeds: `python benchmarks/run_comparison.py`.
    assert fit_result(logs, tmp_path).curve.remarks == ()


def test_runs_at_two_rates_are_not_taken_for_two_oscillators_where_the_job_gives_a_wrong_lag(tmp_path: Path) -> None:
    fast, slow = (
        simulate(seed, chamber=chamber_c([(0, 15), (55, minutes), (55, 15)], 0.0), curve=cubic(), lag_s=200.0)
        for seed, minutes in ((1, 55), (2, 110))
    )
    logs = tuple(replace(log, time_s=log.time_s + CLOCK_S + DAY_S * day) for day, log in enumerate((fast, slow)))
    remarks = fit_result(logs, tmp_path, 'lag = "none"\nmax_dropped = 1').curve.remarks
    assert not any("different shapes" in remark for remark in remarks)
    assert any("the job gives no lag" in remark for remark in remarks)


def test_what_took_no_part_stands_on_the_screen_in_the_json_and_on_top_of_the_report(tmp_path: Path) -> None:
    job = tmp_path / "job.toml"
    text = job_text((holdover(ONE, 0.3, 0.36),), tmp_path) + '[firmware]\nformats = ["csv"]\n'
    job.write_text(text, encoding="utf-8")
    built = tcomp("build", job, "--into", tmp_path / "out", "--quiet")
    assert built.exit_code == 0
    (said,) = [line for line in built.stdout.splitlines() if line.startswith("warning") and "took no part" in line]
    figures = json.loads((tmp_path / "out" / "summary.json").read_text(encoding="utf-8"))
    dropped = figures["curve"]["dropped"]
    assert dropped["share"] == dropped["samples"] / dropped["of"]
    # 6 % of the log is held over, in a ramp where the curve is far from 0.
    assert 0.05 < dropped["share"] < 0.08
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert page.index("took no part in the curve") < page.index("<h2")
    assert dropped["where"] in said


def test_too_much_that_took_no_part_ends_the_build_with_one_sentence(tmp_path: Path) -> None:
    job = tmp_path / "job.toml"
    job.write_text(job_text((held(ONE, 0.15, 0.5, 0.0),), tmp_path), encoding="utf-8")
    built = tcomp("build", job, "--into", tmp_path / "out", "--quiet")
    assert (built.exit_code, built.stdout) == (2, "")
    assert built.stderr.startswith("Error: ")
    assert built.stderr.count("\n") == 1
    assert not (tmp_path / "out" / "curve.json").exists()
