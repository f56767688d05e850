"""How fast long logs are learnt of, and what else takes time: ratios to general-purpose libraries on the same machine.

    python benchmarks/speed.py fit [ROWS [PAIRS]]    a log of ROWS rows, against pyarrow's typed read of the same file
    python benchmarks/speed.py growth [ROWS]         from 1e5 rows to ROWS by decades, with a picture
    python benchmarks/speed.py validation [SAMPLES]  12 candidates, against scikit-learn's refits
    python benchmarks/speed.py start [PAIRS]         the command line, and a build of the river gauge

Each figure is of a fresh process, imports apart where it says so; of two figures that are compared the pairs take turns, and
the median ratio is printed.  The log is invented, 45 bytes a row, and removed afterwards.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).parent.parent
RIVER = ROOT / "sample_runs" / "river_gauge" / "gauge07.toml"
DURATION_S = 100_000.0
"""Of the simulated run, whatever the number of rows: six sweeps of 0.3 degC/min and faster."""
BLOCK = 1_000_000


def write_log(path: Path, rows: int) -> None:
    """Write a simulated log of a river gauge's board, a block at a time: ISO times, steps of 1/16 degC, 12 digits."""
    import pyarrow as pa
    import pyarrow.compute as pc
    from pyarrow import csv

    from tcomp.estimation.thermal_lag import lagged

    rng = np.random.default_rng(1)
    at_s = np.arange(0.0, DURATION_S + 1.0)
    corners_s = [0, 3e3, 19e3, 25e3, 41e3, 45e3, 52e3, 56e3, 63e3, 67e3, 80e3, 84e3, DURATION_S + 1]
    air_c = np.interp(at_s, corners_s, [-20, -20, 60, 60, -20, -20, 60, 60, -20, -20, 60, 60, -20])
    none = np.zeros(at_s.size, dtype=np.int64)
    board_c = lagged(at_s, air_c, none, 120.0)
    crystal_c = lagged(at_s, board_c, none, 170.0)
    with path.open("wb") as file:
        file.write(b"utc,board_c,osc_hz\n")
        for start in range(0, rows, BLOCK):
            time_s = np.arange(start, min(rows, start + BLOCK)) * (DURATION_S / rows)
            shown_c = np.interp(time_s, at_s, board_c) + rng.normal(0.0, 0.01, time_s.size)
            away_c = np.interp(time_s, at_s, crystal_c) - 26.4
            offset_ppb = 346.0 - 220.76 * away_c + 0.1086 * away_c**3 + 6.5 * time_s / 86_400.0
            offset_ppb += rng.normal(0.0, 1.0, time_s.size)
            stamp = pa.array(np.round(time_s * 1e3).astype(np.int64) + 1_772_436_600_000, pa.timestamp("ms"))
            text = pc.binary_join_element_wise(pc.cast(stamp, pa.string()), pa.scalar("Z"), pa.scalar(""))
            table = pa.table(
                {
                    "utc": pc.replace_substring(text, " ", "T", max_replacements=1),
                    "board_c": np.round(shown_c / 0.0625) * 0.0625,
                    "osc_hz": np.round(12.8e6 * (1.0 + 1e-9 * offset_ppb), 4),
                }
            )
            csv.write_csv(table, file, csv.WriteOptions(include_header=False, quoting_style="none"))


def peak_mb() -> float:
    """Largest memory of this process so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3


def typed_read(path: Path) -> dict[str, float]:
    """The log as pyarrow reads it, with types given."""
    import pyarrow as pa
    from pyarrow import csv

    kinds = {"utc": pa.timestamp("us", "UTC"), "board_c": pa.float64(), "osc_hz": pa.float64()}
    start_s, start_cpu_s = time.perf_counter(), time.process_time()
    table = csv.read_csv(path, convert_options=csv.ConvertOptions(column_types=kinds))
    read_s, read_cpu_s = time.perf_counter() - start_s, time.process_time() - start_cpu_s
    return {"s": read_s, "cpu_s": read_cpu_s, "rows": table.num_rows, "mb": peak_mb()}


def learn(path: Path, effects: str) -> dict[str, float]:
    """From the log to the validated curve; with the lag, ageing and hysteresis looked for, or without."""
    import pandas  # noqa: F401  # imports are not timed
    import pyarrow.csv
    import pyarrow.parquet  # noqa: F401
    import scipy.interpolate
    import scipy.linalg
    import scipy.optimize  # noqa: F401

    from tcomp import workflow
    from tcomp.job import read_job_text
    from tcomp.results import Folder

    text = (
        f'[oscillator]\nname = "gauge"\nnominal_hz = 12_800_000\ncut = "AT"\n[[run]]\nfile = "{path}"\ntime = "utc"\n'
    )
    text += 'temperature = "board_c"\nfrequency = "osc_hz"\n[sensor]\nresolution_c = 0.0625\n'
    off = '[fit]\nlag = "none"\nageing = "none"\nhysteresis = "none"\n'
    job = read_job_text(text + (off if effects == "plain" else ""), path.parent / "job.toml")
    folder = Folder(path.parent / "out")
    start_s, start_cpu_s = time.perf_counter(), time.process_time()
    runs = workflow.inspect_runs(job, folder, lambda _: None)
    read_s, read_cpu_s = time.perf_counter() - start_s, time.process_time() - start_cpu_s
    fit_result = workflow.fit(job, runs, folder, lambda _: None)
    lag_s = fit_result.curve.effect("lag").value
    found = {"s": time.perf_counter() - start_s, "read_s": read_s, "mb": peak_mb(), "lag_s": lag_s}
    return found | {"cpu_s": time.process_time() - start_cpu_s, "read_cpu_s": read_cpu_s}


def child(*words: object) -> dict[str, float]:
    """What a fresh process measures."""
    command = [sys.executable, __file__, "--child", *map(str, words)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    found: dict[str, float] = json.loads(done.stdout)
    return found


def with_log(rows: int, measure: Callable[[Path], None]) -> None:
    """Write the log, measure, and remove it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        write_log(path, rows)
        measure(path)


def median_ratio(of: list[float], to: list[float]) -> float:
    """Median over pairs."""
    return float(np.median(np.array(of) / np.array(to)))


def fit_table(rows: int, pairs: int) -> None:
    """Time and memory against the typed read."""

    def measure(path: Path) -> None:
        child("read", path)  # brings the file into the system's cache
        kinds = ("read", "plain", "all")
        found = [{kind: child(kind, path) for kind in kinds} for _ in range(pairs)]
        print(f"{rows} rows, {path.stat().st_size / 1e6:.0f} MB; median of {pairs}\n")
        print(
            "| what | s | of the read's | without learning | processor's time | without learning | peak, MB | of the read's |"
        )
        print("|---|---|---|---|---|---|---|---|")
        for kind, name in zip(kinds, ("typed read", "fit", "fit with lag, ageing, hysteresis"), strict=True):

            def ratio(key: str, to: str, kind: str = kind) -> float:
                own = [one[kind].get(key, one[kind][to]) for one in found]
                return median_ratio(own, [one["read"][to] for one in found])

            print(
                f"| {name} | {np.median([one[kind]['s'] for one in found]):.2f} | {ratio('s', 's'):.2f} "
                f"| {ratio('read_s', 's'):.2f} "
                f"| {ratio('cpu_s', 'cpu_s'):.2f} | {ratio('read_cpu_s', 'cpu_s'):.2f} "
                f"| {np.median([one[kind]['mb'] for one in found]):.0f} | {ratio('mb', 'mb'):.2f} |"
            )

    with_log(rows, measure)


def growth_table(most: int) -> None:
    """Time and memory from 1e5 rows on.  The processor's time is taken, which neighbours on the machine hardly change."""
    sizes = [10**power for power in range(5, int(np.log10(most)) + 1)]
    found: list[dict[str, float]] = []
    for rows in sizes:
        with_log(
            rows, lambda path: found.append(min((child("all", path) for _ in range(3)), key=lambda one: one["cpu_s"]))
        )
    print("| rows | reading, cleaning, cells, s of processor | learning | ns a row | peak, MB |\n|---|---|---|---|---|")
    for rows, one in zip(sizes, found, strict=True):
        learning_s, row_ns = one["cpu_s"] - one["read_cpu_s"], 1e9 * one["read_cpu_s"] / rows
        print(f"| {rows} | {one['read_cpu_s']:.3f} | {learning_s:.2f} | {row_ns:.0f} | {one['mb']:.0f} |")
    read_s = np.array([one["read_cpu_s"] for one in found])
    each_s, fixed_s = np.polyfit(sizes, read_s, 1, w=1 / read_s)
    beyond, with_it = (np.polyfit(np.log10(sizes), np.log10(time_s), 1)[0] for time_s in (read_s - fixed_s, read_s))
    print(f"reading, cleaning, cells: {fixed_s:.3f} s and {1e9 * each_s:.0f} ns a row")
    print(f"log-log slope beyond the fixed part: {beyond:.3f}; with it: {with_it:.3f}")
    draw_growth(sizes, found)


def draw_growth(sizes: list[int], found: list[dict[str, float]]) -> None:
    """``benchmarks/speed.svg``: time and memory against rows."""
    import matplotlib as mpl

    mpl.use("svg")
    mpl.rcParams["svg.hashsalt"] = "speed"
    from matplotlib import pyplot as plt

    figure, (left, right) = plt.subplots(1, 2, figsize=(9.0, 3.6), layout="constrained")
    read_s = np.array([one["read_cpu_s"] for one in found])
    left.loglog(sizes, [one["cpu_s"] for one in found], "o-", label="log to curve")
    left.loglog(sizes, read_s, "s-", label="reading, cleaning, cells")
    left.loglog(sizes, read_s[-1] * np.array(sizes) / sizes[-1], ":", color="0.4", label="in proportion to the rows")
    left.set(xlabel="rows", ylabel="processor's time, s")
    left.legend(frameon=False)
    right.semilogx(sizes, [one["mb"] for one in found], "o-")
    right.set(xlabel="rows", ylabel="peak memory, MB", ylim=(0, 1.2 * max(one["mb"] for one in found)))
    figure.savefig(ROOT / "benchmarks" / "speed.svg", metadata={"Date": None})


def validation_table(samples: int) -> None:
    """All candidates over six sweeps against refits, fold by fold: the processor's time, with one thread each."""
    from sklearn.model_selection import LeaveOneGroupOut, cross_val_score
    from threadpoolctl import threadpool_limits

    from tcomp.estimation.candidates import candidates
    from tcomp.estimation.crystal_regressor import CrystalRegressor
    from tcomp.estimation.spline_basis import SplineBasis, knots_for
    from tcomp.estimation.validation import validate

    rng = np.random.default_rng(1)
    up = np.linspace(-20.0, 60.0, samples // 6)
    temperature_c = np.concatenate([up, up[::-1]] * 3)
    sweep = np.repeat(np.arange(6), up.size)
    away_c = temperature_c - 26.4
    offset_ppb = 346.0 - 220.76 * away_c + 0.1086 * away_c**3 + rng.normal(0.0, 1.0, away_c.size)
    names = tuple(f"poly{degree}" for degree in range(1, 10))
    rivals = candidates((*names, "crystal", "spline"), "unknown")
    spline = SplineBasis(knots_for(temperature_c, -20.0, 60.0, 24))
    direction = np.where(sweep % 2 == 0, 0.5, -0.5)
    threadpool_limits(1)  # both sides: a shared machine's threads wait for each other
    own_s = []
    for _ in range(3):
        start_s = time.process_time()
        found = validate(temperature_c, offset_ppb, sweep, direction, rivals, None, spline)
        own_s.append(time.process_time() - start_s)
    start_s, apart = time.process_time(), 0.0
    for score in found.scores:
        degree = score.candidate.degree
        model: Any = spline_of(spline, found.smoothing) if degree is None else CrystalRegressor(degree)
        refits = -cross_val_score(
            model,
            temperature_c[:, None],
            offset_ppb,
            groups=sweep,
            cv=LeaveOneGroupOut(),
            scoring="neg_mean_squared_error",
        )
        apart = max(apart, float(np.abs(np.array(score.fold_mse) / refits - 1).max()))
    their_s = time.process_time() - start_s
    print(
        f"{len(rivals)} candidates, 6 sweeps, {away_c.size} samples: {np.median(own_s):.2f} s, refits {their_s:.0f} s"
    )
    print(f"{their_s / np.median(own_s):.0f} times faster; scores equal within {apart:.1e} relative")


def spline_of(basis: Any, strength: float) -> Any:
    """The spline at a given smoothing as an estimator, fitted anew in every fold."""
    from sklearn.base import BaseEstimator, RegressorMixin

    from tcomp.estimation.least_squares import least_squares

    class FixedSpline(RegressorMixin, BaseEstimator):  # type: ignore[misc]
        def fit(self, X: Any, y: Any) -> Any:
            rows = np.sqrt(strength) * basis.penalty_rows()
            design = np.vstack([basis.values(X[:, 0]), rows])
            self.coef_ = least_squares(design, np.concatenate([y, np.zeros(len(rows))])).coef
            return self

        def predict(self, X: Any) -> Any:
            return basis.values(X[:, 0]) @ self.coef_

    return FixedSpline()


def process_s(*command: str) -> dict[str, float]:
    """Wall and processor's time of a fresh process; modules are kept compiled, as those of what is installed are."""
    before, start_s = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(command, capture_output=True, check=True, env=os.environ | {"PYTHONDONTWRITEBYTECODE": ""})
    wall_s, after = time.perf_counter() - start_s, resource.getrusage(resource.RUSAGE_CHILDREN)
    return {"wall": wall_s, "processor": after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime}


def imported_by(*words: str) -> str:
    """The libraries, and the public parts of them, that a command of tcomp imports: names with commas between."""
    code = f"import atexit, sys; atexit.register(lambda: print('@', *sys.modules)); from tcomp.cli import main; main({list(words)})"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    names = done.stdout.rpartition("@")[2].split()
    libraries = {"click", "jinja2", "matplotlib", "numpy", "pandas", "pyarrow", "scipy", "sklearn", "threadpoolctl"}
    public = [name for name in names if name.count(".") < 2 and "._" not in f".{name}"]
    return ", ".join(name for name in public if name.partition(".")[0] in libraries)


def start_table(pairs: int) -> None:
    """The command line against its library alone, and a build against the imports that it needs."""
    python, kinds = sys.executable, ("wall", "processor")

    def of_pairs(count: int, *commands: tuple[str, ...]) -> list[list[dict[str, float]]]:
        for command in commands:
            process_s(*command)  # compiles what is not yet, and brings files into the system's cache
        return [[process_s(*command) for command in commands] for _ in range(count)]

    helped = of_pairs(4 * pairs, (python, "-m", "tcomp", "--help"), (python, "-c", "import click"))
    for kind in kinds:
        ratio = median_ratio(*([pair[which][kind] for pair in helped] for which in (0, 1)))
        print(f"`tcomp --help`: {ratio:.2f} times `import click` ({kind}'s time)")
    with tempfile.TemporaryDirectory() as folder:
        build = ("build", str(RIVER), "--into", folder)
        libraries = imported_by(*build)
        built = of_pairs(pairs, (python, "-m", "tcomp", *build), (python, "-c", f"import {libraries}"))
    for kind in kinds:
        build_s, import_s = ([pair[which][kind] for pair in built] for which in (0, 1))
        print(f"`tcomp build`: {np.median(build_s):.2f} s, imports {np.median(import_s):.2f} s ({kind}'s time)")
        print(f"of imports and 1 s: {median_ratio(build_s, [one + 1.0 for one in import_s]):.2f}")


def main(words: list[str]) -> None:
    """Measure what is asked for."""
    if words[:1] == ["--child"]:
        kind, path = words[1], Path(words[2])
        print(json.dumps(typed_read(path) if kind == "read" else learn(path, kind)))
        return
    what, numbers = (words or ["fit"])[0], [int(float(word)) for word in words[1:]]
    if what == "fit":
        fit_table(*(numbers + [10_000_000, 5][len(numbers) :]))
    elif what == "growth":
        growth_table(*(numbers or [100_000_000]))
    elif what == "validation":
        validation_table(*(numbers or [1_000_000]))
    else:
        start_table(*(numbers or [5]))


if __name__ == "__main__":
    main(sys.argv[1:])
